//! A drive that is gone, and a file system that turns read-only, in the midst of a sitting.

use std::thread::sleep;
use std::time::Duration;

use poolproof::store;
use poolproof::study::{State, Trial};

use super::ext4::{Ext4, text};
use crate::support::{poolproof, real, say};
use crate::under_way::UnderWay;

/// A share with a sitting of these workloads that has two trials behind it.
fn measured(what: &str, workloads: &[&str]) -> Option<(Ext4, UnderWay)> {
    let ext4 = real(what, || Ext4::build("noatime,errors=continue"))?;
    let study = ext4.study();
    poolproof(&["new", text(&study), "--share", text(&ext4.share())]);
    let words = "--phase before --size 64MiB --seconds 1 --trials 30";
    let named = workloads.iter().flat_map(|name| ["--workload", name]);
    let words = ["measure", text(&study)]
        .into_iter()
        .chain(words.split(' '));
    let sitting = UnderWay::begin(&words.chain(named).collect::<Vec<_>>());
    sitting.wait_for_trials(&study, 2);
    Some((ext4, sitting))
}

/// Waits for the end; the trials, of which those that were finished are kept.
fn failed(ext4: &Ext4, sitting: UnderWay) -> Vec<Trial> {
    let (code, said) = sitting.end();
    assert_eq!(code, Some(4), "{said}");
    let trials = store::read(&ext4.study()).unwrap().trials;
    assert!(
        trials[..2]
            .iter()
            .all(|trial| trial.state == State::Complete)
    );
    let causes = trials.iter().filter(|trial| trial.state == State::Failed);
    let causes: Vec<&str> = causes.map(|trial| trial.cause.as_str()).collect();
    say(&format!("real local: failed because {causes:?}"));
    trials
}

#[test]
fn a_drive_that_is_gone_fails_trials_with_its_error() {
    let Some((ext4, sitting)) = measured("a drive that is lost", &["small-read"]) else {
        return;
    };
    ext4.lose_the_drive().unwrap();
    let trials = failed(&ext4, sitting);
    let last = trials.last().unwrap();
    assert_eq!(last.state, State::Failed);
    assert!(last.cause.contains("Input/output error"), "{}", last.cause);
}

#[test]
fn a_share_that_turns_read_only_fails_what_writes() {
    let workloads = ["small-read", "small-write-deep"];
    let Some((ext4, sitting)) = measured("a share that turns read-only", &workloads) else {
        return;
    };
    let mut tries = 0..3_000;
    while ext4.make_read_only().is_err() {
        assert!(
            tries.next().is_some(),
            "files are open for writing all the time"
        );
        sleep(Duration::from_millis(10));
    }
    let trials = failed(&ext4, sitting);
    let writes = trials
        .iter()
        .rfind(|trial| trial.read_percent == 0)
        .unwrap();
    assert_eq!(writes.state, State::Failed);
    assert!(
        writes.cause.contains("Read-only file system"),
        "{}",
        writes.cause
    );
    let reads = trials.iter().filter(|trial| trial.read_percent == 100);
    assert!(
        reads
            .into_iter()
            .all(|trial| trial.state == State::Complete)
    );
}

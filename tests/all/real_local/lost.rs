//! A drive that is gone, and a file system that turns read-only, in the midst of a sitting.

use std::fs;
use std::process::{Child, Command, Stdio};
use std::thread::sleep;
use std::time::Duration;

use poolproof::store;
use poolproof::study::{State, Trial};

use super::ext4::{Ext4, text};
use crate::support::{poolproof, real, say};

/// A share with a sitting of these workloads that has two trials behind it.
fn measured(what: &str, workloads: &[&str]) -> Option<(Ext4, Child)> {
    let ext4 = real(what, || Ext4::build("noatime,errors=continue"))?;
    let study = ext4.study();
    poolproof(&["new", text(&study), "--share", text(&ext4.share())]);
    let words = "--phase before --size 64MiB --seconds 1 --trials 30";
    let sitting = Command::new(env!("CARGO_BIN_EXE_poolproof"))
        .args(["measure", text(&study)])
        .args(words.split(' '))
        .args(workloads.iter().flat_map(|name| ["--workload", name]))
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let table = study.join("trials.csv");
    for _ in 0..1200 {
        if fs::read_to_string(&table).is_ok_and(|text| text.lines().count() > 2) {
            return Some((ext4, sitting));
        }
        sleep(Duration::from_millis(50));
    }
    panic!("no two trials within a minute");
}

/// Waits for the end; the trials, of which those that were finished are kept.
fn failed(ext4: &Ext4, sitting: Child) -> Vec<Trial> {
    let ended = sitting.wait_with_output().unwrap();
    let said = String::from_utf8_lossy(&ended.stderr).into_owned();
    assert_eq!(ended.status.code(), Some(4), "{said}");
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

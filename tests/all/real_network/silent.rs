//! A network share whose server stops answering, or goes away and comes back.

use std::fs;

use super::share::{Config, NetworkShare};
use super::trials;
use crate::real_pool::pool::text;
use crate::support::{poolproof, real, run, say};
use crate::under_way::UnderWay;

/// What a sitting is asked for: it lasts longer than any test.
const WORDS: &str = "--phase before --size 64MiB --seconds 1 --trials 100 --give-up 3s --workload small-read --workload small-read-deep";

/// A share with a study, and the study's folder.
fn studied() -> Option<(NetworkShare, String)> {
    let share = real("real network", || NetworkShare::build(Config::default()))?;
    let study = text(&share.study());
    poolproof(&["new", &study, "--share", &text(&share.path())]);
    Some((share, study))
}

/// The command of a sitting with these words.
fn measure<'a>(study: &'a str, words: &'a str) -> Vec<&'a str> {
    ["measure", study]
        .into_iter()
        .chain(words.split(' '))
        .collect()
}

/// A share with a study, and a sitting of it that has two trials behind it.
fn measured() -> Option<(NetworkShare, UnderWay)> {
    let (share, study) = studied()?;
    let sitting = UnderWay::begin(&measure(&study, WORDS));
    sitting.wait_for_trials(&share.study(), 2);
    Some((share, sitting))
}

/// Waits for the end of a sitting whose share is gone; the causes of the trials that failed.
#[track_caller]
fn failed(share: &NetworkShare, sitting: UnderWay) -> Vec<String> {
    let (code, said) = sitting.end();
    assert_eq!(code, Some(4), "{said}");
    assert!(said.contains("finished trials are kept"), "{said}");
    let trials = trials(share);
    let complete = trials.iter().filter(|trial| trial["state"] == "complete");
    assert!(complete.count() >= 2, "{trials:?}");
    let causes = trials.iter().filter(|trial| trial["state"] == "failed");
    let causes: Vec<String> = causes.map(|trial| trial["cause"].clone()).collect();
    say(&format!("real network: failed because {causes:?}"));
    causes
}

/// Measures once more, and takes the test data away.
fn goes_on(share: &NetworkShare) {
    let study = text(&share.study());
    let (before, more) = (
        trials(share).len(),
        "--phase before --seconds 1 --trials 1 --size 64MiB",
    );
    poolproof(&measure(&study, more));
    let trials = trials(share);
    assert!(trials.len() > before);
    assert!(
        trials[before..]
            .iter()
            .all(|trial| trial["state"] == "complete")
    );
    cleans(share);
}

/// Takes the test data away: nothing is left on the server's side.
#[track_caller]
fn cleans(share: &NetworkShare) {
    let said = poolproof(&["clean", &text(&share.study())]);
    let left = fs::read_dir(share.server_folder()).unwrap();
    let left: Vec<_> = left.map(|entry| entry.unwrap().path()).collect();
    assert!(left.is_empty(), "{left:?}: {said}");
}

#[test]
fn real_network_share_is_cleaned_though_a_removed_file_is_closed_a_little_later() {
    let Some((share, study)) = studied() else {
        return;
    };
    let words = "--phase before --size 64MiB --seconds 1 --trials 1 --workload small-read";
    poolproof(&measure(&study, words));
    let folder = fs::read_dir(share.path())
        .unwrap()
        .next()
        .unwrap()
        .unwrap()
        .path();
    let open: Vec<fs::File> = fs::read_dir(folder)
        .unwrap()
        .map(|entry| fs::File::open(entry.unwrap().path()).unwrap())
        .collect();
    assert!(open.len() > 1, "the marker and the test data");
    let closing = std::thread::spawn(move || {
        std::thread::sleep(std::time::Duration::from_millis(700));
        drop(open);
    });
    cleans(&share);
    closing.join().unwrap();
}

#[test]
fn real_network_share_that_hangs_ends_the_sitting_and_the_next_goes_on() {
    let Some((share, sitting)) = measured() else {
        return;
    };
    share.halt_server(true).unwrap();
    let causes = failed(&share, sitting);
    assert_eq!(causes.len(), 1, "it ends at once");
    assert!(causes[0].contains("has not answered for"), "{causes:?}");
    share.halt_server(false).unwrap();
    goes_on(&share);
}

#[test]
fn real_network_share_that_disappears_and_comes_back_loses_nothing() {
    let Some((share, sitting)) = measured() else {
        return;
    };
    share.end_server().unwrap();
    assert!(!failed(&share, sitting).is_empty());
    // Until it is back, every start says so and touches nothing.
    let study = text(&share.study());
    let refused = run(
        env!("CARGO_BIN_EXE_poolproof"),
        &["measure", &study, "--phase", "before"],
    );
    let why = refused.unwrap_err();
    assert!(why.contains("error: "), "{why}");
    share.come_back().unwrap();
    goes_on(&share);
}

#[test]
fn real_network_share_that_hangs_ends_sealing_and_verifying() {
    let Some((share, study)) = studied() else {
        return;
    };
    // More than the client has in its memory of names, so that looking at it asks the server.
    let own = share.path().join("logbooks");
    fs::create_dir(&own).unwrap();
    for number in 0..20 {
        let content = number.to_string().repeat(200_000);
        fs::write(own.join(format!("{number}.txt")), content).unwrap();
    }
    poolproof(&["seal", &study, &text(&own), "--all"]);
    poolproof(&["verify", &study]);
    let slowly = ["--limit", "1MB", "--give-up", "3s"];
    let commands: [&[&str]; 2] = [&["seal", &study, &text(&own), "--all"], &["verify", &study]];
    for words in commands {
        let words: Vec<&str> = words.iter().chain(&slowly).copied().collect();
        let under_way = UnderWay::begin(&words);
        std::thread::sleep(std::time::Duration::from_secs(1));
        share.halt_server(true).unwrap();
        let (code, said) = under_way.end();
        share.halt_server(false).unwrap();
        assert_eq!(code, Some(4), "{words:?}: {said}");
        assert!(said.contains("has not answered for"), "{words:?}: {said}");
    }
    // Nothing is damaged by a server that was silent, and the pass goes on.
    poolproof(&["verify", &study]);
}

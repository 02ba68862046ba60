//! A share that stops answering: every command that touches it ends in a sentence, in time, although
//! the kernel holds its threads until the share answers again.

use std::path::Path;
use std::thread::sleep;
use std::time::Duration;

use super::program::Scene;
use super::quick;
use crate::support::output;
use crate::under_way::UnderWay;

/// The sentence, with a part of what was being done.
const SAYS: &str = "has not answered for";

impl Scene {
    /// Words for a sitting that goes on until something ends it, on a share that is soon given up.
    pub(super) fn many<'a>(&'a self, workloads: &[&'a str]) -> Vec<&'a str> {
        let mut words = vec!["measure", self.study(), "--phase", "before"];
        words.extend(["--size", "64MiB", "--trials", "100", "--seconds", "1"]);
        words.extend(["--give-up", "2s"]);
        words.extend(workloads.iter().flat_map(|name| ["--workload", name]));
        words
    }
}

#[test]
fn a_share_that_stops_answering_within_a_trial_fails_it_and_ends_the_sitting() {
    // On threads, on a ring, with a flush.
    for workload in ["small-read", "small-read-deep", "large-write"] {
        let Some(scene) = Scene::set(&quick()) else {
            return;
        };
        let sitting = UnderWay::begin(&scene.many(&[workload]));
        sitting.wait_for_trials(Path::new(scene.study()), 1);
        scene.share.fall_silent();
        let (code, said) = sitting.end();
        assert_eq!(code, Some(4), "{workload}: {said}");
        assert!(said.contains(SAYS), "{said}");
        let rows = scene.rows("trials.csv");
        let (last, before) = rows.split_last().unwrap();
        assert!(
            before.iter().all(|row| row.0["state"] == "complete"),
            "{workload}"
        );
        assert_eq!(last.0["state"], "failed", "{workload}");
        assert!(last.0["cause"].contains(SAYS), "{}", last.0["cause"]);
        // The next one waits for nothing that is stuck, and says the same.
        let again = output(env!("CARGO_BIN_EXE_poolproof"), &scene.many(&[workload])).unwrap();
        assert_eq!(again.status.code(), Some(4));
        assert_eq!(
            scene.rows("trials.csv").len(),
            rows.len(),
            "nothing was begun"
        );
        scene.share.answer_again();
        scene.measure(&[workload], "1");
        let first = scene.trial(workload).number("first_operation");
        assert!(first >= last.number("next_operation"), "positions go on");
    }
}

#[test]
fn a_share_that_stops_answering_while_test_data_is_laid_down_ends_the_sitting() {
    let Some(scene) = Scene::set(&quick()) else {
        return;
    };
    let sitting = UnderWay::begin(&scene.many(&["small-read"]));
    let manifest = format!("{}/testdata.csv", scene.study());
    while std::fs::read_to_string(&manifest).map_or(0, |text| text.lines().count()) < 6 {
        sleep(Duration::from_millis(5));
    }
    scene.share.fall_silent();
    let (code, said) = sitting.end();
    assert_eq!(code, Some(4), "{said}");
    assert!(said.contains(SAYS), "{said}");
    scene.share.answer_again();
    scene.measure(&["small-read"], "1");
}

#[test]
fn every_command_that_touches_a_silent_share_ends_in_a_sentence() {
    let Some(scene) = Scene::set(&quick()) else {
        return;
    };
    scene.measure(&["small-read"], "1");
    let rows = scene.rows("trials.csv").len();
    let (share, beside) = (scene.share.path(), scene.share.beside().join("other"));
    let (share, beside) = (share.to_string_lossy(), beside.to_string_lossy());
    scene.share.fall_silent();
    let commands: [&[&str]; 6] = [
        &scene.many(&["small-read"]),
        &["sweep", scene.study()],
        &["clean", scene.study()],
        &["check", scene.study()],
        &["next", scene.study()],
        &["new", &beside, "--share", &share],
    ];
    for words in commands {
        let mut words = words.to_vec();
        if !words.contains(&"--give-up") {
            words.extend(["--give-up", "1s"]);
        }
        let ended = output(env!("CARGO_BIN_EXE_poolproof"), &words).unwrap();
        let said = String::from_utf8_lossy(&ended.stderr);
        assert_eq!(ended.status.code(), Some(4), "{words:?}: {said}");
        assert!(said.contains(SAYS), "{words:?}: {said}");
    }
    // What only reads the study does not wait for the share.
    for command in ["show", "compare"] {
        let read = output(env!("CARGO_BIN_EXE_poolproof"), &[command, scene.study()]).unwrap();
        assert_eq!(read.status.code(), Some(0), "{command}");
    }
    scene.share.answer_again();
    assert_eq!(scene.rows("trials.csv").len(), rows);
    let cleaned = output(env!("CARGO_BIN_EXE_poolproof"), &["clean", scene.study()]).unwrap();
    assert_eq!(cleaned.status.code(), Some(0));
}

/// The source of progress is another than the share: readings go on.
#[test]
fn a_watch_outlives_the_share_that_it_probes() {
    let Some(scene) = Scene::set(&quick()) else {
        return;
    };
    scene.measure(&["small-read"], "1");
    let percent = scene.share.beside().join("percent");
    std::fs::write(&percent, "37.5").unwrap();
    let percent = percent.to_string_lossy();
    let mut words = vec![
        "watch",
        scene.study(),
        "--source",
        "percent",
        "--file",
        &percent,
    ];
    words.extend(["--every", "3s", "--give-up", "1s"]);
    let watch = UnderWay::begin(&words);
    let probes = format!("{}/probes.csv", scene.study());
    let probed = || std::fs::read_to_string(&probes).map_or(0, |text| text.lines().count());
    while probed() < 2 {
        sleep(Duration::from_millis(20));
    }
    scene.share.fall_silent();
    let failed = || std::fs::read_to_string(&probes).is_ok_and(|text| text.contains(SAYS));
    while !failed() {
        sleep(Duration::from_millis(20));
    }
    let before = scene.rows("progress.csv").len();
    std::fs::write(percent.as_ref(), "finished").unwrap();
    let (code, said) = watch.end();
    assert_eq!(code, Some(0), "{said}");
    assert!(said.contains("the watch goes on without"), "{said}");
    assert!(scene.rows("progress.csv").len() > before);
}

/// Asked twice to end, the program does, whatever is stuck; and so it does when its work is killed.
#[test]
fn an_end_that_is_insisted_on_comes_at_once_on_a_silent_share() {
    for (signals, code) in [
        (["INT", "INT"], 130),
        (["TERM", "TERM"], 143),
        (["INT", "KILL"], 137),
    ] {
        let Some(scene) = Scene::set(&quick()) else {
            return;
        };
        let mut words = scene.many(&["small-read"]);
        let patience = words.iter().position(|word| *word == "2s").unwrap();
        words[patience] = "1h";
        let sitting = UnderWay::begin(&words);
        sitting.wait_for_trials(Path::new(scene.study()), 1);
        scene.share.fall_silent();
        sleep(Duration::from_secs(1));
        for signal in signals {
            sitting.signal(signal, signal == "KILL");
            sleep(Duration::from_secs(1));
        }
        // Not by way of its output, which what is stuck may hold when it was killed.
        assert_eq!(sitting.status().code(), Some(code), "{signals:?}");
        scene.share.answer_again();
        scene.measure(&["small-read"], "1");
    }
}

//! Sittings and watches that are stopped, and readers that go away.

use std::fs;
use std::process::{Command, Stdio};
use std::thread::sleep;
use std::time::Duration;

use super::{LONG, NEW, Place, SHORT, WATCH, signal, start, wait_for_lines, wait_for_rows};
use crate::support::{HEEDING, find, say};

/// Signals that end the program, and its exit code then: 128 and the number, as shells have it (POSIX).
const ENDING: [(&str, i32); 3] = [("INT", 130), ("TERM", 143), ("HUP", 129)];

#[test]
fn every_signal_keeps_finished_trials_and_has_its_exit_code() {
    for (name, code) in ENDING {
        let place = Place::new();
        place.ok(NEW);
        let mut child = start(&place, LONG);
        wait_for_rows(&place, 2);
        signal(&child, name);
        assert_eq!(child.wait().unwrap().code(), Some(code), "{name}");
        let states = states(&place);
        assert!(
            states.len() >= 2 && states[..2] == ["complete", "complete"],
            "{name}: {states:?}"
        );
        assert!(place.ok("show scans").contains("before"));
    }
}

fn states(place: &Place) -> Vec<String> {
    let rows = place.rows("trials.csv").into_iter();
    rows.map(|row| row["state"].clone()).collect()
}

#[test]
fn every_signal_ends_a_watch_and_keeps_what_was_read() {
    for (name, code) in ENDING {
        let place = Place::new();
        place.ok(NEW);
        fs::write(place.folder.path().join("percent"), "37.5").unwrap();
        let mut child = start(&place, WATCH);
        wait_for_lines(&place, "progress.csv", 2);
        signal(&child, name);
        assert_eq!(child.wait().unwrap().code(), Some(code), "{name}");
        assert!(!place.rows("progress.csv").is_empty());
        place.ok("watch scans --at 40");
    }
}

/// Whoever starts the program so that it outlives the terminal has hang-ups ignored; that stays so.
#[test]
fn a_hang_up_that_is_ignored_ends_nothing() {
    let place = Place::new();
    place.ok(NEW);
    let words = format!(
        "trap '' HUP; exec {} {LONG}",
        env!("CARGO_BIN_EXE_poolproof")
    );
    let [tool, heeding] = HEEDING;
    let mut child = Command::new(tool)
        .args([heeding, "sh", "-c", &words])
        .current_dir(place.folder.path())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    wait_for_rows(&place, 1);
    signal(&child, "HUP");
    wait_for_rows(&place, states(&place).len() + 1);
    signal(&child, "INT");
    assert_eq!(child.wait().unwrap().code(), Some(130));
}

/// The terminal is closed under the program: its other end goes away with `script`.
#[test]
fn a_closed_terminal_ends_a_sitting_and_keeps_finished_trials() {
    if let Err(why) = find("script") {
        return say(&format!("skipped: a closed terminal: {why}"));
    }
    let place = Place::new();
    place.ok(NEW);
    let heeding = HEEDING.join(" ");
    let words = format!("exec {heeding} {} {LONG}", env!("CARGO_BIN_EXE_poolproof"));
    let mut terminal = Command::new("script")
        .args(["--quiet", "--return", "--command", &words, "/dev/null"])
        .current_dir(place.folder.path())
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    wait_for_rows(&place, 1);
    terminal.kill().unwrap();
    terminal.wait().unwrap();
    // The lock says when it has ended; `check` waits for nothing else.
    let answer = "check scans --attest users --by keeper --note told";
    let ended = (0..200).any(|_| {
        sleep(Duration::from_millis(50));
        place.run(answer).status.success()
    });
    assert!(ended, "it goes on without a terminal");
    let states = states(&place);
    let (last, finished) = states.split_last().unwrap();
    assert!(
        finished.iter().all(|state| state == "complete"),
        "{states:?}"
    );
    assert!(
        ["complete", "interrupted"].contains(&last.as_str()),
        "{states:?}"
    );
    place.ok(&format!("{SHORT} --phase before --workload small-read"));
}

/// `poolproof compare scans | head -1`: the reader is gone when the rest comes.
#[test]
fn a_reader_that_goes_away_is_no_error() {
    let example = concat!(env!("CARGO_MANIFEST_DIR"), "/reports/lighthouse-archive");
    for command in ["compare", "show", "why", "next", "plan", "compare --csv"] {
        let (read, write) = std::io::pipe().unwrap();
        drop(read);
        let output = Command::new(env!("CARGO_BIN_EXE_poolproof"))
            .args(command.split(' '))
            .arg(example)
            .stdout(write)
            .output()
            .unwrap();
        assert_eq!(output.status.code(), Some(0), "{command}");
        assert_eq!(String::from_utf8_lossy(&output.stderr), "", "{command}");
    }
}

#[test]
fn a_second_sitting_on_the_same_study_is_refused() {
    let place = Place::new();
    place.ok(NEW);
    let mut child = start(&place, LONG);
    wait_for_rows(&place, 1);
    assert!(
        place
            .fails(&format!("{SHORT} --phase before"), 3)
            .contains("is being written by `measure`")
    );
    place.ok("show scans");
    child.kill().unwrap();
    child.wait().unwrap();
}

/// Before the first trial as well: what is laid down to its end stays, what is not is gone.
#[test]
fn every_signal_ends_laying_down_cleanly() {
    for (name, code) in ENDING {
        let place = Place::new();
        place.ok(NEW);
        let mut child = start(&place, "measure scans --brief --phase before");
        while !place.study().join("testdata.csv").exists() || place.laid_down().0.len() < 2 {
            assert!(child.try_wait().unwrap().is_none(), "it ended by itself");
            sleep(Duration::from_millis(2));
        }
        signal(&child, name);
        assert_eq!(child.wait().unwrap().code(), Some(code), "{name}");
        let (mut found, listed) = place.laid_down();
        found.remove("THIS-BELONGS-TO-POOLPROOF.txt");
        assert_eq!(found, listed, "{name}");
        assert!(place.ok("clean scans").contains("its folder is gone"));
    }
}

//! Sittings that are stopped, killed, or kept apart.

use std::fs;
use std::thread::sleep;
use std::time::Duration;

use super::{LONG, NEW, Place, SHORT, signal, start, wait_for_rows};

#[test]
fn interrupting_keeps_finished_trials_and_exits_130() {
    let place = Place::new();
    place.ok(NEW);
    let mut child = start(&place, LONG);
    wait_for_rows(&place, 2);
    signal(&child, "INT");
    assert_eq!(child.wait().unwrap().code(), Some(130));
    let states: Vec<String> = place
        .rows("trials.csv")
        .into_iter()
        .map(|row| row["state"].clone())
        .collect();
    assert!(
        states.len() >= 2 && states[..2] == ["complete", "complete"],
        "{states:?}"
    );
    assert!(place.ok("show scans").contains("before"));
}

/// Killed at moments spread over laying down and measuring: every finished trial is there, readers
/// read, the next sitting goes on, and nothing lies on the share that the manifest does not list.
#[test]
fn killing_a_sitting_at_any_point_leaves_a_whole_study() {
    const SEED: u64 = 5;
    let place = Place::new();
    place.ok(NEW);
    let mut chance = fastrand::Rng::with_seed(SEED);
    let mut finished = 0;
    for round in 0..12 {
        let mut child = start(&place, LONG);
        sleep(Duration::from_millis(chance.u64(10..1_800)));
        child.kill().unwrap();
        child.wait().unwrap();
        let at = format!("seed {SEED}, round {round}");
        place.ok("show scans");
        place.ok("compare scans");
        let rows = if place.study().join("trials.csv").exists() {
            place.rows("trials.csv")
        } else {
            Vec::new()
        };
        assert!(rows.len() >= finished, "{at}");
        finished = rows.len();
        if place.study().join("testdata.csv").exists() {
            let (mut found, listed) = place.laid_down();
            found.remove("THIS-BELONGS-TO-POOLPROOF.txt");
            assert!(found.is_subset(&listed), "{at}: {found:?}");
        }
    }
    place.ok(&format!("{SHORT} --phase before"));
    assert!(place.rows("trials.csv").len() >= finished + 6);
    place.ok("clean scans");
    assert_eq!(fs::read_dir(place.share()).unwrap().count(), 0);
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
    for name in ["INT", "TERM", "HUP"] {
        let place = Place::new();
        place.ok(NEW);
        let mut child = start(&place, "measure scans --brief --phase before");
        while !place.study().join("testdata.csv").exists() || place.laid_down().0.len() < 2 {
            assert!(child.try_wait().unwrap().is_none(), "it ended by itself");
            sleep(Duration::from_millis(2));
        }
        signal(&child, name);
        assert_eq!(child.wait().unwrap().code(), Some(130), "{name}");
        let (mut found, listed) = place.laid_down();
        found.remove("THIS-BELONGS-TO-POOLPROOF.txt");
        assert_eq!(found, listed, "{name}");
        assert!(place.ok("clean scans").contains("its folder is gone"));
    }
}

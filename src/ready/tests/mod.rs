//! Studies for the tests of this room.

mod check;
mod next;

use std::sync::Mutex;

use jiff::{SignedDuration, Timestamp};

use super::*;
use crate::report::testing::{Scene, study};
use crate::study::Outcome;

/// A study of that kind. Made once.
fn scene(kind: Scene) -> Study {
    static MADE: Mutex<Vec<(Scene, Study)>> = Mutex::new(Vec::new());
    let mut made = MADE.lock().unwrap();
    if let Some((_, study)) = made.iter().find(|(own, _)| *own == kind) {
        return study.clone();
    }
    let fresh = study(kind);
    made.push((kind, fresh.clone()));
    fresh
}

/// A study whose every line holds, or is to be minded, with the look that goes with it.
fn ready() -> (Study, Look, Timestamp) {
    let mut study = scene(Scene::BeforeOnly);
    // Two sittings: the second half of the trials is one of its own.
    let half = study.trials.len() / 2;
    for trial in &mut study.trials[half..] {
        trial.sitting = 2;
    }
    let now = study.trials.last().unwrap().started + SignedDuration::from_hours(20);
    for facts in study.facts.values_mut() {
        facts.clock_synchronised = Some(true);
    }
    let look = Look {
        facts: study.facts.values().next().unwrap().clone(),
        interface: Some("lan0".into()),
        data_found: Some(true),
        activity: Activity::Quiet("nothing is running".into()),
    };
    for item in &BEFORE {
        attest(&mut study, item, now - SignedDuration::from_hours(2));
    }
    (study, look, now)
}

pub(super) fn attest(study: &mut Study, item: &Item, done: Timestamp) {
    study.checks.push(CheckRow {
        noted: done,
        done,
        side: item.side,
        item: item.word.into(),
        result: Outcome::Passed,
        by: "the keeper".into(),
        note: "seen".into(),
    });
}

pub(super) fn done(study: &mut Study, word: &str, when: Timestamp) {
    attest(study, item(Side::After, word).unwrap(), when);
}

pub(super) fn days_before(now: Timestamp, days: i64) -> Timestamp {
    now - SignedDuration::from_hours(24 * days)
}

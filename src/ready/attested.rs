//! What people answer for before the expansion, held against its age.

use jiff::Timestamp;

use super::items::{CLOCK, IDLE};
use super::{Activity, BEFORE, Item, Line, Look, State, age, answer, days};
use crate::study::{CheckRow, Outcome, Side, Study};
use crate::text::count;

/// A line for each item. Whether anything runs on the pool is asked only where nobody could look, and
/// whether the clock is right only where the kernel says that nothing sets it.
pub(super) fn lines(study: &Study, look: &Look, now: Timestamp) -> Vec<Line> {
    BEFORE
        .iter()
        .filter(|item| match item.word {
            IDLE => matches!(look.activity, Activity::NotSeen(_) | Activity::Partly(_)),
            CLOCK => look.facts.clock_synchronised == Some(false),
            _ => true,
        })
        .map(|item| line(item, answer(study, Side::Before, item.word), now))
        .collect()
}

/// The line of `item` with the latest answer about it.
fn line(item: &Item, row: Option<&CheckRow>, now: Timestamp) -> Line {
    let limit = item.days.unwrap_or(i64::MAX);
    let old = row.map(|row| days(now, row.done));
    let (state, evidence) = match (row, old) {
        (Some(row), _) if row.result == Outcome::Failed => (State::No, said(row)),
        (Some(row), Some(..-1)) => (
            State::NotYet,
            format!("{}, {}", said(row), age(now, row.done)),
        ),
        (Some(row), Some(old)) if old > limit => (
            State::NotYet,
            format!(
                "stale: counts for {}; {}",
                count(limit as usize, "day"),
                said(row)
            ),
        ),
        (Some(row), _) => (State::Holds, said(row)),
        (None, _) => (State::NotYet, "nobody has answered for it".to_owned()),
    };
    let advice = match (state, row) {
        (State::Holds, _) => String::new(),
        (State::No, _) => format!("mend it, then attest again: {}", item.takes),
        _ => item.takes.to_owned(),
    };
    Line {
        item: item.word,
        title: item.title,
        state,
        evidence,
        at: row.map(|row| row.done),
        advice,
    }
}

fn said(row: &CheckRow) -> String {
    let verb = match row.result {
        Outcome::Passed => "says",
        Outcome::Failed => "found it failed",
    };
    match (row.note.is_empty(), row.result) {
        (false, _) => format!("{} {verb}: {}", row.by, row.note),
        (true, Outcome::Passed) => format!("{} {verb} so", row.by),
        (true, Outcome::Failed) => format!("{} {verb}", row.by),
    }
}

//! Studies of reshapes with known answers, for tests.

use jiff::{SignedDuration, Timestamp};

use crate::report::testing::{Scene, study};
use crate::reshape::{Reading, Reported, Source, Word};
use crate::study::{ProbeRow, ProgressRow, Study};

/// When readings begin.
pub(crate) const START: &str = "2026-03-03T08:00:00Z";

/// So many hours after [`START`].
pub(crate) fn at(hours: f64) -> Timestamp {
    let start: Timestamp = START.parse().unwrap();
    start + SignedDuration::from_secs_f64(hours * 3600.0)
}

/// A study of three phases whose reshape stands at `course` of the hours since its begin, read every
/// five minutes for 60 hours or until an hour after it is done.
pub(crate) fn reshaping(course: impl Fn(f64) -> (f64, Word)) -> Study {
    let mut study = study(Scene::Full);
    let mut after = 0;
    for index in 0..720 {
        let hours = f64::from(index) / 12.0;
        let (fraction, word) = course(hours);
        let reported = Reported {
            fraction: Some(fraction),
            ..Reported::bare(word, "")
        };
        let reading = Reading {
            elapsed: (index > 0).then_some(300.0),
            ..Reading::of(at(hours), reported)
        };
        study
            .progress
            .push(ProgressRow::of(&reading, Source::Percent, false));
        after += u32::from(word == Word::Finished);
        if after > 12 {
            break;
        }
    }
    study
}

/// A probe of small reads `hours` after the begin that ran for five minutes, with this mean latency.
pub(crate) fn small(hours: f64, ms: f64) -> ProbeRow {
    ProbeRow {
        at: at(hours),
        simulated: false,
        kind: ProbeRow::SMALL.to_owned(),
        reshape_fraction: None,
        reshape_fraction_per_h: None,
        seconds: 300.0,
        period_s: Some(1.5),
        operations: 200,
        missed_operations: 0,
        busy_fraction: 0.01,
        rate_bytes_per_s: None,
        mean_ns: Some((ms * 1e6) as u64),
        p50_ns: Some((ms * 0.8e6) as u64),
        max_ns: Some((ms * 9e6) as u64),
        next_operation: 0,
        cause: String::new(),
    }
}

/// A probe of large reads that ran for a second, at this rate in MB/s.
pub(crate) fn large(hours: f64, rate: f64) -> ProbeRow {
    ProbeRow {
        kind: ProbeRow::LARGE.to_owned(),
        seconds: 1.0,
        period_s: None,
        operations: rate as u64,
        rate_bytes_per_s: Some(rate * 1e6),
        ..small(hours, 10.0)
    }
}

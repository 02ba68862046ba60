//! How long users felt more than the person wants them to, while the reshape ran.
//!
//! Probes look now and then, so a minute is outside, within, failed or not seen; what was not seen is
//! never counted as fine.

use std::collections::BTreeSet;
use std::ops::RangeInclusive;

use jiff::Timestamp;
use serde::Serialize;

use super::probes::{Kind, Probe};
use super::reshaped::Reshaped;
use crate::stats::describe::median;
use crate::study::{Limits, Study};

/// Two probes further apart than so many usual times between two are no one stretch.
const APART: f64 = 2.5;
/// More minutes than any reshape takes: readings that lie further apart have a wrong time.
const MOST_MINUTES: i64 = 600_000;
/// A reshape that is shorter, in seconds, is looked at second by second, else minute by minute.
const SHORT: f64 = 3600.0;

/// What is limited.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Limited {
    /// Mean latency of small reads, in milliseconds.
    SmallRead,
    /// Rate of one user's large reads, in MB/s.
    Copy,
}

impl Limited {
    /// All of them.
    pub const ALL: [Self; 2] = [Self::SmallRead, Self::Copy];

    /// Its name in the table `[limits]` of `study.toml`.
    pub fn key(self) -> &'static str {
        match self {
            Self::SmallRead => "small_read_ms",
            Self::Copy => "copy_mb_per_s",
        }
    }

    fn of(self, limits: &Limits) -> Option<f64> {
        match self {
            Self::SmallRead => limits.small_read_ms,
            Self::Copy => limits.copy_mb_per_s,
        }
    }

    fn kind(self) -> Kind {
        match self {
            Self::SmallRead => Kind::Small,
            Self::Copy => Kind::Large,
        }
    }

    /// What a probe found, in the unit of the limit.
    fn found(self, row: &Probe) -> Option<f64> {
        match self {
            Self::SmallRead => row.mean_ns.map(|ns| ns as f64 / 1e6),
            Self::Copy => row.rate_bytes_per_s.map(|rate| rate / 1e6),
        }
    }

    fn breaks(self, found: f64, limit: f64) -> bool {
        match self {
            Self::SmallRead => found > limit,
            Self::Copy => found < limit,
        }
    }
}

/// One limit and how it was kept.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Kept {
    /// What is limited.
    pub what: Limited,
    /// The limit in its unit; `None` where the person set none.
    pub limit: Option<f64>,
    /// Minutes of the reshape; `None` without a limit, or where nobody read the reshape.
    pub minutes: Option<Minutes>,
    /// Seconds that are judged together: a minute, or a second of a reshape of less than an hour.
    pub bin_s: f64,
    /// How many good probes there were while the reshape ran.
    pub probes: usize,
    /// For how many seconds they looked, all together: what is judged together counts whole where one of them
    /// looked.
    pub looked_s: f64,
    /// The longest stretch in which every probe was outside.
    pub longest: Option<Stretch>,
    /// The worst that a probe found, in the unit of the limit.
    pub worst: Option<f64>,
}

/// Minutes of the reshape by what probes found, together as long as it was followed: of the minutes of the
/// clock in which it began and ended counts what lies in it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct Minutes {
    /// In which a probe was outside the limit.
    pub outside: f64,
    /// In which probes were within it.
    pub within: f64,
    /// In which probes failed and none was outside.
    pub failed: f64,
    /// In which no probe looked: nothing is known of them.
    pub unseen: f64,
}

/// Probes one after another that were all outside.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Stretch {
    /// When the first of them began.
    pub began: Timestamp,
    /// When the last of them ended.
    pub ended: Timestamp,
    /// How many they were.
    pub probes: usize,
    /// Minutes of the clock in which they looked: no more than all minutes outside.
    pub observed: f64,
}

impl Stretch {
    /// From its first probe to its last in minutes, what lies between its probes included.
    pub fn minutes(&self) -> f64 {
        self.ended.duration_since(self.began).as_secs_f64() / 60.0
    }
}

/// How each limit of `study` was kept by the probes of `reshaped`, in order of time.
pub(super) fn kept(study: &Study, reshaped: Option<&Reshaped>, probes: &[Probe]) -> Vec<Kept> {
    let limits = study.config.limits.unwrap_or_default();
    let one = |what: Limited| {
        let mut kept = Kept {
            what,
            limit: what.of(&limits),
            minutes: None,
            bin_s: reshaped.map_or(60.0, bin),
            probes: 0,
            looked_s: 0.0,
            longest: None,
            worst: None,
        };
        let (Some(limit), Some(reshaped)) = (kept.limit, reshaped) else {
            return kept;
        };
        let of_kind = probes.iter().filter(|row| row.kind == what.kind());
        let rows: Vec<&Probe> = of_kind.collect();
        let good = rows.iter().filter(|row| !row.failed);
        let found = good.clone().filter_map(|row| what.found(row));
        kept.worst = match what {
            Limited::SmallRead => found.reduce(f64::max),
            Limited::Copy => found.reduce(f64::min),
        };
        kept.minutes = minutes(&rows, reshaped, what, limit);
        let good: Vec<&Probe> = good.copied().collect();
        let ran = reshaped.began..=reshaped.until;
        let meanwhile = || good.iter().filter(|row| ran.contains(&row.at));
        kept.probes = meanwhile().count();
        kept.looked_s = meanwhile().fold(0.0, |sum, row| sum + row.seconds);
        kept.longest = longest(&good, reshaped, what, limit);
        kept
    };
    Limited::ALL.map(one).into()
}

/// How a minute was found; the later of two stands.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Minute {
    Unseen,
    Within,
    Failed,
    Outside,
}

/// Seconds that are judged together.
fn bin(reshaped: &Reshaped) -> f64 {
    match reshaped.until.duration_since(reshaped.began).as_secs_f64() < SHORT {
        true => 1.0,
        false => 60.0,
    }
}

fn minutes(rows: &[&Probe], reshaped: &Reshaped, what: Limited, limit: f64) -> Option<Minutes> {
    let seconds = bin(reshaped) as i64;
    let minute = |at: Timestamp| at.as_second().div_euclid(seconds);
    let (first, last) = (minute(reshaped.began), minute(reshaped.until));
    let count = (last - first + 1).clamp(0, MOST_MINUTES);
    let mut all = vec![Minute::Unseen; usize::try_from(count).ok()?];
    for row in rows {
        let state = match (!row.failed, what.found(row)) {
            (false, _) => Minute::Failed,
            (true, Some(found)) if what.breaks(found, limit) => Minute::Outside,
            (true, Some(_)) => Minute::Within,
            (true, None) => continue,
        };
        for of in touched(row, seconds) {
            let place = usize::try_from(of - first).ok();
            if let Some(seen) = place.and_then(|place| all.get_mut(place)) {
                *seen = state.max(*seen);
            }
        }
    }
    let sum = |state: Minute| {
        let of_state = (first..).zip(&all).filter(|(_, of)| **of == state);
        // The sum of nothing is a zero with a minus.
        of_state.fold(0.0, |sum, (minute, _)| sum + inside(minute, reshaped))
    };
    Some(Minutes {
        outside: sum(Minute::Outside),
        within: sum(Minute::Within),
        failed: sum(Minute::Failed),
        unseen: sum(Minute::Unseen),
    })
}

/// How many minutes of one of the clock, or of a second, lie in the reshape.
fn inside(minute: i64, reshaped: &Reshaped) -> f64 {
    let seconds = bin(reshaped);
    let begins = minute as f64 * seconds;
    let second = |at: Timestamp| at.as_nanosecond() as f64 / 1e9;
    let from = second(reshaped.began).max(begins);
    let to = second(reshaped.until).min(begins + seconds);
    (to - from).clamp(0.0, seconds) / 60.0
}

/// The minutes of the clock in which a probe looked, or its seconds where so many `seconds` are judged together.
fn touched(row: &Probe, seconds: i64) -> RangeInclusive<i64> {
    let begin = row.at.as_second();
    let end = begin + (row.seconds.clamp(1.0, 86_400.0) as i64) - 1;
    begin.div_euclid(seconds)..=end.div_euclid(seconds)
}

fn longest(rows: &[&Probe], reshaped: &Reshaped, what: Limited, limit: f64) -> Option<Stretch> {
    let apart = |pair: &[&Probe]| pair[1].at.duration_since(pair[0].at).as_secs_f64();
    let spans: Vec<f64> = rows.windows(2).map(apart).collect();
    let most = APART * median(&spans).unwrap_or(f64::INFINITY);
    let outside = |row: &Probe| {
        what.found(row)
            .is_some_and(|found| what.breaks(found, limit))
    };
    let runs = rows.chunk_by(|a, b| outside(a) && outside(b) && apart(&[a, b]) <= most);
    let stretch = |run: &[&Probe]| {
        let (first, last) = (run.first()?, run.last()?);
        let length = jiff::SignedDuration::try_from_secs_f64(last.seconds.max(0.0)).ok()?;
        outside(first).then_some(Stretch {
            began: first.at,
            ended: last.at.checked_add(length).ok()?,
            probes: run.len(),
            observed: run
                .iter()
                .flat_map(|row| touched(row, bin(reshaped) as i64))
                .collect::<BTreeSet<i64>>()
                .into_iter()
                .map(|minute| inside(minute, reshaped))
                .sum(),
        })
    };
    let stretches = runs.filter_map(stretch);
    stretches.max_by(|a, b| {
        let by_span = || a.minutes().total_cmp(&b.minutes());
        a.observed.total_cmp(&b.observed).then_with(by_span)
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::compare::probes::probes;
    use crate::compare::scene::{at, large, reshaping, small};
    use crate::reshape::Word;
    use crate::study::{Packed, ProbeRow};

    /// Ten hours, probed for five minutes of every ten; outside from 2:00 to 3:00 and once at 7:00.
    fn probed() -> Study {
        let mut study = reshaping(|hour| match hour < 10.0 {
            true => (hour / 10.0, Word::Running),
            false => (1.0, Word::Finished),
        });
        for index in 0..60 {
            let hour = f64::from(index) / 6.0;
            let slow = (2.0..3.0).contains(&hour) || (hour - 7.0).abs() < 0.01;
            study
                .probes
                .push(small(hour, if slow { 50.0 } else { 20.0 }));
        }
        study.config.limits = Some(Limits {
            small_read_ms: Some(40.0),
            copy_mb_per_s: None,
        });
        study
    }

    fn found(study: &Study) -> Vec<Kept> {
        let reshaped = Reshaped::of(study);
        let of = reshaped.as_ref();
        kept(study, of, &probes(study, of))
    }

    #[test]
    fn minutes_are_counted_and_those_that_nobody_saw_stand_apart() {
        let study = probed();
        let found = found(&study);
        let [small, copy] = found.as_slice() else {
            panic!("{found:?}");
        };
        let minutes = small.minutes.unwrap();
        assert_eq!(
            (minutes.outside, minutes.within, minutes.failed),
            (35.0, 265.0, 0.0)
        );
        assert_eq!(minutes.unseen, 300.0);
        let longest = small.longest.unwrap();
        assert_eq!((longest.began, longest.probes), (at(2.0), 6));
        assert!((longest.minutes() - 55.0).abs() < 0.01, "{longest:?}");
        // Six probes of five minutes in 55 minutes: no more than were outside in all.
        assert_eq!(longest.observed, 30.0);
        assert_eq!(small.worst, Some(50.0));
        assert_eq!((copy.limit, copy.minutes), (None, None));
    }

    #[test]
    fn stretches_end_where_probes_stop_and_failures_are_no_latency() {
        let mut study = probed();
        // Nobody looked from 2:20 to 2:50.
        let unseen = at(2.3)..at(2.8);
        study.probes.retain(|row| !unseen.contains(&row.at));
        study.probes.push(ProbeRow {
            cause: "input error".into(),
            mean_ns: None,
            ..small(5.1, 1.0)
        });
        let found = found(&study);
        let minutes = found[0].minutes.unwrap();
        assert_eq!((minutes.outside, minutes.failed), (20.0, 5.0));
        assert_eq!(found[0].longest.unwrap().probes, 2);
    }

    /// A reshape of 100 seconds from 8:00:34 on, in which three probes looked for a second each.
    #[test]
    fn minutes_are_no_more_than_the_reshape_had() {
        let mut study = probed();
        let seconds = |seconds: f64| at(seconds / 3600.0);
        study.progress.truncate(21);
        study.progress.change(|place, row| {
            row.at = seconds(34.0 + 5.0 * place as f64);
            row.elapsed_s = row.elapsed_s.map(|_| 5.0);
            let done = place == 20;
            row.state = if done { Word::Finished } else { Word::Running };
            row.fraction = Some(if done { 1.0 } else { place as f64 / 20.0 });
        });
        study.probes.truncate(0);
        for (at, ms) in [(35.0, 20.0), (70.0, 20.0), (125.0, 50.0)] {
            let probe = ProbeRow {
                seconds: 1.0,
                ..small(at / 3600.0, ms)
            };
            study.probes.push(probe);
        }
        let kept = &found(&study)[0];
        let Minutes {
            outside,
            within,
            failed,
            unseen,
        } = kept.minutes.unwrap();
        assert!((outside * 60.0 - 1.0).abs() < 1e-3, "{kept:?}");
        assert!((within * 60.0 - 2.0).abs() < 1e-3, "{kept:?}");
        assert!((unseen * 60.0 - 97.0).abs() < 1e-3, "{kept:?}");
        assert!(failed == 0.0 && failed.is_sign_positive());
        assert!((kept.longest.unwrap().observed - outside).abs() < 1e-9);
    }

    #[test]
    fn copies_are_limited_from_below() {
        let mut study = probed();
        for (hour, rate) in [(1.0, 90.0), (2.0, 40.0), (3.0, 30.0), (4.0, 70.0)] {
            study.probes.push(large(hour, rate));
        }
        study.config.limits = Some(Limits {
            small_read_ms: None,
            copy_mb_per_s: Some(60.0),
        });
        let found = found(&study);
        let copy = &found[1];
        let minutes = copy.minutes.unwrap();
        assert_eq!(
            (minutes.outside, minutes.within, minutes.unseen),
            (2.0, 2.0, 596.0)
        );
        assert_eq!((copy.worst, copy.longest.unwrap().probes), (Some(30.0), 2));
        // Four probes of a second each stand for four minutes, and that is told.
        assert_eq!((copy.probes, copy.looked_s), (4, 4.0));
        // Without readings the reshape has no minutes.
        study.progress = Packed::default();
        assert_eq!(kept(&study, None, &probes(&study, None))[1].minutes, None);
    }
}

//! What the expansion cost its users while it ran: their latency and their rate beside the speed of
//! the reshape, since either is bought with the other.
//!
//! What users feel comes from the light probes of `watch` and from trials of the phase during. Both
//! sides are put together by the hour, and what goes together is told as a rank correlation with its
//! interval: never as a cause, since users slow a reshape as it slows them.

use std::collections::BTreeSet;

use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};
use serde::Serialize;

use super::probes::{Kind, Probe, good, latency, median_latency, rate};
use super::reshaped::Reshaped;
use super::{Bounds, Comparison, Row};
use crate::plan::{Access, Phase, Workload};
use crate::record::observed;
use crate::reshape::probing_cost;
use crate::stats::association::association;
use crate::stats::describe::mean;
use crate::study::{Study, Trial};
use crate::units::Bytes;

/// Confidence of the intervals here.
const CONFIDENCE: f64 = 0.95;
/// More hours than any reshape takes: readings that lie further apart have a wrong time.
const MOST_HOURS: usize = 10_000;
/// Speeds that differ by less than this part of the largest are one speed: nothing goes with it.
const STEADY: f64 = 0.005;
/// How long before and after a trial the reshape is looked at, in seconds.
const AROUND: f64 = 600.0;
/// Fewer probes than this tell little of a whole reshape: no multiple rests on them alone.
pub(super) const FEW: usize = 10;
/// A share that answers small reads in less than this, in nanoseconds, is so fast that it shows whether
/// reads follow one another at once or come a second apart: then processor and drives have gone to rest
/// (common practice, no source).
const AT_REST: f64 = 1e6;

/// What it cost.
#[derive(Clone, Debug, Serialize)]
pub struct Cost {
    /// Small reads by the light probes; `None` where there are none.
    pub small: Option<Felt>,
    /// Large reads by the light probes; `None` where there are none.
    pub large: Option<Felt>,
    /// Mean speed of the reshape from its first reading on, in parts of the whole an hour.
    pub reshape_fraction_per_h: Option<f64>,
    /// Hour by hour of the day, those of which nothing is known left out.
    pub by_hour: Vec<HourOfDay>,
    /// Hour by hour as they passed.
    pub timeline: Vec<Hour>,
    /// What went together over the hours.
    pub together: Vec<Together>,
    /// Trials of the phase during.
    pub trials: Vec<During>,
    /// What the probes cost the reshape.
    pub probing: Option<Probing>,
}

/// What probes of one kind found.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Felt {
    /// Probes that did not fail.
    pub probes: usize,
    /// Probes that failed.
    pub failed: usize,
    /// Bytes of one read.
    pub block_bytes: u64,
    /// Reads of them, those that were due and never started included.
    pub operations: u64,
    /// Mean latency in nanoseconds, or rate in bytes per second.
    pub value: f64,
    /// Median over the probes of their median latency in nanoseconds.
    pub p50_ns: Option<f64>,
    /// The worst latency of all.
    pub max_ns: Option<u64>,
    /// What it is held against: the like before the expansion.
    pub baseline: Option<Baseline>,
}

impl Felt {
    /// Whether so few probes tell little of the whole reshape.
    pub fn few(&self) -> bool {
        self.probes < FEW
    }

    /// Over what it is held against; `None` where there is nothing such.
    pub fn ratio(&self) -> Option<f64> {
        Some(self.value / self.baseline.as_ref()?.value)
    }
}

/// What the like of a probe had before the expansion.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Baseline {
    /// Name of the workload; `probes` where it was the probes themselves.
    pub workload: String,
    /// Mean latency in nanoseconds, or median rate in bytes per second.
    pub value: f64,
    /// Median over the probes or trials of their median latency in nanoseconds; `None` of large reads.
    pub p50_ns: Option<f64>,
    /// At which pace it read.
    pub pace: Pace,
}

impl Baseline {
    /// Whether a multiple of it is the most that the reshape can have cost, since its pace alone may have
    /// made it faster than probes are.
    pub fn bounds_only(&self) -> bool {
        self.pace == Pace::AtOnce && self.value < AT_REST
    }
}

/// How the reads followed one another that probes are held against.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Pace {
    /// By a schedule, as probes do: probes of the time before the reshape began.
    AsProbes,
    /// Each at once when the one before it has ended: trials of a workload.
    AtOnce,
    /// Large reads follow one another at once in probes as well.
    Alike,
}

/// One hour of the day, over all days.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct HourOfDay {
    /// From this hour of the local clock to the next.
    pub hour: u8,
    /// Probes of small reads that began in it.
    pub probes: usize,
    /// Mean latency of small reads in nanoseconds.
    pub small_read_mean_ns: Option<f64>,
    /// Probes of large reads.
    pub large_probes: usize,
    /// Rate of large reads in bytes per second.
    pub large_read_bytes_per_s: Option<f64>,
    /// Mean speed of the reshape in parts of the whole an hour.
    pub reshape_fraction_per_h: Option<f64>,
}

/// One hour as it passed.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Hour {
    /// When it began.
    pub begins: Timestamp,
    /// The hour of the local clock.
    pub hour: u8,
    /// Probes of small reads that began in it.
    pub probes: usize,
    /// Mean latency of small reads in nanoseconds.
    pub small_read_mean_ns: Option<f64>,
    /// Probes of large reads that began in it.
    pub large_probes: usize,
    /// Rate of large reads in bytes per second.
    pub large_read_bytes_per_s: Option<f64>,
    /// Speed of the reshape in parts of the whole an hour.
    pub reshape_fraction_per_h: Option<f64>,
}

/// What users felt.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Feeling {
    /// Latency of small reads.
    SmallReadLatency,
    /// Rate of large reads.
    LargeReadRate,
}

/// How what users felt went together with the speed of the reshape, over the hours.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Together {
    /// What they felt.
    pub what: Feeling,
    /// Spearman's rank correlation with the speed of the reshape.
    pub spearman: f64,
    /// Hours.
    pub hours: usize,
    /// Independent hours that would tell as much.
    pub effective_hours: f64,
    /// The 95 % interval; `None` where the hours are too few.
    pub interval: Option<Bounds>,
}

/// A workload measured while the reshape ran.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct During {
    /// Its name.
    pub workload: String,
    /// During over before of what is compared; `None` where one side is void or missing.
    pub ratio: Option<f64>,
    /// Its 95 % interval.
    pub interval: Option<Bounds>,
    /// Its trials beside the reshape.
    pub pairs: Vec<Pair>,
}

/// One trial beside the reshape.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Pair {
    /// Number of the trial.
    pub trial: u64,
    /// Its rate.
    pub rate_bytes_per_s: Option<f64>,
    /// Its mean latency.
    pub mean_ns: Option<u64>,
    /// Where the reshape stood.
    pub reshape_fraction: Option<f64>,
    /// How fast it was, in parts of the whole an hour.
    pub reshape_fraction_per_h: Option<f64>,
}

/// What probing cost the reshape, by pairs of stretches with probes and without.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Probing {
    /// Pairs of stretches.
    pub pairs: usize,
    /// Part of its speed that the reshape lost.
    pub loss: f64,
    /// The 95 % interval of it.
    pub interval: Option<Bounds>,
}

impl Cost {
    /// What the reshape of `study` cost by its `probes`, in order of time; hours are those of the clock of
    /// `zone`.
    pub(super) fn of(
        study: &Study,
        comparison: &Comparison,
        reshaped: Option<&Reshaped>,
        probes: &[Probe],
        zone: &TimeZone,
    ) -> Self {
        let timeline = timeline(probes, reshaped, zone);
        let speed = reshaped.and_then(|seen| seen.speed(seen.began, seen.until));
        let before = probed_before(study, reshaped);
        let held_against = |kind| {
            let baseline = baseline(study, comparison, &before, kind == Kind::Small);
            felt(probes, kind, block(study, kind == Kind::Small), baseline)
        };
        Self {
            small: held_against(Kind::Small),
            large: held_against(Kind::Large),
            reshape_fraction_per_h: speed,
            by_hour: by_hour(probes, reshaped, zone, &timeline),
            together: [Feeling::SmallReadLatency, Feeling::LargeReadRate]
                .into_iter()
                .filter_map(|what| together(&timeline, what))
                .collect(),
            timeline,
            trials: comparison
                .workloads
                .iter()
                .filter_map(|row| during(study, row, reshaped))
                .collect(),
            probing: reshaped.and_then(|seen| {
                let cost = probing_cost(&seen.readings(study))?;
                Some(Probing {
                    pairs: cost.pairs,
                    loss: cost.loss,
                    interval: cost.interval.map(Bounds::from),
                })
            }),
        }
    }
}

/// What a small or a large probe reads at a time.
fn block(study: &Study, small: bool) -> Bytes {
    match small {
        true => study.config.run.probe_block,
        false => Bytes::MIB,
    }
}

fn felt(rows: &[Probe], kind: Kind, block: Bytes, baseline: Option<Baseline>) -> Option<Felt> {
    let small = kind == Kind::Small;
    let of_kind = rows.iter().filter(|row| row.kind == kind).count();
    let good = good(rows, kind);
    Some(Felt {
        probes: good.len(),
        failed: of_kind - good.len(),
        block_bytes: block.0,
        operations: good.iter().map(|row| row.reads).sum(),
        value: if small { latency(&good) } else { rate(&good) }?,
        p50_ns: median_latency(&good).filter(|_| small),
        max_ns: good.iter().filter_map(|row| row.max_ns).max(),
        baseline,
    })
}

/// Whether a workload reads as a probe does that reads `block` at a time, one at a time.
fn like_probe(load: &Workload, small: bool, block: Bytes) -> bool {
    let access = match small {
        true => Access::Random,
        false => Access::Sequential,
    };
    let alone = load.depth == 1 && load.streams == 1 && load.span.is_none();
    load.read_percent == 100 && load.access == access && load.block == block && alone
}

/// What probes are held against: those of the time `before` where there are enough, which read at the same
/// pace, else trials of a workload that reads alike.
pub(super) fn baseline(
    study: &Study,
    comparison: &Comparison,
    before: &[Probe],
    small: bool,
) -> Option<Baseline> {
    by_probes(before, small).or_else(|| measured_before(study, comparison, small))
}

/// The probes of a time in which readings told that no reshape ran yet.
pub(super) fn probed_before(study: &Study, reshaped: Option<&Reshaped>) -> Vec<Probe> {
    // A position may have gone unread before the first one; none has while it was told that nothing runs.
    let Some(last) = reshaped.and_then(|seen| seen.idle) else {
        return Vec::new();
    };
    let rows = study.probes.iter().filter(|row| row.at < last);
    rows.map(|row| Probe::of(&row)).collect()
}

pub(super) fn by_probes(before: &[Probe], small: bool) -> Option<Baseline> {
    let rows = good(before, if small { Kind::Small } else { Kind::Large });
    (rows.len() >= FEW).then_some(())?;
    Some(Baseline {
        workload: "probes".to_owned(),
        value: if small { latency(&rows) } else { rate(&rows) }?,
        p50_ns: median_latency(&rows).filter(|_| small),
        pace: Pace::AsProbes,
    })
}

fn measured_before(study: &Study, comparison: &Comparison, small: bool) -> Option<Baseline> {
    let mut rows = comparison.workloads.iter();
    let row = rows.find(|row| like_probe(&row.load, small, block(study, small)))?;
    let group = row
        .group(Phase::Before)
        .filter(|group| group.void.is_none())?;
    let numbers: BTreeSet<u64> = group.trials.iter().copied().collect();
    let of_group = |trial: &&Trial| numbers.contains(&trial.trial);
    let means: Vec<f64> = study
        .trials
        .iter()
        .filter(of_group)
        .filter_map(|trial| trial.mean_ns.map(|ns| ns as f64))
        .collect();
    Some(Baseline {
        workload: row.workload.clone(),
        value: if small {
            mean(&means)?
        } else {
            group.median_rate
        },
        p50_ns: group.p50_ns.filter(|_| small),
        pace: if small { Pace::AtOnce } else { Pace::Alike },
    })
}

/// The hours of the local clock from the first probe or reading to the last; `rows` in order of time.
pub(super) fn timeline(rows: &[Probe], reshaped: Option<&Reshaped>, zone: &TimeZone) -> Vec<Hour> {
    let first = [
        rows.first().map(|row| row.at),
        reshaped.map(|seen| seen.began),
    ];
    let last = [
        rows.last().map(|row| row.at),
        reshaped.map(|seen| seen.until),
    ];
    let (Some(first), Some(last)) = (
        first.into_iter().flatten().min(),
        last.into_iter().flatten().max(),
    ) else {
        return Vec::new();
    };
    let clock = first.to_zoned_datetime(zone.clone());
    let past = i64::from(clock.minute()) * 60 + i64::from(clock.second());
    let mut begins = Timestamp::from_second(first.as_second() - past).unwrap_or(first);
    let mut hours = Vec::new();
    while begins <= last && hours.len() < MOST_HOURS {
        let Ok(ends) = begins.checked_add(SignedDuration::from_hours(1)) else {
            break;
        };
        let before = |moment: Timestamp| rows.partition_point(|row| row.at < moment);
        let inside = &rows[before(begins)..before(ends)];
        let (small, large) = (good(inside, Kind::Small), good(inside, Kind::Large));
        hours.push(Hour {
            begins,
            hour: hour_of(begins, zone),
            probes: small.len(),
            small_read_mean_ns: latency(&small),
            large_probes: large.len(),
            large_read_bytes_per_s: rate(&large),
            reshape_fraction_per_h: reshaped.and_then(|seen| seen.speed(begins, ends)),
        });
        begins = ends;
    }
    hours
}

fn hour_of(at: Timestamp, zone: &TimeZone) -> u8 {
    at.to_zoned_datetime(zone.clone()).hour().unsigned_abs()
}

fn by_hour(
    rows: &[Probe],
    reshaped: Option<&Reshaped>,
    zone: &TimeZone,
    timeline: &[Hour],
) -> Vec<HourOfDay> {
    let mut inside = [const { Vec::new() }; 24];
    for row in rows {
        inside[usize::from(hour_of(row.at, zone))].push(row);
    }
    let hour = |hour: u8| {
        let inside = || inside[usize::from(hour)].iter().copied();
        let (small, large) = (good(inside(), Kind::Small), good(inside(), Kind::Large));
        let speeds: Vec<f64> = timeline
            .iter()
            .filter(|of| of.hour == hour)
            .filter_map(|of| of.reshape_fraction_per_h)
            .collect();
        HourOfDay {
            hour,
            probes: small.len(),
            small_read_mean_ns: latency(&small),
            large_probes: large.len(),
            large_read_bytes_per_s: rate(&large),
            reshape_fraction_per_h: mean(&speeds).filter(|_| reshaped.is_some()),
        }
    };
    let known = |hour: &HourOfDay| {
        hour.probes + hour.large_probes > 0 || hour.reshape_fraction_per_h.is_some()
    };
    (0..24).map(hour).filter(known).collect()
}

fn together(timeline: &[Hour], what: Feeling) -> Option<Together> {
    let pairs = timeline.iter().filter_map(|hour| {
        let felt = match what {
            Feeling::SmallReadLatency => hour.small_read_mean_ns,
            Feeling::LargeReadRate => hour.large_read_bytes_per_s,
        };
        Some((felt?, hour.reshape_fraction_per_h?))
    });
    let (felt, speeds): (Vec<f64>, Vec<f64>) = pairs.unzip();
    let (least, most) = speeds
        .iter()
        .fold((f64::INFINITY, 0.0f64), |(least, most), speed| {
            (least.min(*speed), most.max(*speed))
        });
    if most - least < STEADY * most {
        return None;
    }
    let found = association(&felt, &speeds, CONFIDENCE)?;
    Some(Together {
        what,
        spearman: found.coefficient,
        hours: found.pairs,
        effective_hours: found.effective,
        interval: found.interval.map(Bounds::from),
    })
}

fn during(study: &Study, row: &Row, reshaped: Option<&Reshaped>) -> Option<During> {
    let group = row
        .group(Phase::During)
        .filter(|group| group.void.is_none())?;
    let contrast = row.during_before.as_ref().filter(|_| {
        row.group(Phase::Before)
            .is_some_and(|group| group.void.is_none())
    });
    let numbers: BTreeSet<u64> = group.trials.iter().copied().collect();
    let of_group = |trial: &&Trial| numbers.contains(&trial.trial);
    Some(During {
        workload: row.workload.clone(),
        ratio: contrast.map(|contrast| contrast.ratio),
        interval: contrast
            .and_then(|contrast| contrast.welch)
            .map(|welch| Bounds {
                low: welch.low,
                high: welch.high,
            }),
        pairs: study
            .trials
            .iter()
            .filter(of_group)
            .map(|trial| pair(study, trial, reshaped))
            .collect(),
    })
}

fn pair(study: &Study, trial: &Trial, reshaped: Option<&Reshaped>) -> Pair {
    let observed = |name: &str| study.observations.get(&trial.trial)?.get(name);
    let around = |seconds: f64| {
        let span = SignedDuration::try_from_secs_f64(seconds).ok()?;
        trial.started.checked_add(span).ok()
    };
    let speed = || reshaped?.speed(around(-AROUND)?, around(trial.seconds + AROUND)?);
    Pair {
        trial: trial.trial,
        rate_bytes_per_s: trial.rate_bytes_per_s,
        mean_ns: trial.mean_ns,
        reshape_fraction: observed(observed::RESHAPE_FRACTION),
        reshape_fraction_per_h: observed(observed::RESHAPE_PACE).or_else(speed),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::compare::probes::probes;
    use crate::compare::scene::{at, large, reshaping, small};
    use crate::compare::{Rules, compare};
    use crate::judge::judge_all;
    use crate::reshape::Word;
    use crate::study::ProbeRow;

    /// An office from 9 to 17: the reshape goes at 1 % an hour then and at 4 % else, and small reads
    /// take 30 ms then and 12 ms else; probed every quarter of an hour.
    fn office() -> Study {
        let busy = |hour: f64| (9.0..17.0).contains(&((8.0 + hour) % 24.0));
        let mut study = reshaping(|hour| {
            let steps = (hour * 12.0).round() as u32;
            let way: f64 = (0..steps)
                .map(|step| if busy(f64::from(step) / 12.0) { 0.01 } else { 0.04 } / 12.0)
                .sum();
            match way < 1.0 {
                true => (way, Word::Running),
                false => (1.0, Word::Finished),
            }
        });
        for quarter in 0..120 {
            let hour = f64::from(quarter) / 4.0;
            let (ms, rate) = if busy(hour) {
                (30.0, 80.0)
            } else {
                (12.0, 160.0)
            };
            study.probes.push(small(hour, ms));
            if quarter % 2 == 0 {
                study.probes.push(large(hour + 0.09, rate));
            }
        }
        study
    }

    fn cost(study: &Study) -> Cost {
        let comparison = compare(study, &judge_all(study), Rules::of(study));
        let reshaped = Reshaped::of(study);
        let of = reshaped.as_ref();
        Cost::of(study, &comparison, of, &probes(study, of), &TimeZone::UTC)
    }

    #[test]
    fn hours_of_the_day_tell_what_was_made() {
        let cost = cost(&office());
        let of = |hour: u8| cost.by_hour.iter().find(|of| of.hour == hour).unwrap();
        for (hour, ms, rate, speed) in [(10, 30.0, 80.0, 0.01), (20, 12.0, 160.0, 0.04)] {
            let found = of(hour);
            assert!((found.small_read_mean_ns.unwrap() / 1e6 - ms).abs() < 1e-6);
            assert!((found.large_read_bytes_per_s.unwrap() / 1e6 - rate).abs() < 1e-6);
            let seen = found.reshape_fraction_per_h.unwrap();
            assert!((seen - speed).abs() < 2e-3, "{hour}: {seen}");
        }
        assert_eq!((of(10).probes, of(10).large_probes), (8, 4));
        let small = cost.small.unwrap();
        assert_eq!((small.probes, small.failed), (120, 0));
        // 30 hours from 8:00: 8 + 5 busy ones.
        let expected = (13.0 * 30.0 + 17.0 * 12.0) / 30.0;
        assert!((small.value / 1e6 - expected).abs() < 1e-6, "{small:?}");
        assert_eq!(small.baseline.unwrap().workload, "small-read");
        // large-read of the standard set keeps four reads in flight.
        assert_eq!(cost.large.unwrap().baseline, None);
    }

    /// Ten hours of waiting, then ten of the reshape.
    #[test]
    fn probes_are_held_against_probes_where_there_are_enough_of_the_time_before() {
        let waiting = |from: u32| {
            let mut study = reshaping(|hour| match hour {
                h if h < 10.0 => (0.0, Word::Absent),
                h if h < 20.0 => ((h - 10.0) / 10.0, Word::Running),
                _ => (1.0, Word::Finished),
            });
            study.progress.change(|_, row| {
                row.fraction = row.fraction.filter(|_| row.state != Word::Absent);
            });
            for quarter in from..80 {
                let hour = f64::from(quarter) / 4.0;
                study
                    .probes
                    .push(small(hour, if hour < 9.9 { 0.3 } else { 0.9 }));
            }
            cost(&study).small.unwrap()
        };
        let felt = waiting(0);
        let before = felt.baseline.clone().unwrap();
        assert_eq!((before.pace, before.value), (Pace::AsProbes, 300_000.0));
        assert!(!before.bounds_only() && (felt.ratio().unwrap() - 3.0).abs() < 0.01);
        // Nine of them are too few.
        let before = waiting(31).baseline.unwrap();
        assert_eq!(
            (before.workload.as_str(), before.pace),
            ("small-read", Pace::AtOnce)
        );
        // The example's trials took milliseconds, which no pace makes.
        assert!(!before.bounds_only());
        let fast = Baseline {
            value: 62_700.0,
            ..before
        };
        assert!(fast.bounds_only());
    }

    #[test]
    fn what_goes_together_has_its_sign_and_counts_few_hours() {
        let cost = cost(&office());
        let of = |what| cost.together.iter().find(|of| of.what == what).unwrap();
        let latency = of(Feeling::SmallReadLatency);
        assert!(latency.spearman < -0.8, "{latency:?}");
        assert!(of(Feeling::LargeReadRate).spearman > 0.8);
        assert_eq!(latency.hours, 30);
        // Two days of an office are a handful of independent hours, not thirty.
        assert!(latency.effective_hours < 12.0, "{latency:?}");
    }

    #[test]
    fn failed_probes_are_counted_apart_and_others_outside_the_reshape_left_out() {
        let mut study = office();
        study.probes.push(ProbeRow {
            cause: "input error".into(),
            ..small(3.0, 9000.0)
        });
        study.probes.push(small(-5.0, 9000.0));
        let felt = cost(&study).small.unwrap();
        assert_eq!((felt.probes, felt.failed), (120, 1));
        assert!(felt.value < 40e6);
    }

    #[test]
    fn trials_stand_beside_the_reshape_where_it_was_seen() {
        let mut study = office();
        let during = study.trials.iter().position(|t| t.phase == Phase::During);
        let first = during.unwrap();
        for trial in &mut study.trials[first..] {
            if trial.phase == Phase::During {
                trial.started = at(2.5);
            }
        }
        let number = study.trials[first].trial;
        let seen = study.observations.entry(number).or_default();
        seen.put(observed::RESHAPE_PACE, 0.5);
        let cost = cost(&study);
        assert_eq!(cost.trials.len(), 6);
        let pairs = || cost.trials.iter().flat_map(|during| &during.pairs);
        for pair in pairs() {
            let speed = pair.reshape_fraction_per_h.unwrap();
            let expected = if pair.trial == number { 0.5 } else { 0.01 };
            assert!((speed - expected).abs() < 1e-3, "{pair:?}");
        }
        assert!(cost.trials.iter().all(|during| during.ratio.unwrap() < 0.7));
    }

    #[test]
    fn without_probes_and_readings_nothing_is_made_up() {
        let study = crate::report::testing::study(crate::report::testing::Scene::Full);
        let cost = cost(&study);
        assert_eq!((cost.small, cost.large), (None, None));
        assert!(cost.by_hour.is_empty() && cost.together.is_empty());
        let speeds = cost.trials.iter().flat_map(|during| &during.pairs);
        assert!(
            speeds
                .into_iter()
                .all(|pair| pair.reshape_fraction_per_h.is_none())
        );
    }
}

//! The trials of one workload in one phase.

use super::Quantity;
use super::sample::{BetweenSittings, Sample};
use crate::judge::{Grade, Ruling};
use crate::plan::Phase;
use crate::stats::describe::{coefficient_of_variation, mean, median};
use crate::stats::interval::{Interval, mean_t};
use crate::study::Trial;

/// Trials of one workload in one phase.
#[derive(Clone, Debug)]
pub struct Group {
    /// The phase.
    pub phase: Phase,
    /// Numbers of the trials.
    pub trials: Vec<u64>,
    /// How many sittings they come from.
    pub sittings: usize,
    /// Whether sittings among them ended when they knew enough.
    pub looked: bool,
    /// How many trials each of those sittings holds, in the order of the trials.
    pub trials_of_sittings: Vec<usize>,
    /// What is compared.
    pub quantity: Quantity,
    /// It, a value a trial in their order: rates in bytes per second, or mean latencies in
    /// nanoseconds.
    pub values: Vec<f64>,
    /// Their rates in bytes per second, in the order of the trials.
    pub rates: Vec<f64>,
    /// Median rate in bytes per second.
    pub median_rate: f64,
    /// Interval of the geometric mean of the rate; `None` for fewer than two trials. Its unit is
    /// the sitting from three sittings on, else the trial, which leaves the differences between
    /// sittings out and has the confidence of a look where one looked.
    pub mean_interval: Option<Interval>,
    /// Standard deviation over mean; `None` for fewer than two trials.
    pub spread: Option<f64>,
    /// Bytes of an operation.
    pub block_bytes: u64,
    /// Median over the trials of their median latency, in nanoseconds.
    pub p50_ns: Option<f64>,
    /// The same of the 95th percentile.
    pub p95_ns: Option<f64>,
    /// The same of the 99th percentile.
    pub p99_ns: Option<f64>,
    /// The worst latency of all.
    pub max_ns: Option<u64>,
    /// The worst grade of them.
    pub grade: Option<Grade>,
    /// Set when no grade holds: the median part that a cache served, where it is known. The rates
    /// are not the drives' then.
    pub void: Option<Void>,
    /// Whether nothing was looked at in these trials that would have shown a cache.
    pub unseen: bool,
    /// The most of their bytes that caches can have served, at 95 %: the mean of the trials, 0 to 1.
    pub cached_at_most: f64,
    /// What they are known to have served at least, the same way.
    pub cached_at_least: f64,
    /// Trials that never got steady.
    pub unsteady: usize,
    /// Largest part of the read set that a known memory could have served.
    pub cacheable: f64,
    /// Trials that read blocks again of which a known memory could have kept all since.
    pub revisited: usize,
    /// Paced operations that were late or missed.
    pub late_or_missed: u64,
    /// Paced operations that were due and never started; they have no latency.
    pub missed: u64,
}

/// What is known of trials that are not the drives' speed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Void {
    /// The part that a cache served, where it is known.
    pub cached: Option<f64>,
}

impl Group {
    /// The group of `trials`, each of which has a rate and the quantity, sitting after sitting;
    /// `None` when there are none. `rulings` are those of the trials that were judged; `looked` is
    /// whether sittings among them ended when they knew enough.
    pub(super) fn of(
        phase: Phase,
        quantity: Quantity,
        trials: &[&Trial],
        rulings: &[&Ruling],
        looked: bool,
        confidence: f64,
    ) -> Option<Self> {
        let rates: Vec<f64> = trials
            .iter()
            .filter_map(|trial| trial.rate_bytes_per_s)
            .collect();
        let by_sitting = trials.chunk_by(|a, b| a.sitting == b.sitting);
        let trials_of_sittings: Vec<usize> = by_sitting.map(<[_]>::len).collect();
        let sittings = trials_of_sittings.len();
        // One phase alone has the two degrees of freedom between sittings from three sittings on.
        let between = BetweenSittings::of(sittings, 1);
        let sample = Sample::new(&rates, &trials_of_sittings, between);
        let made = between.confidence(confidence, looked);
        let mean_interval = mean_t(&sample.logs, made).map(|interval| Interval {
            low: interval.low.exp(),
            high: interval.high.exp(),
            ..interval
        });
        let count = |test: fn(&Trial) -> bool| trials.iter().filter(|trial| test(trial)).count();
        Some(Self {
            phase,
            trials: trials.iter().map(|trial| trial.trial).collect(),
            sittings,
            looked,
            trials_of_sittings,
            quantity,
            values: trials
                .iter()
                .filter_map(|trial| quantity.value(trial))
                .collect(),
            median_rate: median(&rates)?,
            mean_interval,
            spread: coefficient_of_variation(&rates),
            block_bytes: trials.first()?.block_bytes,
            p50_ns: median_of(trials, |trial| trial.p50_ns),
            p95_ns: median_of(trials, |trial| trial.p95_ns),
            p99_ns: median_of(trials, |trial| trial.p99_ns),
            max_ns: trials.iter().filter_map(|trial| trial.max_ns).max(),
            grade: rulings.iter().map(|ruling| ruling.grade).max(),
            void: void(rulings),
            unseen: rulings.iter().any(|ruling| ruling.grade == Grade::U),
            cached_at_most: mean_of(rulings, |ruling| ruling.most),
            cached_at_least: mean_of(rulings, |ruling| {
                ruling.cached.map_or(0.0, |cached| cached.low)
            }),
            unsteady: count(|trial| !trial.steady),
            cacheable: trials
                .iter()
                .map(|trial| trial.cacheable_fraction)
                .fold(0.0, f64::max),
            revisited: count(Trial::could_be_kept),
            late_or_missed: trials
                .iter()
                .map(|t| t.late_operations + t.missed_operations)
                .sum(),
            missed: trials.iter().map(|trial| trial.missed_operations).sum(),
            rates,
        })
    }
}

/// The mean over rulings; 0 where there are none.
fn mean_of(rulings: &[&Ruling], value: fn(&Ruling) -> f64) -> f64 {
    let values: Vec<f64> = rulings.iter().map(|ruling| value(ruling)).collect();
    mean(&values).unwrap_or(0.0)
}

/// Void when every grade fails.
fn void(rulings: &[&Ruling]) -> Option<Void> {
    let all_fail = !rulings.is_empty() && rulings.iter().all(|ruling| ruling.grade.is_void());
    let cached: Vec<f64> = rulings
        .iter()
        .filter_map(|ruling| ruling.cached.map(|cached| cached.figure()))
        .collect();
    all_fail.then(|| Void {
        cached: median(&cached),
    })
}

/// The median over trials, where every trial has the value.
fn median_of(trials: &[&Trial], value: fn(&Trial) -> Option<u64>) -> Option<f64> {
    let values: Option<Vec<f64>> = trials
        .iter()
        .map(|trial| value(trial).map(|ns| ns as f64))
        .collect();
    median(&values?)
}

//! Light probes of a share that reshapes: small reads a second or two apart, now and then a second of
//! large ones.
//!
//! Both read test data that is there already, each in an order of its own that goes on from probe to
//! probe, so that blocks are cold. Small reads are paced and their latency counts from the schedule.
//! The pace follows the latency, so that a read is under way in at most one hundredth of the time;
//! with the large reads, probes load the share in less than a fiftieth of it.

use std::fmt;
use std::path::Path;
use std::sync::Weak;
use std::time::Duration;

use super::Place;
use crate::load::{Assignment, Drive, LoadError, LocalShare, Measured, Patient, Share, Watch};
use crate::plan::{Access, Pattern, TestData, Workload};
use crate::seed::Seed;
use crate::study::tables::line;
use crate::study::{ProbeRow, Study};
use crate::text::typed;
use crate::units::{Bytes, Nanos};

/// Names of the two kinds of probes.
const SMALL: &str = ProbeRow::SMALL;
const LARGE: &str = ProbeRow::LARGE;
/// Seconds between two small reads that are answered quickly.
const PERIOD: f64 = 1.5;
/// Small reads are under way in at most this part of the time.
const BUDGET: f64 = 0.01;
/// The slowest pace of small reads in seconds; who needs a slower one does not probe.
const SLOWEST: f64 = 30.0;
/// Seconds of probing between two seconds of large reads.
const BETWEEN_LARGE: f64 = 900.0;

/// Probes one share.
pub struct Prober {
    share: Box<dyn Share + Send>,
    data: TestData,
    seed: Seed,
    simulated: bool,
    /// Bytes of a small read.
    block: Bytes,
    course: Course,
}

/// Where probing stands: a prober of the same share that is opened later goes on from here.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Course {
    /// Where the next probes go on in their orders.
    next_small: u64,
    next_large: u64,
    /// Seconds between small reads, as the latency of the latest allows.
    period: f64,
    /// The least that it may be, after slowing down.
    least: f64,
    /// Seconds of probing since the latest large reads.
    since_large: f64,
}

impl Course {
    /// Half as often; `false` when that would be too seldom.
    pub(super) fn slow_down(&mut self) -> bool {
        self.least *= 2.0;
        self.period = self.period.max(self.least);
        self.least <= SLOWEST
    }
}

impl fmt::Debug for Prober {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Prober")
            .field("course", &self.course)
            .finish_non_exhaustive()
    }
}

impl Prober {
    /// A prober of the share that `study` names, which is given up after `patience` without an answer.
    /// `thread` becomes the mark of the share's own thread, whatever comes of it.
    ///
    /// # Errors
    /// When the test data is not where it was laid down.
    pub fn local(
        study: &Study,
        patience: Duration,
        thread: &mut Weak<()>,
    ) -> Result<Self, LoadError> {
        let (config, share) = (
            &study.config,
            LocalShare::new(&study.config).named(typed(Path::new(&study.name))),
        );
        let share = Patient::new(share, &config.share, patience);
        *thread = share.thread();
        Self::new(Box::new(share), study)
    }

    /// A prober of `share`, on the test data of `study`.
    ///
    /// # Errors
    /// When the folder of the test data cannot be opened.
    pub fn new(mut share: Box<dyn Share + Send>, study: &Study) -> Result<Self, LoadError> {
        share.open_folder(&study.data)?;
        let next = |kind: &str| {
            let latest = study.probes.iter().rfind(|row| row.kind == kind);
            latest.map_or(0, |row| row.next_operation)
        };
        Ok(Self {
            share,
            data: study.data.clone(),
            seed: study.config.seed,
            simulated: study.config.simulated,
            block: study.config.run.probe_block,
            course: Course {
                next_small: next(SMALL),
                next_large: next(LARGE),
                period: PERIOD,
                least: PERIOD,
                since_large: BETWEEN_LARGE,
            },
        })
    }

    /// Probes for `seconds`, at least one; a row for each kind. One that failed says so.
    pub fn probe(&mut self, seconds: u64, place: Place) -> Vec<ProbeRow> {
        let mut rows = Vec::new();
        let mut left = seconds.max(1);
        if self.course.since_large >= BETWEEN_LARGE && left > 1 {
            self.course.since_large = 0.0;
            left -= 1;
            rows.push(self.run(&large(), 1, place));
        }
        self.course.since_large += seconds as f64;
        let row = self.run(&small(self.block, self.course.period), left, place);
        if let Some(mean) = row.mean_ns {
            self.course.period = (mean as f64 / 1e9 / BUDGET).clamp(self.course.least, SLOWEST);
        }
        rows.push(row);
        rows
    }

    /// Probes half as often; `false` when that would be too seldom.
    pub fn slow_down(&mut self) -> bool {
        self.course.slow_down()
    }

    /// Where it stands.
    pub(super) fn course(&self) -> Course {
        self.course
    }

    /// Goes on where another one stood.
    pub(super) fn resume(&mut self, course: Course) {
        self.course = course;
    }

    fn run(&mut self, workload: &Workload, seconds: u64, place: Place) -> ProbeRow {
        let small = workload.name == SMALL;
        let first = if small {
            self.course.next_small
        } else {
            self.course.next_large
        };
        let mut row = ProbeRow {
            at: self.share.now(),
            simulated: self.simulated,
            kind: workload.name.clone(),
            reshape_fraction: place.fraction,
            reshape_fraction_per_h: place.fraction_per_h,
            seconds: seconds as f64,
            period_s: workload.operations_per_second.map(|rate| 1.0 / rate),
            operations: 0,
            missed_operations: 0,
            busy_fraction: 0.0,
            rate_bytes_per_s: None,
            mean_ns: None,
            p50_ns: None,
            max_ns: None,
            next_operation: first,
            cause: String::new(),
        };
        match self.measure(workload, seconds, first) {
            Ok(measured) => {
                let next = if small {
                    &mut self.course.next_small
                } else {
                    &mut self.course.next_large
                };
                *next = measured.next_first;
                fill(&mut row, &measured, small);
            }
            Err(why) => row.cause = line(&why),
        }
        row
    }

    fn measure(
        &mut self,
        workload: &Workload,
        seconds: u64,
        first: u64,
    ) -> Result<Measured, String> {
        // Alone in its order, a probe's blocks are spread over all of the test data: so few are read
        // that later trials hardly find one of theirs in a cache.
        let all = [workload.clone()];
        let pattern = Pattern::new(workload, &all, &self.data, self.seed)
            .map_err(|error| error.to_string())?;
        let assignment = Assignment {
            workload,
            pattern,
            data: &self.data,
            length: Nanos(seconds * Nanos::SECOND.0),
            until: None,
            first,
            reach: 0,
            trial: 0,
            drive: Drive::Usual,
            observe: false,
        };
        self.share
            .run(&assignment, &Watch::default())
            .map_err(|error| error.to_string())
    }
}

fn fill(row: &mut ProbeRow, measured: &Measured, small: bool) {
    let recording = &measured.recording;
    let latency = recording.latency(0);
    let some = |value: u64, least: u64| (latency.len() >= least).then_some(value);
    row.operations = latency.len().saturating_sub(recording.missed);
    row.missed_operations = recording.missed;
    row.mean_ns = some(latency.mean() as u64, 1);
    row.p50_ns = some(latency.value_at_quantile(0.5), 20);
    row.max_ns = some(latency.max(), 1);
    row.next_operation = measured.next_first;
    let seconds = row.seconds.max(recording.ended.secs());
    // Reads of a probe follow one another: their latencies add up to the time under way.
    let busy = latency.mean() * row.operations as f64 / 1e9;
    row.busy_fraction = (busy / seconds).min(1.0);
    if !small {
        row.rate_bytes_per_s = Some(recording.bytes().0 as f64 / seconds);
    }
    if let Some(failure) = &recording.failure {
        row.cause = line(&failure.to_string());
    }
}

fn small(block: Bytes, period: f64) -> Workload {
    Workload {
        name: SMALL.to_owned(),
        read_percent: 100,
        access: Access::Random,
        block,
        depth: 1,
        streams: 1,
        operations_per_second: Some(1.0 / period),
        span: None,
    }
}

fn large() -> Workload {
    Workload {
        name: LARGE.to_owned(),
        access: Access::Sequential,
        operations_per_second: None,
        ..small(Bytes::MIB, PERIOD)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::testing::{Scene, study};
    use crate::seed::Seed;
    use crate::sim::{SimulatedShare, demo_scenario};

    fn prober(study: &Study, reshaping: bool) -> Prober {
        let mut share = SimulatedShare::new(demo_scenario(Seed(8))).unwrap();
        if reshaping {
            share.start_reshape();
        }
        Prober::new(Box::new(share), study).unwrap()
    }

    #[test]
    fn probes_keep_to_their_budget_and_go_on_in_their_order() {
        let mut study = study(Scene::Simulated);
        let mut prober = prober(&study, true);
        let place = Place {
            fraction: Some(0.25),
            fraction_per_h: Some(0.02),
        };
        let rows: Vec<ProbeRow> = (0..40).flat_map(|_| prober.probe(60, place)).collect();
        let seconds: f64 = rows.iter().map(|row| row.seconds).sum();
        let busy: f64 = rows.iter().map(|row| row.busy_fraction * row.seconds).sum();
        assert_eq!(seconds, 2400.0);
        assert!(busy / seconds < 0.02, "seed 8: {}", busy / seconds);
        let small: Vec<&ProbeRow> = rows.iter().filter(|row| row.kind == SMALL).collect();
        let large: Vec<&ProbeRow> = rows.iter().filter(|row| row.kind == LARGE).collect();
        assert_eq!((small.len(), large.len()), (40, 3));
        for row in &small {
            assert!(
                row.period_s.unwrap() >= PERIOD && row.mean_ns.unwrap() > 0,
                "seed 8: {row:?}"
            );
            assert_eq!((row.reshape_fraction, row.cause.as_str()), (Some(0.25), ""));
        }
        assert!(
            small
                .windows(2)
                .all(|pair| pair[0].next_operation < pair[1].next_operation)
        );
        assert!(
            large.iter().all(|row| row.rate_bytes_per_s.unwrap() > 1e6),
            "seed 8"
        );
        // The next watch goes on where this one ended.
        let next = small.last().unwrap().next_operation;
        study.probes = rows.into_iter().collect();
        assert_eq!(self::prober(&study, true).course.next_small, next);
    }

    #[test]
    fn slow_answers_make_probes_seldom_and_dear_ones_end_them() {
        let study = study(Scene::Simulated);
        let mut prober = prober(&study, false);
        let mut slower = 0;
        while prober.slow_down() {
            slower += 1;
        }
        assert_eq!(slower, 4);
        assert!(prober.course.period >= SLOWEST);
    }
}

//! A row of `trials.csv` and a row of `windows.csv`.
//!
//! The order of fields is the order of columns; README explains each. Units stand in the names.

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use super::bounds::{self, AMOUNT, NUMBER, Wrong};
use super::lines::Plain;
use super::tables::Cells;
use crate::plan::{Access, Phase, Workload};
use crate::record::{Observations, Recording, Summary};
use crate::units::Bytes;

/// How a trial ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum State {
    /// It ran its time.
    Complete,
    /// An operation failed; `cause` says which.
    Failed,
    /// The person, or a limit, ended it.
    Interrupted,
}

impl State {
    /// The word used in tables and files.
    pub fn word(self) -> &'static str {
        match self {
            Self::Complete => "complete",
            Self::Failed => "failed",
            Self::Interrupted => "interrupted",
        }
    }
}

/// One workload measured once.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Trial {
    /// Number of the trial in the study, from 1.
    pub trial: u64,
    /// Number of the sitting in the study, from 1.
    pub sitting: u64,
    /// Before, during or after the expansion.
    pub phase: Phase,
    /// Whether the share was made up.
    pub simulated: bool,
    /// When it began.
    pub started: Timestamp,
    /// Name of the workload.
    #[serde(with = "super::tables::guarded")]
    pub workload: String,
    /// Share of reads, 0 to 100.
    pub read_percent: u8,
    /// Order of blocks.
    pub access: Access,
    /// Bytes of an operation.
    pub block_bytes: u64,
    /// In-flight operations of a stream.
    pub depth: u32,
    /// Streams.
    pub streams: u32,
    /// Schedule of an open loop; empty for a closed one.
    pub paced_operations_per_s: Option<f64>,
    /// Limit on the part of the test data that was visited.
    pub span_bytes: Option<u64>,
    /// `key=value` pairs of the person, separated by semicolons.
    #[serde(with = "super::tables::guarded")]
    pub tags: String,
    /// How it ended.
    pub state: State,
    /// Why it failed or was interrupted.
    #[serde(with = "super::tables::guarded")]
    pub cause: String,
    /// How its operations were submitted; `engine` in formats before 4.
    #[serde(alias = "engine", with = "super::tables::guarded")]
    pub submission: String,
    /// Why that did; empty in trials of versions that did not choose, and of made-up shares.
    #[serde(default, alias = "engine_reason", with = "super::tables::guarded")]
    pub submission_reason: String,
    /// Whether transfers passed the client's cache; empty where they should have and nobody tells.
    pub direct: Option<bool>,
    /// Whether a steady state was reached.
    pub steady: bool,
    /// Windows before it.
    pub warmup_windows: u64,
    /// Whole windows of the trial.
    pub windows: u64,
    /// Bytes that count for the rate.
    pub bytes: u64,
    /// Operations that count for latency.
    pub operations: u64,
    /// Time that counts for the rate, flush included.
    pub seconds: f64,
    /// From the end of the last write to the end of the flush; empty for a trial that only reads.
    pub flush_seconds: Option<f64>,
    /// The trial's number.
    pub rate_bytes_per_s: Option<f64>,
    /// The same in operations.
    pub operations_per_s: Option<f64>,
    /// Fastest window.
    pub burst_bytes_per_s: Option<f64>,
    /// Mean of the steady windows, without flush.
    pub sustained_bytes_per_s: Option<f64>,
    /// Mean latency.
    pub mean_ns: Option<u64>,
    /// Median latency; empty below 20 operations.
    pub p50_ns: Option<u64>,
    /// 95th percentile; empty below 200 operations.
    pub p95_ns: Option<u64>,
    /// 99th percentile; empty below 1,000 operations.
    pub p99_ns: Option<u64>,
    /// Worst of all.
    pub max_ns: Option<u64>,
    /// Paced operations that started more than 1 ms after they were due.
    pub late_operations: u64,
    /// Paced operations that were due and never started.
    pub missed_operations: u64,
    /// Position in the workload's order at the start.
    pub first_operation: u64,
    /// Position at the end, where the next trial goes on.
    pub next_operation: u64,
    /// Operations after which blocks are visited again.
    pub pass_operations: u64,
    /// Size of the read set.
    pub test_data_bytes: u64,
    /// Part of the read set that the largest known memory could hold.
    pub cacheable_fraction: f64,
    /// Name of the facts file.
    #[serde(with = "super::tables::guarded")]
    pub facts: String,
    /// What a reader should know.
    #[serde(with = "super::tables::guarded")]
    pub notes: String,
}

impl Cells for Trial {
    fn check(&self) -> Result<(), Wrong> {
        bounds::moment("started", self.started)?;
        bounds::counts(
            NUMBER,
            [
                ("trial", self.trial),
                ("sitting", self.sitting),
                ("warmup_windows", self.warmup_windows),
                ("windows", self.windows),
            ],
        )?;
        bounds::counts(
            AMOUNT,
            [
                ("bytes", self.bytes),
                ("operations", self.operations),
                ("late_operations", self.late_operations),
                ("missed_operations", self.missed_operations),
                ("first_operation", self.first_operation),
                ("next_operation", self.next_operation),
                ("pass_operations", self.pass_operations),
                ("test_data_bytes", self.test_data_bytes),
            ],
        )?;
        bounds::some_counts(
            AMOUNT,
            [
                ("span_bytes", self.span_bytes),
                ("mean_ns", self.mean_ns),
                ("p50_ns", self.p50_ns),
                ("p95_ns", self.p95_ns),
                ("p99_ns", self.p99_ns),
                ("max_ns", self.max_ns),
            ],
        )?;
        bounds::figures([
            ("paced_operations_per_s", self.paced_operations_per_s),
            ("seconds", Some(self.seconds)),
            ("flush_seconds", self.flush_seconds),
            ("rate_bytes_per_s", self.rate_bytes_per_s),
            ("operations_per_s", self.operations_per_s),
            ("burst_bytes_per_s", self.burst_bytes_per_s),
            ("sustained_bytes_per_s", self.sustained_bytes_per_s),
            ("cacheable_fraction", Some(self.cacheable_fraction)),
        ])?;
        let workload = [
            ("read_percent", u64::from(self.read_percent), 0, 100),
            ("block_bytes", self.block_bytes, 1, 64 << 20),
            ("depth", u64::from(self.depth), 1, 1024),
            ("streams", u64::from(self.streams), 1, 64),
        ];
        let wrong = workload
            .into_iter()
            .find(|(_, value, least, most)| !(least..=most).contains(&value));
        wrong.map_or(Ok(()), |(column, value, least, most)| {
            Err((column, format!("{value} is not from {least} to {most}")))
        })
    }
}

/// Percentiles need so many operations beyond them (common practice, no source).
const BEYOND: f64 = 10.0;

impl Trial {
    /// Whether it read blocks again after no more data than the largest known memory holds.
    pub fn could_be_kept(&self) -> bool {
        let pass_bytes = self.pass_operations as f64 * self.block_bytes as f64;
        self.read_percent > 0
            && self.next_operation > self.pass_operations
            && pass_bytes <= self.cacheable_fraction * self.test_data_bytes as f64
    }

    /// A trial that is about to run: `interrupted` until it has.
    pub fn begin(
        trial: u64,
        sitting: u64,
        phase: Phase,
        started: Timestamp,
        workload: &Workload,
    ) -> Self {
        Self {
            trial,
            sitting,
            phase,
            simulated: false,
            started,
            workload: workload.name.clone(),
            read_percent: workload.read_percent,
            access: workload.access,
            block_bytes: workload.block.0,
            depth: workload.depth,
            streams: workload.streams,
            paced_operations_per_s: workload.operations_per_second,
            span_bytes: workload.span.map(|span| span.0),
            tags: String::new(),
            state: State::Interrupted,
            cause: String::new(),
            submission: String::new(),
            submission_reason: String::new(),
            direct: None,
            steady: false,
            warmup_windows: 0,
            windows: 0,
            bytes: 0,
            operations: 0,
            seconds: 0.0,
            flush_seconds: None,
            rate_bytes_per_s: None,
            operations_per_s: None,
            burst_bytes_per_s: None,
            sustained_bytes_per_s: None,
            mean_ns: None,
            p50_ns: None,
            p95_ns: None,
            p99_ns: None,
            max_ns: None,
            late_operations: 0,
            missed_operations: 0,
            first_operation: 0,
            next_operation: 0,
            pass_operations: 0,
            test_data_bytes: 0,
            cacheable_fraction: 0.0,
            facts: String::new(),
            notes: String::new(),
        }
    }

    /// Sets the measured columns.
    pub fn with_summary(mut self, summary: &Summary, recording: &Recording) -> Self {
        let latency = &summary.latency;
        let any = !latency.is_empty();
        let quantile = |q: f64| {
            (latency.len() as f64 * (1.0 - q) >= BEYOND - 1e-6)
                .then(|| latency.value_at_quantile(q))
        };
        self.steady = summary.warmup.steady;
        self.warmup_windows = summary.warmup.windows_to_drop as u64;
        self.windows = recording.windows.len() as u64;
        self.bytes = summary.bytes.0;
        self.operations = summary.operations;
        self.seconds = summary.seconds;
        self.rate_bytes_per_s = summary.rate.map(|rate| rate.0);
        self.operations_per_s = summary.rate.map(|rate| rate.0 / self.block_bytes as f64);
        self.burst_bytes_per_s = summary.burst.map(|rate| rate.0);
        self.sustained_bytes_per_s = summary.sustained.map(|rate| rate.0);
        self.mean_ns = any.then(|| latency.mean().round() as u64);
        self.p50_ns = quantile(0.5);
        self.p95_ns = quantile(0.95);
        self.p99_ns = quantile(0.99);
        self.max_ns = any.then(|| latency.max());
        self.late_operations = recording.late;
        self.missed_operations = recording.missed;
        self
    }

    /// Whether it read data that was laid down when the pool had grown.
    pub fn is_fresh(&self) -> bool {
        self.tags.split(';').any(|tag| tag == FRESH)
    }

    /// The workload as it was run.
    pub fn as_workload(&self) -> Workload {
        Workload {
            name: self.workload.clone(),
            read_percent: self.read_percent,
            access: self.access,
            block: Bytes(self.block_bytes),
            depth: self.depth,
            streams: self.streams,
            operations_per_second: self.paced_operations_per_s,
            span: self.span_bytes.map(Bytes),
        }
    }
}

/// The tag of trials that read data laid down when the pool had grown.
pub const FRESH: &str = "data=new";

/// One observation beside the operations of a trial; a row of `observations.csv`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ObservationRow {
    /// Number of the trial.
    pub trial: u64,
    /// What was observed; the unit stands in the name.
    #[serde(with = "super::tables::guarded")]
    pub name: String,
    /// The number.
    pub value: f64,
}

impl ObservationRow {
    /// The rows of trial number `trial`.
    pub fn rows(trial: u64, observations: &Observations) -> Vec<Self> {
        let row = |(name, value): (&str, f64)| Self {
            trial,
            name: name.to_owned(),
            value,
        };
        observations.iter().map(row).collect()
    }
}

/// One second of a trial.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct WindowRow {
    /// Number of the trial.
    pub trial: u64,
    /// Number of the window, from 0; it begins so many seconds after the trial.
    pub window: u64,
    /// Bytes read.
    pub read_bytes: u64,
    /// Bytes written.
    pub written_bytes: u64,
    /// Operations that ended.
    pub operations: u64,
    /// Their mean latency.
    pub mean_ns: Option<u64>,
    /// Their median latency.
    pub p50_ns: Option<u64>,
    /// The worst of them.
    pub max_ns: Option<u64>,
    /// Whether it lies before steady state.
    pub warmup: bool,
}

impl WindowRow {
    /// The rows of trial number `trial`.
    pub fn rows(trial: u64, recording: &Recording, summary: &Summary) -> Vec<Self> {
        let row = |(index, window): (usize, &crate::record::Window)| {
            let latency = recording.window_latency(index);
            Self {
                trial,
                window: index as u64,
                read_bytes: window.read.0,
                written_bytes: window.written.0,
                operations: latency.operations,
                mean_ns: latency.mean_ns.map(|mean| mean.round() as u64),
                p50_ns: latency.p50_ns,
                max_ns: latency.max_ns,
                warmup: index < summary.warmup.windows_to_drop,
            }
        };
        recording.windows.iter().enumerate().map(row).collect()
    }

    /// Bytes read and written.
    pub fn bytes(&self) -> u64 {
        self.read_bytes + self.written_bytes
    }
}

impl Cells for ObservationRow {
    const BY_TRIAL: bool = true;

    fn trial(&self) -> Option<u64> {
        Some(self.trial)
    }

    const HEAD: &str = "trial,name,value";

    fn plain(cells: &mut Plain<'_>) -> Option<Self> {
        Some(Self {
            trial: cells.count()?,
            name: cells.guarded()?.to_owned(),
            value: cells.figure()?,
        })
    }

    fn check(&self) -> Result<(), Wrong> {
        bounds::counts(NUMBER, [("trial", self.trial)])?;
        match self.value.abs() <= bounds::FIGURE {
            true => Ok(()),
            false => Err((
                "value",
                format!("{} is no number of an observation", self.value),
            )),
        }
    }
}

impl Cells for WindowRow {
    const BY_TRIAL: bool = true;

    fn trial(&self) -> Option<u64> {
        Some(self.trial)
    }

    const HEAD: &str =
        "trial,window,read_bytes,written_bytes,operations,mean_ns,p50_ns,max_ns,warmup";

    fn plain(cells: &mut Plain<'_>) -> Option<Self> {
        Some(Self {
            trial: cells.count()?,
            window: cells.count()?,
            read_bytes: cells.count()?,
            written_bytes: cells.count()?,
            operations: cells.count()?,
            mean_ns: cells.some_count()?,
            p50_ns: cells.some_count()?,
            max_ns: cells.some_count()?,
            warmup: cells.flag()?,
        })
    }

    fn check(&self) -> Result<(), Wrong> {
        bounds::counts(NUMBER, [("trial", self.trial), ("window", self.window)])?;
        bounds::counts(
            AMOUNT,
            [
                ("read_bytes", self.read_bytes),
                ("written_bytes", self.written_bytes),
                ("operations", self.operations),
            ],
        )?;
        bounds::some_counts(
            AMOUNT,
            [
                ("mean_ns", self.mean_ns),
                ("p50_ns", self.p50_ns),
                ("max_ns", self.max_ns),
            ],
        )
    }
}

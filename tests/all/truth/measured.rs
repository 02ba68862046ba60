//! One drawn scenario: measured on the simulated share, judged as a study of one trial, and held
//! against what the share knows of itself.

use poolproof::facts::{Facts, Mount};
use poolproof::judge::{Judgement, judge_all};
use poolproof::plan::Phase;
use poolproof::record::{Observations, observed, summarize};
use poolproof::seed::Seed;
use poolproof::sim::scenarios::{Kind, random};
use poolproof::sim::{DriveKind, Scenario, Truth};
use poolproof::study::{
    Config, Expansion, Identity, LatencyLog, State, Study, Trial, WindowRow, render_latency,
};
use poolproof::units::{Bytes, Nanos};

/// Length of the trial.
const SECONDS: u64 = 5;

/// One trial as it was, as it was seen, and what was made of it.
pub(super) struct Verdict {
    pub(super) seed: u64,
    pub(super) scenario: Scenario,
    pub(super) kind: Kind,
    pub(super) truth: Truth,
    pub(super) seen: Observations,
    /// Bytes per second that the trial claims.
    pub(super) rate: f64,
    pub(super) judgement: Judgement,
}

impl Verdict {
    /// Of the scenario that belongs to `seed`.
    pub(super) fn of(seed: u64) -> Self {
        let (scenario, kind) = random(Seed(seed));
        let study = study(&scenario, &kind);
        let (measured, truth) = kind.measure(scenario.clone(), SECONDS).unwrap();
        let summary = summarize(&measured.recording, measured.flush);
        let trial = Trial {
            state: State::Complete,
            simulated: true,
            direct: measured.direct,
            flush_seconds: measured.flush.map(Nanos::secs),
            facts: "f".into(),
            ..Trial::begin(1, 1, Phase::Before, study.config.created, &kind.workload)
                .with_summary(&summary, &measured.recording)
        };
        let mut latency = LatencyLog::default();
        latency.insert(&render_latency(
            1,
            trial.started,
            SECONDS as f64,
            &summary.latency,
            &measured.recording.controls,
            false,
        ));
        let study = Study {
            windows: WindowRow::rows(1, &measured.recording, &summary)
                .into_iter()
                .collect(),
            observations: [(1, measured.observations.clone())].into(),
            latency,
            trials: vec![trial],
            ..study
        };
        let judgement = judge_all(&study).remove(&1).unwrap();
        Self {
            seed,
            scenario,
            kind,
            truth,
            seen: measured.observations,
            rate: summary.rate.map_or(0.0, |rate| rate.0),
            judgement,
        }
    }

    /// All bytes that the trial read and wrote.
    pub(super) fn bytes(&self) -> f64 {
        (self.truth.bytes_read + self.truth.bytes_written) as f64
    }

    /// The part of them, 0 to 1, that the drives did not move: read from a cache, not written when
    /// the flush had ended, compressed away or kept once.
    pub(super) fn cached(&self) -> f64 {
        let truth = &self.truth;
        let written = (truth.bytes_written - truth.unwritten_after_flush) as f64;
        let moved = truth.moved_from_drives as f64 + written * self.scenario.stored;
        // The drives move whole bytes.
        let part = 1.0 - moved / self.bytes().max(1.0);
        if part < 1e-6 { 0.0 } else { part }
    }

    /// The part of them, 0 to 1, that a cache served or still held when the flush had ended.
    pub(super) fn served_by_caches(&self) -> f64 {
        let truth = &self.truth;
        let of_cache = truth.bytes_read - truth.from_drives + truth.unwritten_after_flush;
        of_cache as f64 / self.bytes().max(1.0)
    }

    /// Whether bytes were counted at the drives.
    pub(super) fn counted(&self) -> bool {
        self.seen.get(observed::MEMBERS).is_some()
    }

    /// Whether the pool has parity.
    pub(super) fn parity(&self) -> bool {
        self.scenario.pool.level.parity_drives() > 0
    }

    /// Whether the drives turn.
    pub(super) fn rotating(&self) -> bool {
        matches!(self.scenario.drive, DriveKind::Rotating(_))
    }
}

/// A study of the scenario without trials: the person has stated the drives and their number.
fn study(scenario: &Scenario, kind: &Kind) -> Study {
    let rotating = match scenario.drive {
        DriveKind::Rotating(drive) => Some(drive),
        DriveKind::Solid(_) => None,
    };
    let word = || "SIMULATED".to_owned();
    let mount = Mount {
        kind: word(),
        source: word(),
        point: word(),
        ..Mount::default()
    };
    let facts = Facts {
        mount: Some(mount),
        ..Facts::default()
    };
    let config = Config {
        simulated: true,
        pool: Some(Expansion {
            level: scenario.pool.level,
            drives: scenario.pool.drives,
            adding: scenario.adding,
            drive_size: scenario.pool.drive_size,
            rpm: Some(rotating.map_or(0, |drive| drive.rpm)),
            drive_rate: Some(Bytes(scenario.drive.rate_at(0.0).0 as u64)),
        }),
        ..Config::new(Identity(1), scenario.seed, scenario.start, word())
    };
    Study {
        data: kind.test_data(),
        facts: [("f".to_owned(), facts)].into(),
        ..Study::new(word(), config)
    }
}

//! Grades against the truth, over simulated shares with known hit ratios.
//!
//! A thousand scenarios are drawn: rotating and solid drives, every kind of cache, hit ratios from 0
//! to 1, foreign traffic and users, and what of it all can be seen. Nothing that a cache served may
//! pass for the drives where something that could show it was observed.

use std::collections::BTreeMap;

use poolproof::facts::{Facts, Mount};
use poolproof::judge::{Grade, Judgement, judge_all};
use poolproof::plan::{Access, Phase};
use poolproof::record::{Observations, observed, summarize};
use poolproof::seed::Seed;
use poolproof::sim::scenarios::{Caches, Kind, Load, random};
use poolproof::sim::{DriveKind, Scenario, Truth};
use poolproof::study::{
    Config, Expansion, FORMAT, Identity, LatencyLog, State, Study, Trial, WindowRow, render_latency,
};
use poolproof::units::{Bytes, Nanos};

use crate::support::say;

const SCENARIOS: u64 = 1_200;
const SECONDS: u64 = 5;
/// So much of the bytes from a cache makes a trial cached.
const CACHED: f64 = 0.05;

/// One scenario, measured and judged.
struct Verdict {
    seed: u64,
    kind: Kind,
    truth: Truth,
    judgement: Judgement,
    seen: Observations,
    rotating: bool,
    /// Bytes that the drives move per byte of data.
    stored: f64,
}

impl Verdict {
    /// The part of all bytes, read or written, that was not the drives' work.
    fn cached(&self) -> f64 {
        let (read, written) = (
            self.truth.bytes_read as f64,
            self.truth.bytes_written as f64,
        );
        let cached = read - self.truth.from_drives as f64;
        (cached + self.truth.unwritten_after_flush as f64) / (read + written).max(1.0)
    }

    /// Whether something that could show the cached part was observed.
    fn could_show(&self) -> bool {
        let read = self.truth.bytes_read.max(1) as f64;
        let by_client = self.truth.from_client_cache as f64 / read;
        let has = |name| self.seen.get(name).is_some();
        let only_reads = self.kind.workload.read_percent == 100;
        let only_writes = self.kind.workload.read_percent == 0;
        // Small writes move more on the drives than was written, which hides what is missing.
        let large_writes = only_writes && self.kind.workload.access == Access::Sequential;
        let client = has(observed::PROCESS_FETCHED)
            || has(observed::NFS_SERVER_READ)
            || has(observed::RESIDENT_BEFORE)
            || has(observed::WIRE_RECEIVED) && self.kind.traffic != Load::Heavy;
        // Drives that work for others, or data that takes less room on them, hide a cache.
        let plain = self.kind.users == Load::None;
        let members = has(observed::MEMBERS) && plain && (only_reads || large_writes);
        // Times tell random reads apart where a first touch took a drive's time.
        let times = only_reads
            && self.kind.workload.access == Access::Random
            && self.rotating
            && self.seen.get(observed::TWICE_FIRST_LOG).is_some();
        let server_part = self.cached() - by_client;
        (by_client > CACHED && client && (only_reads || only_writes))
            || (server_part > CACHED && (members || times))
    }
}

fn judged(seed: u64) -> Verdict {
    let (scenario, kind) = random(Seed(seed));
    let rotating = matches!(scenario.drive, DriveKind::Rotating(_));
    let (stored, study) = (scenario.stored, study(&scenario, &kind));
    let (measured, truth) = kind.measure(scenario, SECONDS).unwrap();
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
    latency.insert(
        1,
        &render_latency(1, trial.started, 5.0, &summary.latency, false),
    );
    let study = Study {
        windows: [(1, WindowRow::rows(1, &measured.recording, &summary))].into(),
        observations: [(1, measured.observations.clone())].into(),
        latency,
        trials: vec![trial],
        ..study
    };
    let judgement = judge_all(&study).remove(&1).unwrap();
    Verdict {
        seed,
        kind,
        truth,
        judgement,
        seen: measured.observations,
        rotating,
        stored,
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
    Study {
        name: word(),
        config: Config {
            format: FORMAT,
            id: Identity(1),
            created: scenario.start,
            seed: scenario.seed,
            simulated: true,
            share: word(),
            server_memory: None,
            threshold_percent: 3.0,
            pool: Some(Expansion {
                level: scenario.pool.level,
                drives: scenario.pool.drives,
                adding: 1,
                drive_size: scenario.pool.drive_size,
                rpm: rotating.map(|drive| drive.rpm),
                drive_rate: rotating.map(|drive| Bytes(drive.outer.0 as u64)),
            }),
            link_gigabits: None,
            server: None,
            workloads: Vec::new(),
        },
        data: kind.test_data(),
        trials: Vec::new(),
        windows: BTreeMap::new(),
        observations: BTreeMap::new(),
        sweeps: Vec::new(),
        latency: LatencyLog::default(),
        facts: [(
            "f".to_owned(),
            Facts {
                mount: Some(mount),
                ..Facts::default()
            },
        )]
        .into(),
        remarks: Vec::new(),
    }
}

#[test]
fn grades_agree_with_the_truth() {
    let verdicts: Vec<Verdict> = (0..SCENARIOS).map(judged).collect();
    let mut table = BTreeMap::<(&str, Grade), u32>::new();
    let (mut passed, mut clean, mut alarms, mut told, mut close) =
        (Vec::new(), 0, Vec::new(), 0, 0);
    for verdict in &verdicts {
        let grade = verdict.judgement.ruling.grade;
        let cached = verdict.cached();
        let class = match (cached > CACHED, verdict.could_show()) {
            (true, true) => "cached, could be shown",
            (true, false) => "cached, nothing could show it",
            (false, _) if verdict.stored < 1.0 => "clean, kept smaller on the drives",
            (false, _) if cached > 0.0 => "up to 5 % cached",
            (false, _) => "clean",
        };
        *table.entry((class, grade)).or_default() += 1;
        if class == "cached, could be shown" {
            if grade.holds() {
                passed.push(verdict);
            }
            if let Some(share) = verdict.judgement.ruling.cached {
                told += 1;
                close += u32::from((share.estimate - cached).abs() <= 0.05);
            }
        }
        if class == "clean" {
            clean += 1;
            if !grade.holds() {
                alarms.push(verdict);
            }
        }
    }
    for ((class, grade), count) in &table {
        say(&format!(
            "SIMULATED truth: {class:<30} {} {count:>5}",
            grade.letter()
        ));
    }
    for verdict in passed.iter().chain(&alarms) {
        say(&format!(
            "seed {}: {:?} {} {} sight {:?} users {:?} traffic {:?}: cached {:.3}, ruling {:?}",
            verdict.seed,
            verdict.kind.caches,
            verdict.kind.workload.name,
            if verdict.rotating {
                "rotating"
            } else {
                "solid"
            },
            verdict.kind.sight,
            verdict.kind.users,
            verdict.kind.traffic,
            verdict.cached(),
            verdict.judgement.ruling
        ));
    }
    say(&format!(
        "SIMULATED truth: estimates within 5 points: {close} of {told}"
    ));
    assert!(clean > 200 && told > 200);
    assert!(passed.is_empty(), "{} cached trials passed", passed.len());
    assert!(
        (alarms.len() as f64) < 0.01 * f64::from(clean),
        "{} of {clean}",
        alarms.len()
    );
    assert!(
        f64::from(close) >= 0.9 * f64::from(told),
        "{close} of {told}"
    );
    assert!(verdicts.iter().any(|v| v.kind.caches == Caches::Mixture));
}

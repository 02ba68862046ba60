//! A study to render: the scan archive of a lighthouse museum, whose four 6 TB drives in RAID 6
//! become five. Its trials are recorded operation by operation from a fixed seed.

use jiff::{SignedDuration, Timestamp};

use crate::facts::{Client, Facts, Link, Mount, Room};
use crate::plan::{Access, DataFile, Direction, Phase, Set, TestData, Workload, order};
use crate::pool::Level;
use crate::record::{Controls, Observations, Recording, Shape, WINDOW, observed, summarize};
use crate::seed::{Seed, standard_normal};
use crate::study::{
    Config, Expansion, Identity, LatencyLog, Server, ShellCommand, State, Study, Trial, WindowRow,
    render_latency,
};
use crate::units::{Bytes, Nanos};

/// What kind of study.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Scene {
    /// Nothing measured.
    Empty,
    /// The baseline alone.
    BeforeOnly,
    /// No sitting after the reshape yet.
    BeforeDuring,
    /// All three phases, a failed and an interrupted trial, an own workload.
    Full,
    /// The same with observations: after the expansion a warm cache served the large reads, so that
    /// their rate is higher and void; trials of all grades.
    Warm,
    /// As `Full`, made up.
    Simulated,
    /// As `Full`, with hostile text in every place that comes from outside.
    Hostile,
}

pub(crate) const SCENES: [Scene; 7] = [
    Scene::Empty,
    Scene::BeforeOnly,
    Scene::BeforeDuring,
    Scene::Full,
    Scene::Warm,
    Scene::Simulated,
    Scene::Hostile,
];

/// Markup, quotation marks, a direction override, terminal control, a noncharacter.
pub(crate) const HOSTILE: &str =
    "<script>alert(1)</script>\"'&\u{202E}evil\u{1b}[31m\u{0}\u{FFFE} \u{5E9}\u{5DC}\u{5D5}\u{5DD}";

const WINDOWS: usize = 24;
/// Operations a second before the expansion, and the factors during and after it, by workload of
/// the standard set.
const RATES: [(f64, f64, f64); 6] = [
    (82.5, 0.58, 1.47),
    (60.0, 0.52, 1.31),
    (62.0, 0.5, 1.01),
    (420.0, 0.6, 1.27),
    (150.0, 0.55, 1.22),
    (230.0, 0.62, 1.2),
];

pub(crate) fn study(scene: Scene) -> Study {
    let phases: &[(Phase, usize)] = match scene {
        Scene::Empty => &[],
        Scene::BeforeOnly => &[(Phase::Before, 5)],
        Scene::BeforeDuring => &[(Phase::Before, 5), (Phase::During, 3)],
        _ => &[(Phase::Before, 5), (Phase::During, 3), (Phase::After, 5)],
    };
    let mut study = bare(scene);
    let mut log = String::new();
    for (sitting, (phase, trials)) in (1..).zip(phases) {
        measure(&mut study, &mut log, sitting, *phase, *trials);
    }
    study.latency = LatencyLog::parse(log.as_bytes()).unwrap();
    if phases.len() == 3 {
        spoil(&mut study);
    }
    if scene == Scene::Warm {
        observe(&mut study);
    }
    if scene == Scene::Hostile {
        poison(&mut study);
    }
    study
}

fn bare(scene: Scene) -> Study {
    let file = |number, set| DataFile {
        number,
        set,
        bytes: Bytes::GIB.times(4),
        phase: Phase::Before,
        complete: true,
    };
    let mut data = TestData::default();
    if scene != Scene::Empty {
        data.folder = "poolproof-00001234".into();
        data.files = (0..16).map(|number| file(number, Set::Read)).collect();
        data.files
            .extend((16..20).map(|number| file(number, Set::Write)));
    }
    let created = "2026-03-02T08:00:00Z".parse().unwrap();
    let config = Config {
        simulated: scene == Scene::Simulated,
        server_memory: Some(Bytes::GIB.times(16)),
        pool: Some(Expansion {
            level: Level::Raid6,
            drives: 4,
            adding: 1,
            drive_size: Some(Bytes::TB.times(6)),
            rpm: None,
            drive_rate: None,
        }),
        ..Config::new(Identity(0x1234), Seed(99), created, "/mnt/scans".into())
    };
    Study {
        data,
        ..Study::new("scan-archive", config)
    }
}

fn facts(phase: Phase, simulated: bool) -> Facts {
    let grown = phase == Phase::After;
    Facts {
        simulated,
        client: Client {
            system: "Linux 6.1".into(),
            kernel: "6.1.0".into(),
            processors: 8,
            memory: Bytes::GIB.times(32),
            program: "0.1.0".into(),
        },
        mount: Some(Mount {
            point: "/mnt/scans".into(),
            kind: "nfs4".into(),
            source: "lamp:/export/scans".into(),
            options: vec!["hard".into(), "proto=tcp".into(), "rw".into()],
            direct_io_alignment: None,
        }),
        space: Some(Room {
            total: Bytes::TB.times(if grown { 18 } else { 12 }),
            available: Bytes::TB.times(if grown { 10 } else { 4 }),
        }),
        links: vec![Link {
            name: "lan0".into(),
            mtu: if grown { 9000 } else { 1500 },
            bits_per_second: Some(10_000_000_000),
        }],
        missing: vec!["direct I/O alignment: the file system does not tell".into()],
        ..Facts::default()
    }
}

fn measure(study: &mut Study, log: &mut String, sitting: u64, phase: Phase, trials: usize) {
    let facts = facts(phase, study.config.simulated);
    let id = facts.id();
    study.facts.insert(id.clone(), facts);
    let workloads = Workload::standard();
    let day = SignedDuration::from_hours(24 * (sitting as i64 - 1));
    let mut started: Timestamp = study.config.created + day;
    for index in order(
        workloads.len(),
        trials,
        study.config.seed.child("sitting", sitting),
    ) {
        let workload = &workloads[index];
        let number = study.next_trial();
        let mut recording = record(workload, RATES[index], phase, number);
        if workload.reads() {
            recording.controls = controls(number);
        }
        let flush = workload.writes().then_some(Nanos(800_000_000));
        let summary = summarize(&recording, flush);
        let row = blank(study, number, sitting, phase, started, workload, &id);
        let row = Trial {
            flush_seconds: flush.map(Nanos::secs),
            ..row.with_summary(&summary, &recording)
        };
        let windows = WindowRow::rows(number, &recording, &summary);
        study.windows.insert(number, &windows);
        *log += &render_latency(
            number,
            started,
            row.seconds,
            &summary.latency,
            &recording.controls,
            log.is_empty(),
        );
        if workload.writes() {
            let seen = counted(workload, phase, &windows);
            study.observations.insert(number, seen);
        }
        study.trials.push(row);
        started += SignedDuration::from_secs(40);
    }
}

fn record(workload: &Workload, rate: (f64, f64, f64), phase: Phase, number: u64) -> Recording {
    let mut rng = Seed(7).child("trial", number).rng();
    let (base, during, after) = rate;
    let factor = [1.0, during, after][phase as usize];
    let level = base * factor * (1.0 + 0.015 * standard_normal(&mut rng));
    let mut recording = Recording::new(Shape::exact(WINDOWS, 2));
    for window in 0..WINDOWS {
        // A slow start, and a share that breathes.
        let start = 1.0 - 0.5 * (-(window as f64) / 1.2).exp();
        let breath = 1.0 + 0.04 * standard_normal(&mut rng);
        let operations = (level * start * breath).max(1.0) as u64;
        let typical = 1e9 * f64::from(workload.depth) / level;
        for operation in 0..operations {
            let ended = WINDOW.0 * window as u64 + WINDOW.0 * operation / operations;
            let latency = typical * (0.45 * standard_normal(&mut rng)).exp();
            let direction = match rng.u8(0..100) < workload.read_percent {
                true => Direction::Read,
                false => Direction::Write,
            };
            let (bytes, ended) = (workload.block.0, Nanos(ended));
            recording.record(direction, bytes, ended, Nanos(latency as u64));
        }
    }
    recording
}

/// Control reads of drives that turn, behind a server that keeps what was read.
fn controls(number: u64) -> Controls {
    let mut rng = Seed(7).child("controls", number).rng();
    let mut times = |least: u64, more: u64| -> Vec<Nanos> {
        (0..64).map(|_| Nanos(least + rng.u64(..more))).collect()
    };
    Controls {
        first: times(4_000_000, 10_000_000),
        again: times(200_000, 200_000),
        later: Vec::new(),
    }
}

/// What the drives of RAID 6 count beside a trial that writes: whole stripes, or a block and both parities.
fn counted(workload: &Workload, phase: Phase, windows: &[WindowRow]) -> Observations {
    let drives = if phase == Phase::Before { 4 } else { 5 };
    let read: u64 = windows.iter().map(|window| window.read_bytes).sum();
    let written: u64 = windows.iter().map(|window| window.written_bytes).sum();
    // The rest of a row is read for a block, or the block and both parities: the fewer.
    let (read, written) = match workload.access {
        Access::Sequential => (read, written * drives / (drives - 2)),
        Access::Random => (read + written * (drives - 3), 3 * written),
    };
    let [read, written] = [read, written].map(|bytes| (bytes / drives) as f64);
    let mut seen = Observations::default();
    seen.put(observed::MEMBERS, drives as f64);
    seen.put(observed::MEMBERS_QUIET_READ, 0.0);
    seen.put(observed::MEMBERS_QUIET_WRITTEN, 0.0);
    for drive in 0..drives as usize {
        seen.put(observed::member_read(drive), read);
        seen.put(observed::member_written(drive), written);
    }
    seen
}

fn blank(
    study: &Study,
    trial: u64,
    sitting: u64,
    phase: Phase,
    started: Timestamp,
    workload: &Workload,
    facts: &str,
) -> Trial {
    Trial {
        trial,
        sitting,
        phase,
        simulated: study.config.simulated,
        started,
        workload: workload.name.clone(),
        read_percent: workload.read_percent,
        access: workload.access,
        block_bytes: workload.block.0,
        depth: workload.depth,
        streams: workload.streams,
        paced_operations_per_s: None,
        span_bytes: None,
        tags: format!("room=tower;day={sitting}"),
        state: State::Complete,
        cause: String::new(),
        submission: "threads".into(),
        submission_reason: String::new(),
        direct: Some(true),
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
        next_operation: 1_000,
        pass_operations: 2_000,
        test_data_bytes: 64 << 30,
        cacheable_fraction: 0.25,
        facts: facts.to_owned(),
        notes: String::new(),
    }
}

/// One trial fails, one is interrupted, one starts again at the beginning of its order.
fn spoil(study: &mut Study) {
    let last = study.trials.len() - 1;
    study.trials[last].state = State::Failed;
    study.trials[last].cause = "reading file 3 of the test data at offset 0: input error".into();
    study.trials[last].rate_bytes_per_s = None;
    study.trials[last - 1].state = State::Interrupted;
    study.trials[4].next_operation = 3_000;
    study.trials[3].cacheable_fraction = 0.7;
    study
        .remarks
        .push("trials.csv ended in half a line, which was left out".into());
}

/// What was seen beside each trial of [`Scene::Warm`].
fn observe(study: &mut Study) {
    let pool = study.config.pool.as_mut().unwrap();
    (pool.rpm, pool.drive_rate) = (Some(7_200), Some(Bytes(210_000_000)));
    study.config.server = Some(Server {
        address: None,
        diskstats_command: Some(ShellCommand::typed("ssh lamp cat /proc/diskstats")),
        members: ["sda", "sdb", "sdc", "sdd", "sde"]
            .map(str::to_owned)
            .into(),
        empty_cache_command: None,
        timeout_seconds: 30,
    });
    for trial in &study.trials {
        let seen = observations(trial, &study.windows.of(trial.trial));
        study.observations.insert(trial.trial, seen);
    }
}

fn observations(trial: &Trial, windows: &[WindowRow]) -> Observations {
    let mut seen = Observations::default();
    seen.put(observed::WIRE_LINE_RATE, 10e9);
    seen.put(observed::WIRE_MTU, 1500.0);
    seen.put(observed::BUSIEST_CORE, 0.31);
    let in_flight = u64::from(trial.depth) * trial.block_bytes;
    let read: u64 = windows.iter().map(|window| window.read_bytes).sum();
    let read = (read + in_flight * u64::from(trial.read_percent) / 100) as f64;
    // The part that the drives did not read.
    let cached = match (trial.workload.as_str(), trial.phase) {
        ("large-read", Phase::After) => 0.83,
        ("large-read", _) => 0.0,
        ("mixed", Phase::After) => 0.2,
        ("small-read-deep", Phase::After) => {
            // A direct open that was accepted and buffered all the same.
            seen.put(observed::RESIDENT_OF, 64.0 * 1024f64.powi(3));
            seen.put(observed::RESIDENT_BEFORE, 0.0);
            seen.put(observed::RESIDENT_AFTER, 20.0 * 1024f64.powi(3));
            return seen;
        }
        _ => return seen,
    };
    seen.put(observed::PROCESS_FETCHED, read);
    let drives = if trial.phase == Phase::Before { 4 } else { 5 };
    seen.put(observed::MEMBERS, f64::from(drives));
    for drive in 0..drives as usize {
        let share = read * (1.0 - cached) / f64::from(drives);
        seen.put(observed::member_read(drive), share);
        seen.put(observed::member_written(drive), 0.0);
        seen.put(observed::member_busy(drive), 0.95 * (1.0 - cached));
    }
    seen
}

fn poison(study: &mut Study) {
    let name = format!("{HOSTILE}{}", "long-name-".repeat(12));
    study.name = name.clone();
    study.config.share = name.clone();
    study.data.folder = name.clone();
    study.remarks.push(name.clone());
    let large_read: Vec<usize> = (0..study.trials.len())
        .filter(|index| study.trials[*index].workload == "large-read")
        .collect();
    for index in large_read {
        study.trials[index].workload = name.clone();
    }
    for trial in &mut study.trials {
        trial.tags = name.clone();
        trial.notes = name.clone();
        if !trial.cause.is_empty() {
            trial.cause = name.clone();
        }
    }
    for facts in study.facts.values_mut() {
        facts.client.system = name.clone();
        facts.links[0].name = name.clone();
        facts.missing.push(name.clone());
    }
}

//! Makes the studies: trials of the made-up share of the demo, a template of each workload in each phase
//! and many trials after each template, and a reshape that is read every minute for a year and probed
//! every other minute. All rows are the program's own, so that formats stay right.

use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::Path;

use hdrhistogram::Histogram;
use jiff::{SignedDuration, Timestamp};
use poolproof::load::{Assignment, Share, Watch};
use poolproof::plan::{DataFile, Pattern, Phase, Set, TestData, Workload};
use poolproof::pool::Level;
use poolproof::record::{Controls, Observations, summarize};
use poolproof::reshape::{Reading, Reported, Source, Word};
use poolproof::seed::{Seed, standard_normal};
use poolproof::sim::{SimulatedShare, demo_scenario};
use poolproof::store::{Writer, names};
use poolproof::study::tables::render;
use poolproof::study::{
    Config, DataRow, Expansion, Identity, ObservationRow, ProbeRow, ProgressRow, State, Trial,
    WindowRow, manifest, render_latency,
};
use poolproof::units::{Bytes, Nanos};

use super::Anyhow;

const SEED: Seed = Seed(6);
/// Windows of a trial.
const WINDOWS: u64 = 500;
/// Trials of each workload in a sitting.
const TRIALS: u64 = 3;
/// From one trial to the next, and from one sitting before or after the reshape to the next, in seconds.
const TRIAL: i64 = 510;
const SITTING: i64 = 6 * 3600;
/// Standard deviation of the logarithm of a trial's rate, and of a window's about it.
const SPREAD: f64 = 0.02;
/// Small probes until there is a large one.
const LARGE: u64 = 15;

/// How much there is of a study.
#[derive(Clone, Copy, Debug)]
pub(super) struct Size {
    readings: u64,
    trials: u64,
}

impl Size {
    /// The part `of` a year: 500,000 readings, 10,000 trials, 5,000,000 windows.
    pub(super) fn of(of: f64) -> Self {
        let part = |whole: f64| (whole * of).round() as u64;
        Self {
            readings: part(5e5),
            trials: part(1e4),
        }
    }
}

/// One trial, as others are made after it.
struct Template {
    trial: Trial,
    windows: Vec<WindowRow>,
    observations: Observations,
    latency: Histogram<u64>,
}

/// Makes the study in `folder`.
pub(super) fn make(folder: &Path, size: Size) -> Result<(), Anyhow> {
    let scenario = demo_scenario(SEED);
    let (pool, adding, start) = (scenario.pool, scenario.adding, scenario.start);
    let config = Config {
        simulated: true,
        server_memory: Some(scenario.server.memory),
        pool: Some(Expansion {
            level: Level::Raid6,
            drives: pool.drives,
            adding,
            drive_size: pool.drive_size,
            rpm: Some(7200),
            drive_rate: None,
        }),
        ..Config::new(Identity(6), SEED, start, "SIMULATED".to_owned())
    };
    let data = test_data();
    let mut share = SimulatedShare::new(scenario)?;
    let facts = {
        let mut writer = Writer::create(folder, &config, "the benchmark")?;
        let rows: Vec<DataRow> = manifest::rows(&data);
        writer.add_data(&rows)?;
        writer.put_facts(share.facts())?
    };
    let templates = templates(&mut share, &data, &facts)?;

    let trials_before = size.trials / 3;
    let sittings = |trials: u64| trials.div_ceil(templates[0].len() as u64 * TRIALS) as i64;
    let begun = start + SignedDuration::from_secs(SITTING * (sittings(trials_before) + 1));
    let ended = begun + SignedDuration::from_secs(60 * size.readings as i64);
    progress(folder, size.readings, begun)?;
    trials(folder, &templates, size, [start, begun, ended])
}

fn test_data() -> TestData {
    let mut data = TestData {
        folder: "poolproof-large".to_owned(),
        ..TestData::default()
    };
    for set in [Set::Read; 48].into_iter().chain([Set::Write; 12]) {
        let file = data.next_file(set, Bytes::GIB.times(2), Phase::Before);
        data.next_number = file.number + 1;
        data.files.push(DataFile {
            complete: true,
            ..file
        });
    }
    data
}

/// By phase, a trial of each standard workload.
fn templates(
    share: &mut SimulatedShare,
    data: &TestData,
    facts: &str,
) -> Result<[Vec<Template>; 3], Anyhow> {
    let all = Workload::standard();
    let mut made = [const { Vec::new() }; 3];
    for (phase, templates) in Phase::ALL.into_iter().zip(&mut made) {
        if phase == Phase::During {
            share.start_reshape();
            share.advance(Nanos(12 * 3600 * Nanos::SECOND.0));
        }
        while phase == Phase::After && share.reshape().is_some() {
            share.advance(Nanos(3600 * Nanos::SECOND.0));
        }
        for (index, workload) in all.iter().enumerate() {
            let trial = Trial::begin(index as u64 + 1, 1, phase, share.now(), workload);
            templates.push(template(share, &all, data, trial, facts)?);
        }
    }
    Ok(made)
}

fn template(
    share: &mut SimulatedShare,
    all: &[Workload],
    data: &TestData,
    trial: Trial,
    facts: &str,
) -> Result<Template, Anyhow> {
    let workload = trial.as_workload();
    let pattern = Pattern::new(&workload, all, data, SEED)?;
    let pass_operations = pattern.operations();
    let assignment = Assignment {
        workload: &workload,
        pattern,
        data,
        length: Nanos(WINDOWS * Nanos::SECOND.0),
        first: 0,
        reach: 0,
        until: None,
        drive: poolproof::load::Drive::Usual,
        trial: trial.trial,
        observe: true,
    };
    let measured = share.run(&assignment, &Watch::default())?;
    let summary = summarize(&measured.recording, measured.flush);
    let trial = Trial {
        simulated: true,
        state: State::Complete,
        submission: measured.submission.word().to_owned(),
        direct: measured.direct,
        flush_seconds: measured.flush.map(Nanos::secs),
        next_operation: measured.next_first,
        pass_operations,
        test_data_bytes: data.bytes(Set::Read).0,
        cacheable_fraction: 0.5,
        facts: facts.to_owned(),
        ..trial.with_summary(&summary, &measured.recording)
    };
    Ok(Template {
        windows: WindowRow::rows(trial.trial, &measured.recording, &summary),
        observations: measured.observations,
        latency: summary.latency,
        trial,
    })
}

/// A table that is written row by row.
struct Table(BufWriter<File>, bool);

impl Table {
    fn new(folder: &Path, name: &str) -> Result<Self, Anyhow> {
        Ok(Self(BufWriter::new(File::create(folder.join(name))?), true))
    }

    fn add<Row: serde::Serialize>(&mut self, rows: &[Row]) -> Result<(), Anyhow> {
        self.0.write_all(render(rows, self.1).as_bytes())?;
        self.1 = false;
        Ok(())
    }
}

/// All trials, sitting by sitting; `begins` are the moments at which the phases begin.
fn trials(
    folder: &Path,
    templates: &[Vec<Template>; 3],
    size: Size,
    begins: [Timestamp; 3],
) -> Result<(), Anyhow> {
    let table = |name| Table::new(folder, name);
    let [mut rows, mut windows, mut observations] = [
        table(names::TRIALS)?,
        table(names::WINDOWS)?,
        table(names::OBSERVATIONS)?,
    ];
    let mut log = BufWriter::new(File::create(folder.join(names::LATENCY))?);
    let (mut number, mut sitting) = (0, 0);
    for (phase, templates) in templates.iter().enumerate() {
        let of_phase = size.trials / 3 + u64::from((phase as u64) < size.trials % 3);
        let a_sitting = templates.len() as u64 * TRIALS;
        let sittings = of_phase.div_ceil(a_sitting);
        // While it reshapes, sittings are spread over all of it.
        let apart = match phase {
            1 => 60 * size.readings as i64 / (sittings as i64 + 1),
            _ => SITTING,
        };
        for index in 0..of_phase {
            let (of_sitting, place) = (index / a_sitting, index % a_sitting);
            if place == 0 {
                sitting += 1;
            }
            number += 1;
            let later = apart * (of_sitting as i64 + i64::from(phase > 0)) + TRIAL * place as i64;
            let begun = begins[phase] + SignedDuration::from_secs(later);
            let template = &templates[(index % templates.len() as u64) as usize];
            let made = after(template, number, sitting, begun);
            windows.add(&made.windows)?;
            observations.add(&ObservationRow::rows(number, &made.observations))?;
            let new = number == 1;
            let line = render_latency(
                number,
                begun,
                WINDOWS as f64,
                &made.latency,
                &Controls::default(),
                new,
            );
            log.write_all(line.as_bytes())?;
            rows.add(&[made.trial])?;
        }
    }
    Ok(())
}

/// A trial like `template`, a little faster or slower.
fn after(template: &Template, number: u64, sitting: u64, started: Timestamp) -> Template {
    let mut rng = SEED.child("trial", number).rng();
    let factor = (SPREAD * standard_normal(&mut rng)).exp();
    let block = template.trial.block_bytes;
    let window = |row: &WindowRow| {
        let faster = factor * (SPREAD * standard_normal(&mut rng)).exp();
        let more = |count: u64| (count as f64 * faster).round() as u64;
        let sooner = |ns: Option<u64>| ns.map(|ns| (ns as f64 / faster).round() as u64);
        WindowRow {
            trial: number,
            read_bytes: more(row.read_bytes / block) * block,
            written_bytes: more(row.written_bytes / block) * block,
            operations: more(row.operations),
            mean_ns: sooner(row.mean_ns),
            p50_ns: sooner(row.p50_ns),
            max_ns: sooner(row.max_ns),
            ..*row
        }
    };
    let windows: Vec<WindowRow> = template.windows.iter().map(window).collect();
    let count = |of: fn(&WindowRow) -> u64, rows: &[WindowRow]| rows.iter().map(of).sum::<u64>();
    let bytes = count(WindowRow::bytes, &windows) as f64
        / count(WindowRow::bytes, &template.windows).max(1) as f64;
    let more = |rate: Option<f64>| rate.map(|rate| rate * bytes);
    let sooner = |ns: Option<u64>| ns.map(|ns| (ns as f64 / bytes).round() as u64);
    let of = &template.trial;
    let trial = Trial {
        trial: number,
        sitting,
        started,
        bytes: (of.bytes as f64 * bytes).round() as u64,
        operations: (of.operations as f64 * bytes).round() as u64,
        rate_bytes_per_s: more(of.rate_bytes_per_s),
        operations_per_s: more(of.operations_per_s),
        burst_bytes_per_s: more(of.burst_bytes_per_s),
        sustained_bytes_per_s: more(of.sustained_bytes_per_s),
        mean_ns: sooner(of.mean_ns),
        p50_ns: sooner(of.p50_ns),
        p95_ns: sooner(of.p95_ns),
        p99_ns: sooner(of.p99_ns),
        max_ns: sooner(of.max_ns),
        ..of.clone()
    };
    let counted = |(name, value): (&str, f64)| {
        let moved = name.ends_with("_bytes") && (name.contains("wire") || name.contains("member"));
        (name.to_owned(), if moved { value * bytes } else { value })
    };
    Template {
        trial,
        windows,
        observations: template.observations.iter().map(counted).collect(),
        latency: template.latency.clone(),
    }
}

/// A reshape that goes faster by night than by day and is done after so many minutes, and its probes.
fn progress(folder: &Path, readings: u64, begun: Timestamp) -> Result<(), Anyhow> {
    let mut rng = SEED.child("progress", 0).rng();
    let (mut rows, mut probes) = (
        Table::new(folder, names::PROGRESS)?,
        Table::new(folder, names::PROBES)?,
    );
    let speed = |minute: u64| match minute / 60 % 24 {
        8..18 => 0.6,
        _ => 1.3,
    };
    let whole: f64 = (0..readings).map(speed).sum();
    let (mut done, mut read, mut small, mut large) = (0.0, 7e11, 0, 0);
    for minute in 0..readings {
        let probed = minute % 2 == 1;
        let at = begun + SignedDuration::from_secs(60 * minute as i64);
        let fraction = (done / whole).min(0.9999);
        let last = minute + 1 == readings;
        let reported = Reported {
            fraction: Some(if last {
                1.0
            } else {
                (fraction * 1e7).round() / 1e7
            }),
            ..Reported::bare(if last { Word::Finished } else { Word::Running }, "")
        };
        let reading = Reading {
            elapsed: (minute > 0).then_some(60.0),
            probed: (minute > 0).then_some(!probed),
            members_read: Some(read as u64),
            ..Reading::of(at, reported)
        };
        rows.add(&[ProgressRow::of(&reading, Source::Percent, true)])?;
        if probed {
            let noise = (0.1 * standard_normal(&mut rng)).exp();
            let mean = (1.5e7 * noise * (1.0 + 0.5 * speed(minute))) as u64;
            small += 40;
            let row = ProbeRow {
                at,
                simulated: true,
                kind: ProbeRow::SMALL.to_owned(),
                reshape_fraction: Some(fraction),
                reshape_fraction_per_h: Some(60.0 * speed(minute) / whole),
                seconds: 60.0,
                period_s: Some(1.5),
                operations: 40,
                missed_operations: 0,
                busy_fraction: 40.0 * mean as f64 / 6e10,
                rate_bytes_per_s: None,
                mean_ns: Some(mean),
                p50_ns: Some(mean / 10 * 9),
                max_ns: Some(mean * 3),
                next_operation: small,
                cause: String::new(),
            };
            if minute / 2 % LARGE == 0 {
                large += 28;
                probes.add(&[ProbeRow {
                    kind: ProbeRow::LARGE.to_owned(),
                    seconds: 1.0,
                    period_s: None,
                    operations: 28,
                    busy_fraction: 1.0,
                    rate_bytes_per_s: Some(2.9e7 / noise),
                    next_operation: large,
                    ..row.clone()
                }])?;
            }
            probes.add(&[row])?;
        }
        done += speed(minute) * (0.05 * standard_normal(&mut rng)).exp();
        read += 6e9 * speed(minute);
    }
    Ok(())
}

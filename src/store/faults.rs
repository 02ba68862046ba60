//! A disk that fails or forgets at a chosen step, and what is left of a study then: everything that
//! was acknowledged.

use std::cell::RefCell;
use std::collections::BTreeMap;
use std::io;
use std::rc::Rc;

use jiff::Timestamp;

use super::reader::snapshot;
use super::{Disk, Follower, StoreError, Writer, names};
use crate::facts::Facts;
use crate::plan::{Direction, Phase, Set, TestData, Workload};
use crate::record::{Observations, Recording, Shape, Summary, summarize};
use crate::reshape::{Reading, Reported, Source, Word};
use crate::seed::Seed;
use crate::study::tables::{parse, whole};
use crate::study::{
    CheckRow, Config, DataEvent, DataRow, FORMAT, Identity, Mounted, Outcome, ProbeRow,
    ProgressRow, Side, State, Study, SweepRow, Trial, WindowRow,
};
use crate::units::{Bytes, Nanos, Rate};

/// What goes wrong at a step.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Fault {
    /// It fails, and nothing happens.
    Refused,
    /// It fails half-way, where it has a half.
    Torn,
    /// The power goes before it, or after it when `late`; of what is written and not flushed, this part
    /// is found afterwards.
    PowerCut { late: bool, found: f64 },
}

const FAULTS: [Fault; 7] = [
    Fault::Refused,
    Fault::Torn,
    Fault::PowerCut {
        late: false,
        found: 0.0,
    },
    Fault::PowerCut {
        late: false,
        found: 0.7,
    },
    Fault::PowerCut {
        late: true,
        found: 0.0,
    },
    Fault::PowerCut {
        late: true,
        found: 0.4,
    },
    Fault::PowerCut {
        late: true,
        found: 1.0,
    },
];

/// What lies on the disk.
#[derive(Debug, Default)]
struct Platter {
    /// Files as everybody sees them.
    written: BTreeMap<String, Vec<u8>>,
    /// Files as far as they were flushed.
    flushed: BTreeMap<String, Vec<u8>>,
    steps: usize,
}

/// A disk on which one step goes wrong. Clones are the same disk.
#[derive(Clone, Debug)]
struct FaultyDisk {
    platter: Rc<RefCell<Platter>>,
    fault: Fault,
    at: usize,
}

/// What becomes of a step.
#[derive(Clone, Copy, PartialEq)]
enum Step {
    Done,
    /// It is done, and nobody learns of it.
    DoneInVain,
    Half,
    Not,
}

impl FaultyDisk {
    /// A disk with a new study on it, whose step number `at` goes wrong.
    fn new(config: &str, fault: Fault, at: usize) -> Self {
        let disk = Self {
            platter: Rc::default(),
            fault,
            at,
        };
        disk.put(names::CONFIG, config.as_bytes());
        disk
    }

    fn put(&self, name: &str, bytes: &[u8]) {
        let mut platter = self.platter.borrow_mut();
        platter.written.insert(name.to_owned(), bytes.to_vec());
        platter.flushed.insert(name.to_owned(), bytes.to_vec());
    }

    fn step(&self) -> Step {
        let steps = &mut self.platter.borrow_mut().steps;
        *steps += 1;
        match (self.fault, (*steps).cmp(&self.at)) {
            (_, std::cmp::Ordering::Less) => Step::Done,
            (Fault::Refused, std::cmp::Ordering::Equal) => Step::Not,
            (Fault::Torn, std::cmp::Ordering::Equal) => Step::Half,
            (Fault::PowerCut { late: true, .. }, std::cmp::Ordering::Equal) => Step::DoneInVain,
            (Fault::PowerCut { .. }, _) => Step::Not,
            (Fault::Refused | Fault::Torn, std::cmp::Ordering::Greater) => Step::Done,
        }
    }

    /// Does a step: `all`, and for a half of it `half`.
    fn act(
        &self,
        all: impl FnOnce(&mut Platter),
        half: impl FnOnce(&mut Platter),
    ) -> io::Result<()> {
        let step = self.step();
        let platter = &mut self.platter.borrow_mut();
        match step {
            Step::Done | Step::DoneInVain => all(platter),
            Step::Half => half(platter),
            Step::Not => {}
        }
        match step {
            Step::Done => Ok(()),
            Step::DoneInVain | Step::Half | Step::Not => Err(io::Error::other("as told")),
        }
    }

    /// The same disk, sound, as the next start finds it.
    fn found(&self) -> Self {
        let platter = self.platter.borrow();
        let mut files = platter.written.clone();
        if let Fault::PowerCut { found, .. } = self.fault {
            files.retain(|name, bytes| {
                let flushed = platter.flushed.get(name);
                let least = flushed.map_or(0, Vec::len);
                let more = (bytes.len() - least) as f64 * found;
                bytes.truncate(least + more as usize);
                flushed.is_some() || found > 0.0
            });
        }
        let disk = Self::new("", Fault::Refused, usize::MAX);
        files.iter().for_each(|(name, bytes)| disk.put(name, bytes));
        disk
    }

    fn torn(&self, table: &str) -> bool {
        let platter = self.platter.borrow();
        let bytes = platter.written.get(table);
        bytes.is_some_and(|bytes| !whole(bytes).torn.is_empty())
    }
}

impl Disk for FaultyDisk {
    fn read(&self, name: &str) -> io::Result<Option<Vec<u8>>> {
        self.act(|_| {}, |_| {})?;
        Ok(self.platter.borrow().written.get(name).cloned())
    }

    fn append(&mut self, name: &str, bytes: &[u8]) -> io::Result<()> {
        let add = |platter: &mut Platter, bytes: &[u8]| {
            let file = platter.written.entry(name.to_owned()).or_default();
            file.extend(bytes);
        };
        self.act(
            |platter| add(platter, bytes),
            |platter| add(platter, &bytes[..bytes.len() / 2]),
        )
    }

    fn replace(&mut self, name: &str, bytes: &[u8]) -> io::Result<()> {
        let put = |platter: &mut Platter| {
            platter.written.insert(name.to_owned(), bytes.to_vec());
            platter.flushed.insert(name.to_owned(), bytes.to_vec());
        };
        self.act(put, |_| {})
    }

    fn sync(&mut self, name: &str) -> io::Result<()> {
        let flush = |platter: &mut Platter| {
            let bytes = platter.written[name].clone();
            platter.flushed.insert(name.to_owned(), bytes);
        };
        self.act(flush, |_| {})
    }

    fn lock(&mut self, _: &str, _: &str) -> io::Result<Result<(), String>> {
        self.act(|_| {}, |_| {}).map(Ok)
    }

    fn list(&self, folder: &str) -> io::Result<Vec<String>> {
        self.act(|_| {}, |_| {})?;
        let platter = self.platter.borrow();
        let names = platter.written.keys();
        let below = names.filter_map(|name| name.strip_prefix(folder)?.strip_prefix('/'));
        Ok(below.map(str::to_owned).collect())
    }
}

fn now() -> Timestamp {
    "2026-03-02T08:00:00Z".parse().unwrap()
}

fn config() -> Config {
    Config::new(Identity(1), Seed(1), now(), "/mnt/scans".into())
}

/// All that was acknowledged.
#[derive(Debug, Default)]
struct Promised {
    mount: Option<Mounted>,
    facts: Vec<String>,
    data: Vec<DataRow>,
    trials: Vec<(Trial, Vec<WindowRow>)>,
    sweeps: Vec<SweepRow>,
    checks: Vec<CheckRow>,
    progress: Vec<ProgressRow>,
    probes: Vec<ProbeRow>,
}

fn observed() -> Observations {
    [("members".to_owned(), 4.0)].into_iter().collect()
}

/// Trial number `number` with all that was recorded.
fn trial(number: u64) -> (Trial, Recording, Summary) {
    let mut recording = Recording::new(Shape::exact(6, 3));
    for second in 0..6 {
        let ended = Nanos(second * Nanos::SECOND.0);
        recording.record(Direction::Read, 1 << 20, ended, Nanos(5000 * number));
    }
    let summary = summarize(&recording, None);
    let workload = Workload::standard().remove(0);
    let trial = Trial::begin(number, 1, Phase::Before, now(), &workload);
    let trial = Trial {
        state: State::Complete,
        ..trial.with_summary(&summary, &recording)
    };
    (trial, recording, summary)
}

fn reading(seconds: i64) -> ProgressRow {
    let at = Timestamp::from_second(now().as_second() + seconds).unwrap();
    let reading = Reading::of(at, Reported::bare(Word::Absent, ""));
    ProgressRow::of(&reading, Source::Percent, false)
}

fn probe(operations: u64) -> ProbeRow {
    ProbeRow {
        at: now(),
        simulated: false,
        kind: "probe-small".into(),
        reshape_fraction: None,
        reshape_fraction_per_h: None,
        seconds: 60.0,
        period_s: Some(1.5),
        operations,
        missed_operations: 0,
        busy_fraction: 0.01,
        rate_bytes_per_s: None,
        mean_ns: Some(6_000_000),
        p50_ns: None,
        max_ns: Some(9_000_000),
        next_operation: operations,
        cause: String::new(),
    }
}

/// Steps of a manifest, each kind of them.
fn manifest() -> Vec<DataRow> {
    let mut data = TestData::default();
    let mut rows = vec![DataRow::folder(DataEvent::Folder, "poolproof-1")];
    for set in [Set::Read, Set::Write] {
        let file = data.next_file(set, Bytes::MIB, Phase::Before);
        data.next_number += 1;
        rows.push(DataRow::planned("poolproof-1", &file));
        let event = DataEvent::Complete;
        rows.push(DataRow::file(event, "poolproof-1", file.number));
    }
    for event in [DataEvent::Removing, DataEvent::Removed] {
        rows.push(DataRow::file(event, "poolproof-1", 1));
    }
    rows
}

impl Promised {
    /// Two writers, one after the other, use everything there is. It ends at the first error, as the
    /// program does.
    fn write(&mut self, disk: &FaultyDisk) -> Result<(), StoreError> {
        for part in 0..2 {
            let mut writer = Writer::lock(disk.clone(), "scans".into(), "test", now())?;
            if part == 0 {
                let mount = Mounted {
                    point: "/mnt".into(),
                    kind: "nfs4".into(),
                    source: "archive:/scans".into(),
                };
                writer.put_mount(mount.clone())?;
                self.mount = Some(mount);
                self.facts.push(writer.put_facts(Facts::default())?);
                for row in manifest() {
                    writer.add_data(std::slice::from_ref(&row))?;
                    self.data.push(row);
                }
            }
            for _ in 0..2 {
                self.add_trial(&mut writer)?;
            }
            let sweep = SweepRow::of(Bytes::MIB, Rate(5e6));
            writer.add_sweep(sweep.clone())?;
            self.sweeps.push(sweep);
            let check = CheckRow {
                noted: now(),
                done: now(),
                side: Side::Before,
                item: "scrub".into(),
                result: Outcome::Passed,
                by: "the keeper".into(),
                note: "0 mismatches".into(),
            };
            writer.add_check(check.clone())?;
            self.checks.push(check);
        }
        Ok(())
    }

    fn add_trial(&mut self, writer: &mut Writer<FaultyDisk>) -> Result<(), StoreError> {
        let (trial, recording, summary) = trial(writer.study().next_trial());
        writer.add_trial(trial.clone(), &recording, &summary, &observed())?;
        let windows = WindowRow::rows(trial.trial, &recording, &summary);
        self.trials.push((trial, windows));
        Ok(())
    }

    /// A follower adds readings and probes, and tries again what failed.
    fn follow(&mut self, disk: &FaultyDisk) -> Result<(), StoreError> {
        let mut follower = Follower::lock(disk.clone(), "scans".into(), "test", now())?;
        for number in 0..3 {
            let row = reading(300 * number);
            let added = follower.add_reading(row.clone());
            added.or_else(|_| follower.add_reading(row.clone()))?;
            self.progress.push(row);
            let row = probe(number as u64);
            let added = follower.add_probe(row.clone());
            added.or_else(|_| follower.add_probe(row.clone()))?;
            self.probes.push(row);
        }
        Ok(())
    }

    /// Everything promised is in `study`, in order, and next to nothing else.
    fn is_in(&self, study: &Study, manifest: &[DataRow], at: &str) {
        begins(
            &study.trials,
            self.trials.iter().map(|(trial, _)| trial),
            at,
        );
        for (trial, windows) in &self.trials {
            assert_eq!(study.windows.of(trial.trial), *windows, "{at}");
            assert_eq!(study.observations[&trial.trial], observed(), "{at}");
            assert!(study.latency.get(trial.trial).unwrap().is_some(), "{at}");
        }
        begins(manifest, &self.data, at);
        begins(&study.sweeps, &self.sweeps, at);
        begins(&study.checks, &self.checks, at);
        // What was on disk although its flush failed stands there twice when it is tried again.
        let mut progress = Vec::from_iter(&study.progress);
        progress.dedup();
        begins(&progress, &self.progress, at);
        let mut probes = Vec::from_iter(&study.probes);
        probes.dedup();
        begins(&probes, &self.probes, at);
        assert!(
            self.facts.iter().all(|id| study.facts.contains_key(id)),
            "{at}"
        );
        assert!(
            self.mount.is_none() || study.config.mount == self.mount,
            "{at}"
        );
    }
}

/// `found` begins with all that was promised, and at most one more was on its way.
fn begins<'a, T: PartialEq + std::fmt::Debug + 'a>(
    found: &[T],
    promised: impl IntoIterator<Item = &'a T>,
    at: &str,
) {
    let promised: Vec<&T> = promised.into_iter().collect();
    let (all, some) = (found.len(), promised.len());
    assert!((some..=some + 1).contains(&all), "{at}: {all} of {some}");
    assert!(found.iter().zip(promised).all(|(a, b)| a == b), "{at}");
}

/// Opens what is left, compares, and goes on.
fn recover(disk: &FaultyDisk, promised: &Promised, at: &str) {
    let rows = |disk: &FaultyDisk| -> Vec<DataRow> {
        let bytes = disk.read(names::DATA).unwrap().unwrap_or_default();
        parse(names::DATA, &bytes).unwrap()
    };
    let read = snapshot(disk, "scans".into()).unwrap_or_else(|error| panic!("{at}: {error}"));
    promised.is_in(&read, &rows(disk), at);
    let written = [
        names::CHECKS,
        names::DATA,
        names::SWEEP,
        names::WINDOWS,
        names::OBSERVATIONS,
        names::LATENCY,
        names::TRIALS,
    ];
    let torn: Vec<&str> = written
        .into_iter()
        .filter(|table| disk.torn(table))
        .collect();
    let mut writer = Writer::lock(disk.clone(), "scans".into(), "test", now()).unwrap();
    for table in torn {
        let said = |sentence: &String| sentence.starts_with(table) && sentence.contains("torn");
        assert!(writer.recovered().iter().any(said), "{at}: {table}");
    }
    promised.is_in(writer.study(), &rows(disk), at);
    // What goes on is whole.
    let (trial, recording, summary) = trial(writer.study().next_trial());
    let number = trial.trial;
    writer
        .add_trial(trial, &recording, &summary, &observed())
        .unwrap();
    let following = disk.torn(names::PROGRESS) || disk.torn(names::PROBES);
    let mut follower = Follower::lock(disk.clone(), "scans".into(), "test", now()).unwrap();
    assert_eq!(follower.recovered().is_empty(), !following, "{at}");
    follower.add_reading(reading(9_999)).unwrap();
    let study = snapshot(disk, "scans".into()).unwrap();
    assert_eq!(study.remarks, Vec::<String>::new(), "{at}");
    let windows = WindowRow::rows(number, &recording, &summary);
    assert_eq!(study.windows.of(number), windows, "{at}");
    assert_eq!(study.progress.last(), Some(reading(9_999)), "{at}");
}

/// Makes each step of `story` go wrong in each way, and looks what is left; how many there are.
fn each_step(story: Story) -> usize {
    let mut steps = 0;
    for fault in FAULTS {
        for at in 1.. {
            let disk = FaultyDisk::new(&config().render(), fault, at);
            let mut promised = Promised::default();
            let told = story(&mut promised, &disk);
            if disk.platter.borrow().steps < at {
                told.unwrap_or_else(|error| panic!("nothing went wrong, and yet {error}"));
                steps = at - 1;
                break;
            }
            recover(&disk.found(), &promised, &format!("{fault:?} at {at}"));
        }
    }
    steps
}

type Story = fn(&mut Promised, &FaultyDisk) -> Result<(), StoreError>;

#[test]
fn whatever_step_of_a_writer_fails_nothing_acknowledged_is_lost() {
    let steps = each_step(Promised::write);
    assert!(steps > 100, "{steps}");
}

#[test]
fn whatever_step_of_a_follower_fails_nothing_acknowledged_is_lost() {
    let steps = each_step(Promised::follow);
    assert!(steps > 30, "{steps}");
}

/// Moving the manifest of a study of format 1 can fail anywhere, too.
#[test]
fn whatever_step_of_moving_an_old_manifest_fails_it_lists_what_it_did() {
    let config = config()
        .render()
        .replace(&format!("format = {FORMAT}"), "format = 1");
    let old = "folder = \"poolproof-1\"\nnext_number = 80\n\n[[file]]\nnumber = 3\nset = \"read\"\nbytes = \"16 MiB\"\nphase = \"before\"\ncomplete = true\n";
    let mut files = 0;
    for fault in FAULTS {
        for at in 1.. {
            let disk = FaultyDisk::new(&config, fault, at);
            disk.put(names::OLD_DATA, old.as_bytes());
            let done = Writer::lock(disk.clone(), "scans".into(), "test", now()).is_ok();
            let left = snapshot(&disk.found(), "scans".into()).unwrap().data;
            assert_eq!(
                (left.files.len(), left.next_number),
                (1, 80),
                "{fault:?} {at}"
            );
            files += left.files.len();
            if disk.platter.borrow().steps < at {
                assert!(done);
                break;
            }
        }
    }
    assert!(files > 7 * 20, "{files}");
}

//! Sweeps over made-up shares whose caches are known: how much is laid down, and what is found.

use std::path::Path;

use tempfile::TempDir;

use super::*;
use crate::facts::Facts;
use crate::load::{Assignment, LoadError, Measured, Watch};
use crate::plan::{DataFile, Sizing, Space, TestData, working_sets};
use crate::seed::Seed;
use crate::sim::{ClientCache, Scenario, SimulatedShare, demo_scenario, office_hours};
use crate::store;
use crate::study::{Config, Identity, SweepRow};
use crate::units::{Nanos, Rate};

/// A share whose server keeps `cache` GiB, in a study that states `stated` GiB. Nobody else uses it.
struct Rig {
    place: TempDir,
    share: Box<dyn Share>,
    store: Writer,
    said: Vec<String>,
    /// Sizes of what was laid down, step by step.
    laying: Vec<Bytes>,
}

impl Rig {
    fn new(cache: u64, stated: u64) -> Self {
        Self::of(quiet(cache), stated)
    }

    fn of(scenario: Scenario, stated: u64) -> Self {
        let place = tempfile::tempdir().unwrap();
        let config = Config {
            simulated: true,
            server_memory: Some(Bytes::GIB.times(stated)),
            ..Config::new(Identity(3), Seed(3), scenario.start, "SIMULATED".into())
        };
        let store = Writer::create(&place.path().join("study"), &config, "test").unwrap();
        Self {
            share: Box::new(SimulatedShare::new(scenario).unwrap()),
            store,
            place,
            said: Vec::new(),
            laying: Vec::new(),
        }
    }

    fn sweep(&mut self, size: Option<Bytes>, seconds: u64) -> Result<Exit, Failure> {
        self.sweep_until(size, seconds, usize::MAX)
    }

    /// A sweep that somebody stops as soon as its step `stop` is laid down.
    fn sweep_until(
        &mut self,
        size: Option<Bytes>,
        seconds: u64,
        stop: usize,
    ) -> Result<Exit, Failure> {
        let watch = Watch::default();
        (self.said, self.laying) = (Vec::new(), Vec::new());
        let (said, laying) = (&mut self.said, &mut self.laying);
        let mut tell = |event| match event {
            Event::Note(text) | Event::Ahead(text) => said.push(text),
            Event::Laying { bytes } => {
                laying.push(bytes);
                if laying.len() == stop {
                    watch.stop(sitting::STOPPED);
                }
            }
            _ => {}
        };
        let (share, store) = (&mut self.share, &mut self.store);
        sweep(share.as_mut(), store, size, seconds, &watch, &mut tell)
    }

    /// The study as a new reader finds it.
    fn study(&self) -> Study {
        store::read(&self.root()).unwrap()
    }

    fn root(&self) -> std::path::PathBuf {
        Path::new(self.place.path()).join("study")
    }

    fn read_set(&self) -> Bytes {
        self.study().data.bytes(Set::Read)
    }

    fn sets(&self) -> Vec<Bytes> {
        let study = self.study();
        let rows = study.latest_sweep().iter();
        rows.map(|row| Bytes(row.working_set_bytes)).collect()
    }
}

fn quiet(cache: u64) -> Scenario {
    let mut scenario = demo_scenario(Seed(3));
    scenario.server.memory = Bytes::GIB.times(cache);
    scenario.users.operations_per_second = office_hours(0.0, 0.0);
    scenario
}

/// 64 GiB of stated memory ask for 128 GiB, of which a cache of 4 GiB needs some 8.
#[test]
fn a_small_cache_behind_much_stated_memory_is_found_with_little_data() {
    for seconds in [1, 3] {
        let mut rig = Rig::new(4, 64);
        rig.sweep(None, seconds).unwrap();
        let study = rig.study();
        let rows = study.latest_sweep();
        let end = cache_size(&levels(rows)).unwrap();
        // It holds the set of 4 GiB, and 6 GiB is the next.
        let six = Bytes::GIB.times(6);
        let read = rig.read_set();
        assert_eq!((end, read), (six, six.times(2)), "{rows:?}");
        assert_eq!(rig.sets(), working_sets(read), "each is measured once");
        // In one second each, ten of warming do not reach the end of what the drives give alone.
        assert!(rows.iter().all(|row| row.warm), "{rows:?}");
        let laid: Bytes = rig.laying.iter().copied().sum();
        assert_eq!(laid, study.data.total());
        assert!(
            rig.said[0].starts_with(
                "lays down at most 160 GiB of test data, 128 GiB to read, in steps: no more once"
            ),
            "{:?}",
            rig.said
        );
        let told = format!(
            "laid down {} of at most 160 GiB: the {} to read are twice the {} at which memory ends",
            laid.iec(),
            read.iec(),
            end.iec()
        );
        assert!(
            rig.said.contains(&format!("{told}, and no more is needed")),
            "{told}: {:?}",
            rig.said
        );
        // The sitting that follows wants no more than twice the larger of that and of this machine's 8 GiB.
        let (memory, smaller) = needed(&study, Bytes::GIB.times(8));
        assert_eq!(memory.server, Some(end));
        assert!(smaller.unwrap().contains("ask for no more test data"));
        assert_eq!(memory.asks_for(), Bytes::GIB.times(16));

        rig.sweep(None, seconds).unwrap();
        assert_eq!((rig.read_set(), rig.laying.len()), (read, 0));
        assert!(
            rig.said
                .iter()
                .any(|said| said.starts_with("laid down nothing of at most")),
            "{:?}",
            rig.said
        );
    }
}

/// The 8 GiB of the machine that measures ask for 16 GiB; in a memory that holds all of them no end is seen.
#[test]
fn where_no_cache_ends_all_is_laid_down() {
    let mut rig = Rig::new(1024, 4);
    rig.sweep(None, 3).unwrap();
    let whole = Bytes::GIB.times(16);
    let data = rig.study().data;
    assert_eq!(data.bytes(Set::Read), whole);
    assert_eq!(data.bytes(Set::Write), Bytes::GIB.times(4));
    assert_eq!(rig.sets(), working_sets(whole));
    assert_eq!(rig.laying.len(), 5, "1, 2, 4, 8 and 16 GiB to read");
    let told = "laid down 20.0 GiB, as much as a sitting would: ";
    assert!(
        rig.said.iter().any(|said| said.starts_with(told)),
        "{:?}",
        rig.said
    );
    assert_eq!(cache_size(&levels(rig.study().latest_sweep())), None);
}

/// 128 MiB that this machine keeps end before a server's memory begins to show.
#[test]
fn the_end_of_a_very_small_cache_does_not_hide_a_large_one_behind_it() {
    let mut scenario = quiet(1024);
    scenario.client_cache = Some(ClientCache {
        memory: Bytes::MIB.times(128),
        latency: Nanos(10_000),
        rate: Rate(5e9),
        prewarmed: None,
        says_direct: false,
    });
    let mut rig = Rig::of(scenario, 8);
    rig.sweep(None, 3).unwrap();
    let study = rig.study();
    let end = cache_size(&levels(study.latest_sweep())).expect("it is seen");
    assert!(end <= Bytes::MIB.times(256), "{end}");
    assert_eq!(rig.read_set(), Bytes::GIB.times(16));
}

/// A share that is slow, because others use it, while sets from 512 MiB to 1 GiB are read for the first time.
struct Hindered {
    usual: SimulatedShare,
    slow: SimulatedShare,
    latest: Bytes,
    over: bool,
}

impl Share for Hindered {
    fn now(&self) -> Timestamp {
        self.usual.now()
    }

    fn facts(&mut self) -> Facts {
        self.usual.facts()
    }

    fn space(&mut self) -> Result<Space, LoadError> {
        self.usual.space()
    }

    fn open_folder(&mut self, data: &TestData) -> Result<(), LoadError> {
        self.slow.open_folder(data)?;
        self.usual.open_folder(data)
    }

    fn lay_down(&mut self, file: &DataFile, watch: &Watch) -> Result<(), LoadError> {
        self.slow.lay_down(file, watch)?;
        self.usual.lay_down(file, watch)
    }

    fn discard(&mut self, file: &DataFile) -> Result<(), LoadError> {
        self.usual.discard(file)
    }

    fn run(&mut self, assignment: &Assignment<'_>, watch: &Watch) -> Result<Measured, LoadError> {
        let set = assignment.workload.span.expect("a working set");
        self.over |= set < self.latest || set > Bytes::GIB;
        self.latest = set;
        match !self.over && set >= Bytes::MIB.times(512) {
            true => self.slow.run(assignment, watch),
            false => self.usual.run(assignment, watch),
        }
    }
}

/// All is in memory; half of 1 GiB comes a quarter as fast for a while, which looks like the end of a cache.
#[test]
fn a_share_that_was_slow_for_a_while_does_not_end_laying_down() {
    let mut rig = Rig::new(1024, 4);
    let mut slow = quiet(1024);
    slow.network.bits_per_second /= 4;
    rig.share = Box::new(Hindered {
        usual: SimulatedShare::new(quiet(1024)).unwrap(),
        slow: SimulatedShare::new(slow).unwrap(),
        latest: Bytes(0),
        over: false,
    });
    rig.sweep(None, 1).unwrap();
    let told = "memory seemed to end at 512 MiB, and no longer does: more is laid down";
    assert!(rig.said.iter().any(|said| said == told), "{:?}", rig.said);
    let whole = Bytes::GIB.times(16);
    assert_eq!((rig.read_set(), rig.sets()), (whole, working_sets(whole)));
    assert_eq!(cache_size(&levels(rig.study().latest_sweep())), None);
}

#[test]
fn what_is_asked_for_is_laid_down_at_once() {
    let mut rig = Rig::new(4, 64);
    let size = Bytes::GIB.times(20);
    rig.sweep(Some(size), 1).unwrap();
    assert_eq!((rig.read_set(), rig.laying.len()), (size, 1));
    assert!(
        !rig.said.iter().any(|said| said.contains("in steps")),
        "{:?}",
        rig.said
    );
}

#[test]
fn a_sweep_that_is_stopped_between_its_steps_keeps_them_and_the_next_goes_on() {
    let mut rig = Rig::new(1024, 4);
    let failure = rig.sweep_until(None, 1, 3).unwrap_err();
    assert_eq!(failure.exit, Exit::Interrupted);
    assert!(failure.message.contains("is kept"), "{}", failure.message);
    let two = Bytes::GIB.times(2);
    assert_eq!((rig.read_set(), rig.sets()), (two, working_sets(two)));
    let before = rig.study().data.files;
    rig.sweep(None, 1).unwrap();
    let after = rig.study();
    assert_eq!(after.data.files[..before.len()], before);
    assert_eq!(after.latest_sweep()[0].sweep, 2);
    assert_eq!(rig.sets(), working_sets(Bytes::GIB.times(16)));
    assert_eq!(rig.laying.len(), 3, "4, 8 and 16 GiB to read");
}

fn rows(rates: &[(u64, f64)]) -> Vec<SweepRow> {
    let row = |&(mib, mb)| SweepRow::of(Bytes::MIB.times(mib), Rate(mb * 1e6));
    rates.iter().map(row).collect()
}

/// Doubling would go from 8 to 16 GiB, where 12 are twice the end that is seen at 6.
#[test]
fn a_step_goes_no_farther_than_twice_the_end_that_is_seen() {
    let rig = Rig::new(4, 64);
    let memory = Memory {
        client: Bytes::GIB,
        server: Some(Bytes::GIB.times(64)),
    };
    let sizing = Sizing {
        files: Vec::new(),
        read: Bytes::GIB.times(128),
        cacheable: 0.5,
        note: None,
    };
    let steps = || Steps::doubling(rig.store.study(), memory, &sizing);
    let read = |steps: &Steps| steps.memory().asks_for();
    let fast = [(1024, 900.0), (2048, 910.0), (3072, 905.0), (4096, 900.0)];
    let mut seen = rows(&fast);
    let mut without = steps();
    assert_eq!(read(&without), Bytes::GIB.times(8));
    without.grow(&seen);
    assert_eq!(read(&without), Bytes::GIB.times(16));
    seen.extend(rows(&[(6144, 300.0), (8192, 300.0)]));
    let mut with = steps();
    with.grow(&seen);
    assert_eq!(read(&with), Bytes::GIB.times(12));
    // What was not read before is no proof.
    seen.extend(rows(&[(12_288, 300.0)]));
    let mut doubted = seen.clone();
    doubted.last_mut().unwrap().warm = false;
    assert_eq!(with.end(&doubted), None);
    assert_eq!(with.end(&seen), Some(Bytes::GIB.times(6)));
    for _ in 0..3 {
        assert!(without.may_end_early());
        without.grow(&rows(&fast));
    }
    assert_eq!(without.memory(), memory, "the last step is the default");
    assert!(!without.may_end_early());
}

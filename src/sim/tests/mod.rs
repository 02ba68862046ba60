//! Known answers for the made-up share.

mod evidence;

use super::*;
use crate::load::{Assignment, Drive, LoadError, Measured, Share, Watch};
use crate::plan::{DataFile, Pattern, Phase, Set, TestData, Workload};
use crate::pool::{Level, Pool};
use crate::record::summarize;
use crate::seed::Seed;
use crate::units::{Bytes, Nanos};

const FILE: Bytes = Bytes(1 << 30);
const HOUR: Nanos = Nanos(3_600 * Nanos::SECOND.0);

/// The demonstration without anything that comes by chance from outside: no users, no drift; and
/// without probes, which take time.
fn quiet() -> Scenario {
    let mut scenario = demo_scenario(Seed(7));
    scenario.users.operations_per_second = [0.0; 24];
    scenario.drift = 0.0;
    scenario.visibility = Visibility::NONE;
    scenario
}

fn level(level: Level, drives: u32) -> Scenario {
    let mut scenario = quiet();
    scenario.adding = if level == Level::Raid10 { 2 } else { 1 };
    scenario.pool = Pool {
        level,
        drives,
        ..scenario.pool
    };
    scenario
}

/// `read` and `write` files of a gibibyte, as if laid down before.
fn data(read: u64, write: u64) -> TestData {
    let file = |number| DataFile {
        number,
        set: if number < read { Set::Read } else { Set::Write },
        bytes: FILE,
        phase: Phase::Before,
        complete: true,
    };
    TestData {
        folder: "test-data".into(),
        next_number: 0,
        files: (0..read + write).map(file).collect(),
    }
}

fn standard(name: &str) -> Workload {
    Workload::standard()
        .into_iter()
        .find(|workload| workload.name == name)
        .expect("a standard workload")
}

/// A share with test data, and the position of each workload in it.
struct Rig {
    share: SimulatedShare,
    data: TestData,
    trial: u64,
    first: u64,
}

impl Rig {
    fn new(scenario: Scenario) -> Self {
        Self {
            share: SimulatedShare::new(scenario).unwrap(),
            data: data(40, 10),
            trial: 0,
            first: 0,
        }
    }

    fn measure(&mut self, workload: &Workload, seconds: u64) -> Measured {
        let all = [workload.clone()];
        let assignment = Assignment {
            workload,
            pattern: Pattern::new(workload, &all, &self.data, Seed(1)).unwrap(),
            data: &self.data,
            length: Nanos(seconds * Nanos::SECOND.0),
            until: None,
            first: self.first,
            reach: 0,
            trial: self.trial,
            drive: Drive::Usual,
            observe: true,
        };
        self.trial += 1;
        let measured = self.share.run(&assignment, &Watch::default()).unwrap();
        self.first = measured.next_first;
        measured
    }

    /// The rate of one trial over all of its time, flush included.
    fn rate(&mut self, workload: &Workload, seconds: u64) -> f64 {
        let measured = self.measure(workload, seconds);
        let time = measured.recording.ended + measured.flush.unwrap_or_default();
        measured.recording.bytes().0 as f64 / time.secs()
    }

    /// Lets the expansion run to its end.
    fn expand(&mut self) {
        self.share.start_reshape();
        for _ in 0..24 * 30 {
            if self.share.reshape().is_none() {
                return;
            }
            self.share.advance(HOUR);
        }
        panic!("the reshape did not end within 30 days");
    }
}

fn near(seen: f64, expected: f64, tolerance: f64) {
    assert!(
        (seen / expected - 1.0).abs() < tolerance,
        "seen {seen}, expected {expected} within {tolerance}"
    );
}

/// OSTEP chapter 38: sequential reads run at data drives × the rate of a drive, here at 0.6 of its
/// addresses.
#[test]
fn large_reads_are_those_of_the_data_drives() {
    for (scenario, data_drives) in [
        (level(Level::Raid6, 4), 2.0),
        (level(Level::Raid5, 4), 3.0),
        (level(Level::Raid0, 3), 3.0),
        (level(Level::Raid10, 4), 2.0),
        (level(Level::Raid1, 2), 1.0),
    ] {
        let expected = data_drives * scenario.drive.rate_at(0.6).0;
        let rate = Rig::new(scenario).rate(&standard("large-read"), 20);
        near(rate, expected, 0.04);
    }
}

/// 117.685 and 1176.853 MB/s of payload at 1 and 10 Gb/s, MTU 1500 (IEEE 802.3, RFC 791, 9293, 7323;
/// computed in exact arithmetic).
#[test]
fn a_link_caps_large_reads_at_its_payload_rate() {
    for (bits, drives, payload) in [
        (1_000_000_000, 4, 117.685e6),
        (10_000_000_000, 16, 1_176.853e6),
    ] {
        let mut scenario = level(Level::Raid6, drives);
        scenario.network.bits_per_second = bits;
        let rate = Rig::new(scenario).rate(&standard("large-read"), 20);
        near(rate, payload, 0.005);
        assert!(rate <= payload * 1.0001, "{rate}");
    }
}

#[test]
fn a_small_read_waits_for_seek_and_half_a_turn() {
    let scenario = quiet();
    // 40 GiB over two data drives.
    let width = 20.0 * FILE.0 as f64 / 6e12;
    let drive = scenario.drive;
    let small = 16_384.0;
    let expected = drive.mean_seek(width).secs()
        + drive.half_turn().secs()
        + small / drive.rate_at(0.6).0
        + small / scenario.network.payload_rate().0
        + scenario.network.round_trip.secs()
        + scenario.server.request.secs();
    let recording = Rig::new(scenario)
        .measure(&standard("small-read"), 60)
        .recording;
    let windows = || (0..recording.windows.len()).map(|window| recording.window_latency(window));
    let count: u64 = windows().map(|latency| latency.operations).sum();
    let total: f64 = windows()
        .filter_map(|latency| Some(latency.mean_ns? * latency.operations as f64))
        .sum();
    near(total / count as f64 / 1e9, expected, 0.02);
}

/// Chen et al. 1994, Table 3: small writes over small reads are max(1/G, 1/4) for RAID 5 and
/// max(1/G, 1/6) for RAID 6.
#[test]
fn small_writes_cost_their_parity() {
    for (scenario, share) in [
        (level(Level::Raid10, 4), 1.0 / 2.0),
        (level(Level::Raid5, 6), 1.0 / 4.0),
        (level(Level::Raid6, 8), 1.0 / 6.0),
        (level(Level::Raid6, 4), 1.0 / 4.0),
    ] {
        assert_eq!(scenario.pool.small_write_share(), share);
        let reads = Rig::new(scenario.clone()).rate(&standard("small-read-deep"), 20);
        let writes = Rig::new(scenario).rate(&standard("small-write-deep"), 20);
        near(writes / reads, share, 0.15);
    }
}

#[test]
fn large_writes_run_at_the_data_drives_and_burst_at_the_link() {
    let scenario = quiet();
    let expected = 2.0 * scenario.drive.rate_at(0.6).0;
    let link = scenario.network.payload_rate().0;
    let measured = Rig::new(scenario).measure(&standard("large-write"), 20);
    let flush = measured.flush.unwrap();
    let summary = summarize(&measured.recording, measured.flush);
    near(summary.rate.unwrap().0, expected, 0.05);
    near(summary.burst.unwrap().0, link, 0.05);
    // A gibibyte of write-back buffer takes its time.
    near(flush.secs(), Bytes::GIB.0 as f64 / expected, 0.1);
}

#[test]
fn what_was_read_before_comes_from_memory() {
    let mut rig = Rig::new(quiet());
    let reread = Workload {
        span: Some(Bytes::GIB.times(2)),
        ..standard("large-read")
    };
    let drives = rig.rate(&reread, 5);
    rig.first = 0;
    let memory = rig.rate(&reread, 1);
    near(memory, rig.share.scenario().network.payload_rate().0, 0.03);
    assert!(memory > 3.0 * drives);
    rig.share.power_cut();
    rig.first = 0;
    near(rig.rate(&reread, 5), drives, 0.02);
}

/// RAID 6 from four to five drives: 3/2 from the data drives, and the same data moves from 0.6 to
/// 0.4 of each drive.
#[test]
fn old_data_is_read_faster_after_the_expansion_by_drives_and_location() {
    let mut rig = Rig::new(quiet());
    let workload = standard("large-read");
    let before = rig.rate(&workload, 20);
    let space = rig.share.space().unwrap();
    rig.expand();
    assert_eq!(rig.share.pool().drives, 5);
    let after = rig.rate(&workload, 20);
    let drive = rig.share.scenario().drive;
    let location = drive.rate_at(0.4).0 / drive.rate_at(0.6).0;
    near(location, 1.128, 0.001);
    near(after / before, 1.5 * location, 0.05);
    let grown = rig.share.space().unwrap();
    assert_eq!(grown.total.0 * 2, space.total.0 * 3);
    assert!(grown.available > space.available);
}

#[test]
fn data_that_was_moved_is_fast_while_the_rest_still_moves() {
    let mut rig = Rig::new(quiet());
    rig.share.set_priority(Priority::Low);
    rig.share.start_reshape();
    let workload = standard("large-read");
    let unmoved = rig.rate(&workload, 20);
    // The test data lies at 0.6 of the old drives, which is 0.4 of the new ones.
    while rig.share.reshape().unwrap().done.0 < 2_500_000_000_000 {
        rig.share.advance(HOUR);
    }
    let moved = rig.rate(&workload, 20);
    assert!(moved > 1.4 * unmoved, "{moved} {unmoved}");
    assert_eq!(rig.share.pool().drives, 4, "the layout is not finished");
}

#[test]
fn reshape_and_measuring_slow_each_other() {
    let workload = standard("large-read");
    let alone = Rig::new(quiet()).rate(&workload, 20);
    let (mut costs, mut gains) = (Vec::new(), Vec::new());
    for priority in [Priority::Low, Priority::Normal, Priority::High] {
        let mut rig = Rig::new(quiet());
        rig.share.set_priority(priority);
        rig.share.start_reshape();
        let moved = |rig: &Rig| rig.share.reshape().unwrap().done.0 as f64;
        rig.share.advance(Nanos(20 * Nanos::SECOND.0));
        let idle = moved(&rig);
        let during = rig.rate(&workload, 20);
        let loaded = moved(&rig) - idle;
        assert!(loaded < 0.9 * idle, "{priority:?}: {loaded} {idle}");
        let floor = rig.share.scenario().reshape.floor().0 * 20.0;
        if priority != Priority::High {
            // The first second goes by before it notices.
            let second = idle / 20.0;
            assert!(
                loaded > 0.9 * floor && loaded < 1.1 * floor + second,
                "{loaded} {floor}"
            );
        }
        costs.push(1.0 - during / alone);
        gains.push(loaded);
    }
    assert!(gains.is_sorted(), "{gains:?}");
    assert!(costs.is_sorted(), "{costs:?}");
    assert!(costs[0] > 0.02 && costs[2] < 0.9, "{costs:?}");
}

#[test]
fn an_idle_trial_and_passing_time_move_the_reshape_alike() {
    let paced = Workload {
        operations_per_second: Some(1.0),
        ..standard("small-read")
    };
    // In the quiet, and while the office works: minutes that are measured and minutes that pass.
    for scenario in [quiet(), demo_scenario(Seed(7))] {
        let mut rig = Rig::new(scenario.clone());
        rig.share.start_reshape();
        for _ in 0..4 {
            rig.measure(&paced, 60);
        }
        let measured = rig.share.reshape().unwrap().done.0 as f64;
        let took = rig.share.now().duration_since(scenario.start);
        let mut passing = Rig::new(scenario);
        passing.share.start_reshape();
        passing
            .share
            .advance(Nanos::from_secs_f64(took.as_secs_f64()));
        let passed = passing.share.reshape().unwrap().done.0 as f64;
        near(measured, passed, 0.12);
    }
}

#[test]
fn the_office_stretches_the_reshape_to_days() {
    let hours = |scenario| {
        let mut rig = Rig::new(scenario);
        let start = rig.share.now();
        rig.expand();
        rig.share.now().duration_since(start).as_hours()
    };
    let (empty, office) = (hours(quiet()), hours(demo_scenario(Seed(7))));
    assert!(office > empty + 4, "{office} {empty}");
    assert!((48..120).contains(&office), "{office} {empty}");
}

#[test]
fn a_power_cut_goes_back_to_the_checkpoint_and_on() {
    let mut rig = Rig::new(quiet());
    rig.share.start_reshape();
    rig.share.advance(Nanos(90 * Nanos::SECOND.0));
    let before = rig.share.reshape().unwrap().done;
    rig.share.power_cut();
    let cut = rig.share.reshape().unwrap().done;
    // A checkpoint a minute: the last third is lost.
    near(cut.0 as f64, before.0 as f64 * 60.0 / 90.0, 0.01);
    rig.share.advance(Nanos(90 * Nanos::SECOND.0));
    assert!(rig.share.reshape().unwrap().done > before);
}

#[test]
fn other_users_cost_throughput_by_day() {
    let workload = standard("large-read");
    let mut rig = Rig::new(demo_scenario(Seed(7)));
    let day = rig.rate(&workload, 20);
    rig.share.advance(Nanos(14 * HOUR.0));
    let night = rig.rate(&workload, 20);
    assert!(night > 1.1 * day, "{night} {day}");
}

#[test]
fn trials_spread_by_a_few_percent() {
    let mut scenario = quiet();
    scenario.drift = 0.03;
    let mut rig = Rig::new(scenario);
    let rates: Vec<f64> = (0..30)
        .map(|_| {
            rig.share.advance(Nanos(120 * Nanos::SECOND.0));
            rig.first = 0;
            rig.share.power_cut();
            rig.rate(&standard("large-read"), 5).ln()
        })
        .collect();
    let mean = rates.iter().sum::<f64>() / 30.0;
    let variance = rates.iter().map(|rate| (rate - mean).powi(2)).sum::<f64>() / 29.0;
    assert!(
        (0.02..0.04).contains(&variance.sqrt()),
        "{}",
        variance.sqrt()
    );
}

#[test]
fn the_same_seed_gives_the_same_recordings() {
    let run = |seed| {
        let mut rig = Rig::new(demo_scenario(Seed(seed)));
        rig.share.start_reshape();
        let texts: Vec<String> = Workload::standard()
            .iter()
            .map(|workload| {
                rig.first = 0;
                let Measured {
                    recording, flush, ..
                } = rig.measure(workload, 3);
                let bytes: Vec<_> = recording.windows.iter().map(|w| w.bytes()).collect();
                let windows: Vec<_> = (0..recording.windows.len())
                    .map(|window| recording.window_latency(window))
                    .collect();
                let latency: Vec<_> = recording
                    .latency(0)
                    .iter_recorded()
                    .map(|step| (step.value_iterated_to(), step.count_at_value()))
                    .collect();
                format!(
                    "{bytes:?} {windows:?} {latency:?} {flush:?} {:?}",
                    recording.ended
                )
            })
            .collect();
        (texts, rig.share.now(), rig.share.facts())
    };
    assert_eq!(run(3), run(3));
    assert_ne!(run(3).0, run(4).0);
}

#[test]
fn streams_and_pacing_come_through() {
    let workload = Workload {
        streams: 4,
        depth: 2,
        operations_per_second: Some(50.0),
        ..standard("mixed")
    };
    let measured = Rig::new(quiet()).measure(&workload, 10);
    assert_eq!(measured.recording.started + measured.recording.missed, 500);
    assert!(measured.recording.windows.iter().all(|w| w.bytes().0 > 0));
    assert!(measured.flush.is_some());
}

#[test]
fn laying_down_takes_its_time_and_leaves_the_youngest_in_memory() {
    let mut rig = Rig::new(quiet());
    let (start, space) = (rig.share.now(), rig.share.space().unwrap());
    rig.share.open_folder(&TestData::default()).unwrap();
    let watch = Watch::default();
    for file in &rig.data.files {
        rig.share.lay_down(file, &watch).unwrap();
    }
    assert_eq!(watch.bytes(), 50 << 30);
    let rest = rig.share.space().unwrap();
    assert_eq!(space.available.0 - rest.available.0, 50 << 30);
    let seconds = rig.share.now().duration_since(start).as_secs_f64();
    let rate = 2.0 * rig.share.scenario().drive.rate_at(0.6).0;
    near(seconds, (50u64 << 30) as f64 / rate, 0.02);
    // 16 GiB of memory: 10 of the write set, and the last six of the read set.
    let last = Workload {
        name: "last".into(),
        ..standard("large-read")
    };
    rig.first = 35 * 256;
    let memory = rig.rate(&last, 1);
    rig.first = 0;
    assert!(memory > 3.0 * rig.rate(&last, 1));
}

#[test]
fn a_stop_is_honoured() {
    let mut rig = Rig::new(quiet());
    let watch = Watch::default();
    watch.stop("stopped by the test");
    let file = &rig.data.files[0];
    let stopped = rig.share.lay_down(file, &watch);
    assert!(matches!(stopped, Err(LoadError::Stopped)));
    let workload = standard("large-read");
    let all = [workload.clone()];
    let assignment = Assignment {
        workload: &workload,
        pattern: Pattern::new(&workload, &all, &rig.data, Seed(1)).unwrap(),
        data: &rig.data,
        length: Nanos(20 * Nanos::SECOND.0),
        until: None,
        first: 0,
        reach: 0,
        trial: 0,
        drive: Drive::Usual,
        observe: true,
    };
    let measured = rig.share.run(&assignment, &watch).unwrap();
    assert!(measured.interrupted);
    assert!(measured.recording.windows.is_empty());
}

#[test]
fn a_full_pool_says_so() {
    let mut scenario = quiet();
    scenario.filled = 1.0;
    let mut rig = Rig::new(scenario);
    let full = rig.share.lay_down(&rig.data.files[0], &Watch::default());
    assert!(matches!(full, Err(LoadError::Full { .. })));
    assert_eq!(rig.share.space().unwrap().available.0 >> 20, 0);
}

#[test]
fn everything_says_simulated() {
    let mut share = SimulatedShare::new(demo_scenario(Seed(1))).unwrap();
    let facts = share.facts();
    assert!(facts.simulated);
    let mount = facts.mount.unwrap();
    for text in [
        facts.client.system,
        facts.client.kernel,
        mount.point,
        mount.kind,
        mount.source,
    ] {
        assert_eq!(text, "SIMULATED");
    }
}

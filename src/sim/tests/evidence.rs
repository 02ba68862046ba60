//! Known answers for the truth about a trial and for what is observed of it.

use std::collections::BTreeSet;

use super::*;
use crate::record::{Observations, observed};
use crate::sim::scenarios::{self, Caches, Load, Sight};
use crate::units::Rate;

/// Everything can be seen, and nothing is left to history.
fn seen() -> Scenario {
    Scenario {
        visibility: Visibility::ALL,
        prewarmed: Some(0.0),
        ..quiet()
    }
}

fn solid() -> DriveKind {
    DriveKind::Solid(Solid {
        latency: Nanos(100_000),
        rate: Rate(500e6),
    })
}

fn client_cache(prewarmed: f64) -> ClientCache {
    ClientCache {
        memory: Bytes::GIB.times(8),
        latency: Nanos(5_000),
        rate: Rate(4e9),
        prewarmed: Some(prewarmed),
        says_direct: true,
    }
}

fn tier(prewarmed: f64) -> Tier {
    Tier {
        bytes: Bytes::GIB.times(256),
        latency: Nanos(100_000),
        rate: Rate(2e9),
        prewarmed: Some(prewarmed),
    }
}

fn measure(scenario: Scenario, workload: &str, seconds: u64) -> (Measured, Truth) {
    let mut rig = Rig::new(scenario);
    let measured = rig.measure(&standard(workload), seconds);
    (measured, rig.share.truth())
}

fn get(observations: &Observations, name: &str) -> f64 {
    observations
        .get(name)
        .unwrap_or_else(|| panic!("no observation '{name}'"))
}

fn read_from_members(observations: &Observations) -> f64 {
    let members = get(observations, observed::MEMBERS) as usize;
    (0..members)
        .map(|n| get(observations, &observed::member_read(n)))
        .sum()
}

#[test]
fn every_byte_is_accounted_for_once() {
    for seed in 0..80 {
        let (scenario, kind) = scenarios::random(Seed(seed));
        let (measured, truth) = kind.measure(scenario, 1).unwrap();
        let from = truth.from_client_cache
            + truth.from_server_memory
            + truth.from_tier
            + truth.from_drives;
        assert_eq!(from, truth.bytes_read, "seed {seed}");
        let recording = &measured.recording;
        let all: u64 = recording.started * kind.workload.block.0;
        assert_eq!(truth.bytes_read + truth.bytes_written, all, "seed {seed}");
        let windows: u64 = recording.windows.iter().map(|w| w.bytes().0).sum();
        assert_eq!(windows + recording.tail.bytes().0, all, "seed {seed}");
        assert!(truth.unwritten_after_flush <= truth.unwritten_before_flush);
        assert!(truth.unwritten_before_flush <= truth.bytes_written);
    }
}

#[test]
fn each_cache_serves_its_known_part() {
    type Place = fn(&mut Scenario, f64);
    type Account = fn(&Truth) -> u64;
    let caches: [(Place, Account); 3] = [
        (
            |scenario, part| scenario.client_cache = Some(client_cache(part)),
            |truth| truth.from_client_cache,
        ),
        (
            |scenario, part| scenario.prewarmed = Some(part),
            |truth| truth.from_server_memory,
        ),
        (
            |scenario, part| scenario.tier = Some(tier(part)),
            |truth| truth.from_tier,
        ),
    ];
    for (place, account) in caches {
        for part in [0.0, 0.05, 0.5, 1.0] {
            let mut scenario = seen();
            place(&mut scenario, part);
            let (_, truth) = measure(scenario.clone(), "large-read", 5);
            let runs = truth.bytes_read as f64 / f64::from(4 << 20);
            // Binomial, five standard deviations.
            let near = 5.0 * (part * (1.0 - part) / runs).sqrt();
            let seen = account(&truth) as f64 / truth.bytes_read as f64;
            assert!((seen - part).abs() <= near, "{part}: {truth:?}");
            scenario.drive = solid();
            let (_, truth) = measure(scenario, "small-read-deep", 1);
            let seen = truth.hit_ratio().unwrap();
            // Runs of four mebibytes are there or not, and few of 40 GiB are read twice.
            assert!((seen - part).abs() <= 0.02, "{part}: {truth:?}");
        }
    }
}

#[test]
fn a_mixture_has_the_hit_ratio_that_was_drawn() {
    let mut mixtures = 0;
    for seed in 0..200 {
        let (scenario, kind) = scenarios::random(Seed(seed));
        if kind.caches != Caches::Mixture || !kind.workload.reads() {
            continue;
        }
        let (_, truth) = kind.measure(scenario, 2).unwrap();
        let groups = truth.bytes_read as f64 / kind.workload.block.0 as f64;
        let near = 5.0 * (kind.hit_ratio * (1.0 - kind.hit_ratio) / groups).sqrt();
        let hits = truth.hit_ratio().unwrap();
        assert!(
            (hits - kind.hit_ratio).abs() <= near.max(0.03),
            "seed {seed}: {hits} {kind:?}"
        );
        mixtures += 1;
    }
    assert!(mixtures > 10, "{mixtures}");
}

/// Of a packet of 1500 bytes, 1448 are payload, and an interface counts 1514 (RFC 791, 9293, 7323;
/// IEEE 802.3).
#[test]
fn the_wire_carries_what_the_clients_cache_does_not_have() {
    for part in [0.0, 0.5, 0.9] {
        let mut scenario = seen();
        scenario.client_cache = Some(client_cache(part));
        let (measured, truth) = measure(scenario.clone(), "large-read", 5);
        let all = &measured.observations;
        let payload = get(all, observed::WIRE_RECEIVED) * 1448.0 / 1514.0;
        near(
            payload,
            (truth.bytes_read - truth.from_client_cache) as f64,
            0.01,
        );
        // Twelve packets for 16,384 bytes and the protocol's 128.
        let (measured, truth) = measure(scenario, "small-read-deep", 5);
        let fetched = (truth.bytes_read - truth.from_client_cache) as f64;
        let received = get(&measured.observations, observed::WIRE_RECEIVED);
        near(
            received * 16_384.0 / (16_384.0 + 128.0 + 12.0 * 66.0),
            fetched,
            0.01,
        );
    }
}

#[test]
fn a_client_whose_cache_has_it_all_leaves_the_wire_alone() {
    let mut scenario = seen();
    scenario.client_cache = Some(client_cache(1.0));
    let (measured, truth) = measure(scenario, "large-read", 2);
    let all = &measured.observations;
    assert_eq!(truth.from_client_cache, truth.bytes_read);
    assert!(get(all, observed::WIRE_RECEIVED) < 20e3);
    assert_eq!(get(all, observed::PROCESS_FETCHED), 0.0);
    assert_eq!(get(all, observed::PROCESS_ASKED) as u64, truth.bytes_read);
    assert_eq!(read_from_members(all), 0.0);
    let of = get(all, observed::RESIDENT_OF);
    assert_eq!(get(all, observed::RESIDENT_BEFORE), of);
}

#[test]
fn what_was_read_becomes_resident() {
    let mut scenario = seen();
    scenario.client_cache = Some(client_cache(0.0));
    let (measured, truth) = measure(scenario, "large-read", 2);
    let all = &measured.observations;
    // The control reads, before the first look; those that the trial came to are in it.
    let touched: u32 = 64 * 16384;
    assert_eq!(get(all, observed::RESIDENT_BEFORE), f64::from(touched));
    let gained = get(all, observed::RESIDENT_AFTER) - get(all, observed::RESIDENT_BEFORE);
    assert_eq!(gained as u64, truth.bytes_read - u64::from(touched));
    assert_eq!(measured.direct, Some(true), "it says so");
}

#[test]
fn the_members_read_what_the_drives_served() {
    for (stored, workload) in [
        (1.0, "large-read"),
        (0.5, "large-read"),
        (1.0, "small-read"),
    ] {
        let mut scenario = seen();
        (scenario.stored, scenario.prewarmed) = (stored, Some(0.3));
        let (measured, truth) = measure(scenario, workload, 5);
        let read = read_from_members(&measured.observations);
        assert_eq!(read as u64, truth.moved_from_drives);
        near(read, truth.from_drives as f64 * stored, 1e-3);
    }
}

#[test]
fn members_see_other_users_and_parity_too() {
    let mut scenario = seen();
    scenario.users.operations_per_second = [40.0; 24];
    let (measured, truth) = measure(scenario, "large-read", 20);
    let read = read_from_members(&measured.observations) - truth.moved_from_drives as f64;
    let seconds = measured.recording.ended.secs();
    // Poisson: 800 operations, within five standard deviations.
    let block = Bytes::KIB.times(256).0 as f64;
    near(read, 40.0 * seconds * block, 5.0 / 800f64.sqrt());
    let (measured, truth) = measure(seen(), "large-write", 5);
    let all = &measured.observations;
    let written: f64 = (0..4).map(|n| get(all, &observed::member_written(n))).sum();
    // RAID 6 of four drives: two of data, two of parity.
    near(written, 2.0 * truth.bytes_written as f64, 0.01);
    assert!(get(all, &observed::member_busy(0)) > 0.8);
    assert_eq!(all.get(observed::TWICE_OPERATIONS), None, "it only writes");
}

#[test]
fn touching_twice_tells_a_live_cache_from_none() {
    let twice = |scenario: Scenario, workload| {
        let (measured, _) = measure(scenario, workload, 1);
        let all = &measured.observations;
        assert_eq!(get(all, observed::TWICE_OPERATIONS), 64.0);
        let logs = get(all, observed::TWICE_FIRST_LOG) - get(all, observed::TWICE_SECOND_LOG);
        let rates = get(all, observed::TWICE_SECOND_RATE) / get(all, observed::TWICE_FIRST_RATE);
        (logs, rates)
    };
    for drive in [seen().drive, solid()] {
        for workload in ["large-read", "small-read", "mixed"] {
            let mut scenario = Scenario { drive, ..seen() };
            let (logs, rates) = twice(scenario.clone(), workload);
            // From the drive over from memory: 0.32 over 0.22 ms at least.
            let faster = if drive == solid() { 1.3 } else { 10.0 };
            assert!(
                rates > faster && logs > f64::ln(faster),
                "{workload}: {logs} {rates}"
            );
            scenario.server.memory = Bytes(0);
            let (logs, rates) = twice(scenario.clone(), workload);
            // Turns of up to 8.3 ms spread the logarithm by about a half; the difference of two
            // means of 64 has a standard error of 0.09, and four of them are allowed. Where nothing
            // turns, nothing spreads.
            let allowed = if drive == solid() { 0.01 } else { 0.36 };
            assert!(logs.abs() < allowed, "{workload}: {logs}");
            assert!(rates.ln().abs() < allowed, "{workload}: {rates}");
            scenario.client_cache = Some(client_cache(0.0));
            assert!(twice(scenario, workload).0 > 3.0, "{workload}");
        }
    }
}

#[test]
fn the_trial_does_not_read_what_was_touched() {
    for workload in ["large-read", "small-read", "small-read-deep"] {
        let mut scenario = seen();
        scenario.prewarmed = None;
        let (_, truth) = measure(scenario, workload, 5);
        // Sequential trials read the rest of the blocks of which control reads had a piece.
        let most = if workload == "large-read" { 0.004 } else { 0.0 };
        let part = truth.from_server_memory as f64 / truth.bytes_read as f64;
        assert!(part <= most, "{workload}: {part}");
    }
}

#[test]
fn the_demonstration_is_observed_in_full() {
    let (measured, _) = measure(demo_scenario(Seed(7)), "mixed", 3);
    let all = &measured.observations;
    for name in [
        observed::WIRE_RECEIVED,
        observed::WIRE_SENT,
        observed::WIRE_LINE_RATE,
        observed::WIRE_MTU,
        observed::WIRE_IP,
        observed::WIRE_QUIET_RECEIVED,
        observed::WIRE_QUIET_SENT,
        observed::NFS_SERVER_READ,
        observed::NFS_READ,
        observed::PROCESS_ASKED,
        observed::PROCESS_FETCHED,
        observed::RESIDENT_BEFORE,
        observed::RESIDENT_AFTER,
        observed::RESIDENT_OF,
        observed::HOLES,
        observed::TWICE_FIRST_RATE,
        observed::TWICE_SECOND_RATE,
        observed::TWICE_FIRST_LOG,
        observed::TWICE_SECOND_LOG,
        observed::TWICE_OPERATIONS,
        observed::DIRTY_AFTER,
        observed::BUSIEST_CORE,
        observed::CORES,
        observed::PRESSURE_IO,
        observed::PRESSURE_CPU,
        observed::MEMBERS,
    ] {
        get(all, name);
    }
    for n in 0..4 {
        for name in [
            observed::member_read(n),
            observed::member_written(n),
            observed::member_await(n),
            observed::member_busy(n),
        ] {
            assert!(get(all, &name) > 0.0, "{name}");
        }
    }
    assert_eq!(all.get(&observed::member_read(4)), None);
}

#[test]
fn what_cannot_be_seen_has_no_entry() {
    let blind = measure(quiet(), "mixed", 1).0.observations;
    assert_eq!(blind, Observations::default());
    let mut scenario = quiet();
    scenario.visibility.wire = true;
    let wire = measure(scenario, "mixed", 1).0.observations;
    assert!(wire.iter().count() > 0);
    assert!(wire.iter().all(|(name, _)| name.starts_with("wire_")));
}

#[test]
fn other_traffic_is_counted_and_takes_its_part_of_the_link() {
    let mut scenario = seen();
    (scenario.network.bits_per_second, scenario.prewarmed) = (1_000_000_000, Some(1.0));
    let (alone, _) = measure(scenario.clone(), "large-read", 20);
    scenario.network.traffic = Traffic {
        received: Rate(50e6),
        sent: Rate(10e6),
        variation: 0.0,
    };
    let (shared, _) = measure(scenario, "large-read", 20);
    let rate = |measured: &Measured| measured.recording.bytes().0 as f64;
    near(rate(&shared) / rate(&alone), 75.0 / 125.0, 0.01);
    let all = &shared.observations;
    near(get(all, observed::WIRE_QUIET_RECEIVED), 50e6, 0.001);
    near(get(all, observed::WIRE_QUIET_SENT), 10e6, 0.001);
    let more = get(all, observed::WIRE_RECEIVED) - rate(&shared) * 1514.0 / 1448.0;
    near(more, 50e6 * shared.recording.ended.secs(), 0.05);
}

#[test]
fn a_flush_that_lies_leaves_data_behind() {
    let (honest, truth) = measure(seen(), "large-write", 5);
    assert!(truth.unwritten_before_flush > Bytes::GIB.share(9, 10).0);
    assert_eq!(truth.unwritten_after_flush, 0);
    assert!(honest.flush.unwrap() > Nanos::SECOND);
    let mut scenario = seen();
    scenario.server.flush_lies = true;
    let (lying, truth) = measure(scenario, "large-write", 5);
    assert_eq!(truth.unwritten_after_flush, truth.unwritten_before_flush);
    assert!(truth.unwritten_after_flush > Bytes::GIB.share(9, 10).0);
    assert!(lying.flush.unwrap() < Nanos::MILLI);
}

#[test]
fn a_slow_core_is_the_limit_and_is_seen() {
    let mut scenario = seen();
    scenario.prewarmed = Some(1.0);
    scenario.client.operation = Nanos(200_000);
    let (measured, _) = measure(scenario, "small-read-deep", 2);
    near(
        measured.recording.bytes().0 as f64 / 16_384.0 / 2.0,
        4_975.0,
        0.02,
    );
    let all = &measured.observations;
    assert!(get(all, observed::BUSIEST_CORE) > 0.98);
    assert!(get(all, observed::CORES) < 0.3, "one stream of four cores");
    assert!(get(all, observed::PRESSURE_CPU) > 1.0);
}

/// Request and answer, and the drive's latency: no seek, no turn.
#[test]
fn a_small_read_of_a_solid_drive_waits_for_its_latency() {
    let scenario = Scenario {
        drive: solid(),
        ..seen()
    };
    let transfer = 16_384.0 / 500e6 + 17_304.0 / 1.25e9;
    let expected = 100e-6 + transfer + 200e-6 + 15e-6;
    let (measured, truth) = measure(scenario, "small-read", 2);
    near(
        2.0 / (measured.recording.bytes().0 as f64 / 16_384.0),
        expected,
        0.01,
    );
    assert_eq!(truth.hit_ratio(), Some(0.0));
    near(
        get(&measured.observations, &observed::member_await(0)),
        (100e-6 + 16_384.0 / 500e6) * 1e3,
        0.01,
    );
}

#[test]
fn the_same_seed_gives_the_same_observations() {
    let observations = |seed| {
        let (scenario, kind) = scenarios::random(Seed(seed));
        let (measured, truth) = kind.measure(scenario, 1).unwrap();
        (measured.observations, truth)
    };
    for seed in 0..10 {
        assert_eq!(observations(seed), observations(seed), "seed {seed}");
    }
    let demo = |seed| {
        measure(demo_scenario(Seed(seed)), "mixed", 2)
            .0
            .observations
    };
    assert_eq!(demo(3), demo(3));
    assert_ne!(demo(3), demo(4));
}

#[test]
fn scenarios_of_every_kind_are_drawn() {
    let mut drawn = BTreeSet::new();
    for seed in 0..300 {
        let (scenario, kind) = scenarios::random(Seed(seed));
        assert_eq!(
            scenarios::random(Seed(seed)),
            (scenario.clone(), kind.clone())
        );
        SimulatedShare::new(scenario.clone()).unwrap();
        kind.workload.validate().unwrap();
        let clean = kind.caches == Caches::Clean;
        assert!(!clean || kind.hit_ratio == 0.0, "seed {seed}");
        assert!((0.0..=1.0).contains(&kind.hit_ratio));
        let solid = matches!(scenario.drive, DriveKind::Solid(_));
        drawn.extend([
            format!("{:?}", kind.caches),
            format!("hits {} {}", kind.hit_ratio == 0.0, kind.hit_ratio == 1.0),
            format!("traffic {:?}", kind.traffic),
            format!("users {:?}", kind.users),
            format!("sight {:?}", kind.sight),
            format!("solid {solid}"),
            kind.workload.name,
        ]);
        assert_eq!(
            kind.traffic == Load::None,
            scenario.network.traffic.received.0 == 0.0
        );
        assert_eq!(
            kind.sight == Sight::Nothing,
            scenario.visibility == Visibility::NONE
        );
    }
    assert_eq!(drawn.len(), 5 + 3 + 3 + 3 + 4 + 2 + 6, "{drawn:?}");
}

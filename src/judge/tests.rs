//! Whole judgements from made-up records.

use hdrhistogram::Histogram;

use super::*;
use crate::facts::{Facts, Mount};
use crate::plan::{Phase, Workload};
use crate::pool::Level;
use crate::record::{Controls, Observations, observed};
use crate::seed::Seed;
use crate::study::{Config, Expansion, Identity, LatencyLog, Trial, WindowRow, render_latency};
use crate::units::Bytes;

/// A study of one trial of ten seconds: `rate` in bytes per second, all else as it should be.
fn study(workload: &str, rate: f64, observed: &[(&str, f64)]) -> Study {
    let load = Workload::standard()
        .into_iter()
        .find(|load| load.name == workload)
        .unwrap();
    let operations = rate / load.block.0 as f64;
    let latency = f64::from(load.depth * load.streams) / operations * 1e9;
    let now = "2026-03-02T08:00:00Z".parse().unwrap();
    let trial = Trial {
        state: crate::study::State::Complete,
        direct: Some(true),
        steady: true,
        windows: 10,
        bytes: (rate * 10.0) as u64,
        operations: (operations * 10.0) as u64,
        seconds: 10.0,
        rate_bytes_per_s: Some(rate),
        mean_ns: Some(latency as u64),
        facts: "f".into(),
        ..Trial::begin(1, 1, Phase::Before, now, &load)
    };
    let window = |window| WindowRow {
        trial: 1,
        window,
        read_bytes: (rate * f64::from(load.read_percent) / 100.0) as u64,
        written_bytes: (rate * f64::from(100 - load.read_percent) / 100.0) as u64,
        operations: operations as u64,
        mean_ns: Some(latency as u64),
        p50_ns: Some(latency as u64),
        max_ns: Some(latency as u64),
        warmup: false,
    };
    let mount = Mount {
        kind: "nfs4".into(),
        source: "server:/scans".into(),
        ..Mount::default()
    };
    let seen: Observations = observed
        .iter()
        .map(|(name, value)| ((*name).to_owned(), *value))
        .collect();
    let config = Config::new(Identity(1), Seed(1), now, "/mnt/scans".into());
    let mut study = Study::new("scans", config);
    study.trials = vec![trial];
    let windows: Vec<_> = (0..10).map(window).collect();
    study.windows.insert(1, &windows);
    study.observations = [(1, seen)].into();
    let facts = Facts {
        mount: Some(mount),
        ..Facts::default()
    };
    study.facts = [("f".to_owned(), facts)].into();
    study
}

fn judged(study: &Study) -> Judgement {
    judge_all(study).remove(&1).unwrap()
}

/// Gregg, *Systems Performance* (2013), section 12.3.8, by way of public reading notes: a server on
/// one 1 Gbit/s port that "delivers" 50,000 reads of 8 KB a second, over 3.2 Gbit/s.
#[test]
fn the_published_impossible_case_is_called_impossible() {
    let rate = 50_000.0 * 8192.0;
    let judgement = judged(&study(
        "small-read-deep",
        rate,
        &[(observed::WIRE_LINE_RATE, 1e9)],
    ));
    assert_eq!(judgement.ruling.grade, Grade::X);
    let ceiling = judgement
        .evidence
        .iter()
        .find(|sign| sign.source == "link ceiling")
        .unwrap();
    assert!(ceiling.meaning.contains("impossible"), "{ceiling:?}");
    // The payload of 1 GbE at MTU 1500 without options is 118.661 MB/s (IEEE 802.3 framing).
    let least = 1.0 - 118.661e6 / rate;
    assert!((judgement.ruling.cached.unwrap().low - least).abs() < 1e-3);
}

#[test]
fn a_full_link_is_named_as_the_limit() {
    let seen = [
        (observed::WIRE_LINE_RATE, 1e9),
        (observed::WIRE_RECEIVED, 116e7 * 1514.0 / 1448.0),
        (observed::WIRE_QUIET_RECEIVED, 0.0),
        (observed::WIRE_SENT, 1e7),
    ];
    let judgement = judged(&study("large-read", 116e6, &seen));
    assert_eq!(judgement.limiting.limit, Limit::Link);
    assert!(
        judgement.limiting.sentence().contains("1 GbE link"),
        "{:?}",
        judgement.limiting
    );
    assert!(
        judgement
            .limiting
            .sentence()
            .contains("says nothing about the drives")
    );
    assert_eq!(
        judgement.ruling.grade,
        Grade::U,
        "the server is not cleared"
    );
}

#[test]
fn waiting_for_a_core_of_this_client_is_no_latency_of_the_share() {
    let limit = |in_flight, queued| {
        let seen = [
            (observed::LOAD_QUEUED, queued),
            (observed::BUSIEST_CORE, 0.5),
        ];
        let mut study = study("small-read-deep", 116e6, &seen);
        let trial = study.trials.last_mut().unwrap();
        (trial.depth, trial.streams) = (in_flight, 1);
        judged(&study).limiting
    };
    assert_ne!(limit(1, 0.09).limit, Limit::Client);
    let limiting = limit(1, 0.23);
    assert_eq!(limiting.limit, Limit::Client);
    assert_eq!(
        limiting.sentence(),
        "limited by this client: what makes the load waited for a core 23 % of the time, which stands in the latencies"
    );
    // The share works on the others that are in flight meanwhile.
    assert_eq!(limit(8, 0.23).limit, Limit::Undetermined);
    assert_eq!(limit(8, 0.6).limit, Limit::Client);
}

/// What was found alike is one sentence, with the least and the greatest of its figures.
#[test]
fn what_was_found_of_several_is_said_once_with_its_ranges() {
    let waited = |queued| {
        let seen = [
            (observed::LOAD_QUEUED, queued),
            (observed::BUSIEST_CORE, 0.5),
        ];
        judged(&study("small-read-deep", 116e6, &seen)).limiting
    };
    let (more, less) = (waited(0.63), waited(0.52));
    assert!(more.is_like(&less) && !more.is_like(&waited(0.02)));
    assert_eq!(
        Limiting::together(&[&more, &less]),
        "limited by this client: what makes the load waited for a core 52 to 63 % of the time, which stands in the latencies"
    );
    assert_eq!(Limiting::together(&[&more, &more]), more.sentence());
    assert_eq!(Limiting::together(&[]), "");
}

/// Random reads are counted in operations, those in order in bytes.
#[test]
fn what_latency_limits_is_told_in_the_unit_of_the_work() {
    let of = |workload| {
        let mut study = study(workload, 1e6, &[]);
        let trial = study.trials.last_mut().unwrap();
        (trial.depth, trial.streams) = (1, 1);
        (trial.mean_ns, trial.block_bytes) = (Some(2_000_000), 1 << 20);
        judged(&study).limiting
    };
    let (random, ordered) = (of("small-read"), of("large-read"));
    assert_eq!(
        (random.limit, ordered.limit),
        (Limit::Latency, Limit::Latency)
    );
    assert_eq!(
        random.sentence(),
        "limited by latency: 1 in flight, 2.00 ms each on average, make 500.0 op/s; more in flight would be faster"
    );
    assert!(
        ordered.sentence().contains("make 524.3 MB/s;"),
        "{}",
        ordered.sentence()
    );
}

#[test]
fn a_core_that_other_programs_fill_is_no_limit_of_this_client() {
    let limit = |ran: f64, queued| {
        let study = |seen: &[(&'static str, f64)]| study("small-read-deep", 116e6, seen);
        let seconds = study(&[]).trials[0].seconds;
        let seen = [
            (observed::BUSIEST_CORE, 1.0),
            (observed::LOAD_RAN, ran * seconds),
            (observed::LOAD_QUEUED, queued),
        ];
        judged(&study(&seen)).limiting
    };
    assert_eq!(limit(0.95, 0.0).limit, Limit::Client);
    let crowded = limit(0.1, 0.02);
    assert_eq!(crowded.limit, Limit::Undetermined);
    // It is told all the same, as the evidence below it tells it.
    assert_eq!(
        crowded.sentence(),
        "no layer that could be observed was full but this client, which may have a part in it: one of its cores was busy 100 % of the time, by other programs too, while what makes the load ran 10 % and waited for one 2 % of it"
    );
    // Who hardly waited was not held up.
    assert_eq!(
        limit(0.1, 0.004).sentence(),
        "nothing that could be observed tells what limits"
    );
    let starved = limit(0.1, 0.6).sentence();
    assert!(
        starved.contains("other programs on this client kept its cores busy"),
        "{starved}"
    );
}

#[test]
fn what_did_not_cross_the_wire_came_from_this_client() {
    let seen = [
        (observed::WIRE_RECEIVED, 1e8),
        (observed::WIRE_QUIET_RECEIVED, 0.0),
    ];
    let judgement = judged(&study("large-read", 1e8, &seen));
    assert_eq!(judgement.ruling.grade, Grade::X);
    // Give or take 3 % for edges; what of the rest came from the server's memory is not known.
    let cached = judgement.ruling.cached.unwrap();
    assert!((cached.low - 0.87).abs() < 0.01 && cached.estimate.is_none());
    assert_eq!(judgement.limiting.limit, Limit::Cache);
}

#[test]
fn members_that_read_it_all_verify_and_those_that_did_not_reject() {
    let seen = |part: f64| {
        let each = 1e9 * part / 2.0;
        vec![
            (observed::WIRE_RECEIVED, 1.05e9),
            (observed::WIRE_QUIET_RECEIVED, 0.0),
            (observed::MEMBERS, 2.0),
            ("member_0_read_bytes", each),
            ("member_1_read_bytes", each),
            ("member_0_written_bytes", 0.0),
            ("member_1_written_bytes", 0.0),
        ]
    };
    assert_eq!(
        judged(&study("large-read", 1e8, &seen(1.01))).ruling.grade,
        Grade::A
    );
    let warm = judged(&study("large-read", 1e8, &seen(0.17))).ruling;
    assert_eq!(warm.grade, Grade::X);
    assert!(
        warm.reason.contains("about 83 %") || warm.reason.contains("about 84 %"),
        "{warm:?}"
    );
    // When a drive was added that is not counted, it may have moved what is missing.
    let mut grown = of_pool(study("large-read", 1e8, &seen(0.8)), None);
    grown.config.pool.as_mut().unwrap().drives = 2;
    assert_eq!(judged(&grown).ruling.grade, Grade::C);
    grown.trials[0].phase = Phase::After;
    let some = judged(&grown);
    assert_eq!(some.ruling.grade, Grade::U, "{some:?}");
    let mut sources = some.evidence.iter().map(|sign| sign.source);
    assert!(sources.any(|source| source == "uncounted drives"));
}

#[test]
fn without_observations_nothing_speaks_for_or_against_a_trial() {
    let judgement = judged(&study("large-read", 1e8, &[]));
    assert_eq!(
        (judgement.ruling.grade, judgement.ruling.cached),
        (Grade::U, None)
    );
    assert_eq!(judgement.limiting.limit, Limit::Undetermined);
}

#[test]
fn a_record_that_contradicts_itself_is_rejected() {
    let mut study = study("small-read-deep", 4e6, &[]);
    let mut windows = study.windows.of(1);
    for window in &mut windows {
        window.mean_ns = window.mean_ns.map(|ns| ns * 2);
    }
    study.windows.insert(1, &windows);
    assert_eq!(judged(&study).ruling.grade, Grade::X);
}

/// A pool of five drives with two parities, of platters or of memory.
fn of_pool(mut study: Study, rpm: Option<u32>) -> Study {
    study.config.pool = Some(Expansion {
        level: Level::Raid6,
        drives: 5,
        adding: 1,
        drive_size: None,
        rpm,
        drive_rate: None,
    });
    study
}

/// 2,000 random reads a second are nothing for solid drives. Platters at 7,200 turns do 240 at most
/// each, so that five of them did 1,200 of these.
#[test]
fn what_solid_drives_do_every_day_is_impossible_for_platters() {
    let study = |rpm| of_pool(study("small-read-deep", 2_000.0 * 4096.0, &[]), rpm);
    let mut rotating = study(Some(7200));
    rotating.trials[0].operations_per_s = Some(2_000.0);
    let mut solid = study(None);
    solid.trials[0].operations_per_s = Some(2_000.0);
    assert_eq!(judged(&solid).ruling.grade, Grade::U);
    let ruling = judged(&rotating).ruling;
    assert_eq!(ruling.grade, Grade::C);
    assert!((ruling.cached.unwrap().low - 0.4).abs() < 1e-6);
}

/// Small writes in place to two parities move three bytes each way for one. Half of it on the drives
/// is a flush that lies, where the reads for parity agree; full stripes, of another kind of
/// pool, are none.
#[test]
fn parity_is_part_of_what_a_small_write_costs() {
    let ruling = |read: f64, written: f64| {
        let each = (0..5).flat_map(|member| {
            [
                (observed::member_read(member), read * 4e7 / 5.0),
                (observed::member_written(member), written * 4e7 / 5.0),
            ]
        });
        let each: Vec<(String, f64)> = each.collect();
        let mut seen = vec![
            (observed::MEMBERS, 5.0),
            (observed::MEMBERS_QUIET_READ, 0.0),
            (observed::MEMBERS_QUIET_WRITTEN, 0.0),
        ];
        seen.extend(each.iter().map(|(name, bytes)| (name.as_str(), *bytes)));
        let mut study = of_pool(study("small-write-deep", 4e6, &seen), Some(7200));
        study.trials[0].flush_seconds = Some(0.1);
        judged(&study).ruling
    };
    assert_eq!(ruling(2.0, 3.0).grade, Grade::A);
    let half = ruling(1.0, 1.5);
    assert!((half.cached.unwrap().estimate.unwrap() - 0.5).abs() < 0.01);
    assert_eq!(half.grade, Grade::X);
    assert_eq!(ruling(0.0, 5.0 / 3.0).grade, Grade::U);
    assert_eq!(ruling(0.0, 0.5).grade, Grade::X);
}

/// A file system that writes new stripes in part (copy on write) puts two bytes on four drives for one and need
/// read nothing for it: what it read beside the trial's own reads is no parity that a cache had served.
#[test]
fn beside_reads_nothing_is_said_of_those_that_parity_may_need() {
    let ruling = |read: f64| {
        let (asked, written) = (0.75 * 4e7, 2.0 * 0.25 * 4e7);
        let each: Vec<(String, f64)> = (0..4)
            .flat_map(|member| {
                [
                    (observed::member_read(member), read * asked / 4.0),
                    (observed::member_written(member), written / 4.0),
                ]
            })
            .collect();
        let mut seen = vec![
            (observed::MEMBERS, 4.0),
            (observed::MEMBERS_QUIET_READ, 0.0),
            (observed::MEMBERS_QUIET_WRITTEN, 0.0),
        ];
        seen.extend(each.iter().map(|(name, bytes)| (name.as_str(), *bytes)));
        let mut study = of_pool(study("mixed", 4e6, &seen), None);
        let pool = study.config.pool.as_mut().unwrap();
        (pool.level, pool.drives) = (Level::Raid5, 4);
        study.trials[0].flush_seconds = Some(0.1);
        judged(&study)
    };
    let more = ruling(1.6);
    assert_eq!(more.ruling.grade, Grade::U, "{:?}", more.ruling);
    let told = meaning(&more, "member drives").unwrap();
    assert!(told.contains("for parity or for others"), "{told}");
    // What they did not read at all came from elsewhere, whatever parity needs.
    let less = ruling(0.2).ruling;
    assert_eq!(less.grade, Grade::X, "{less:?}");
    assert!((less.cached.unwrap().low - 0.75 * 0.8).abs() < 0.01);
}

/// Reads that were slow at first, while the reshape was at work, and fast again in a pause of it.
#[test]
fn what_a_reshape_did_between_two_touches_is_no_cache() {
    let ruling = |phase| {
        let seen = [
            (observed::TWICE_FIRST_LOG, 2e6_f64.ln()),
            (observed::TWICE_SECOND_LOG, 8e4_f64.ln()),
        ];
        let mut study = study("small-read", 5e7, &seen);
        study.trials[0].phase = phase;
        let mut fast = Histogram::<u64>::new_with_bounds(1, 3_600_000_000_000, 3).unwrap();
        fast.record_n(80_000, 1_000).unwrap();
        let log = render_latency(
            1,
            study.trials[0].started,
            10.0,
            &fast,
            &Controls::default(),
            true,
        );
        study.latency = LatencyLog::parse(log.as_bytes()).unwrap();
        judged(&study).ruling.grade
    };
    assert_eq!(ruling(Phase::Before), Grade::X);
    assert_eq!(ruling(Phase::During), Grade::U);
}

/// Four drives of 50 MB/s stated cannot read more than 200 MB/s.
#[test]
fn reads_as_fast_as_the_drives_can_are_limited_by_them() {
    let limit = |rate: f64| {
        let mut study = of_pool(study("large-read", rate, &[]), None);
        let pool = study.config.pool.as_mut().unwrap();
        (pool.drives, pool.drive_rate) = (4, Some(Bytes(50_000_000)));
        judged(&study).limiting
    };
    let full = limit(195e6);
    assert_eq!(full.limit, Limit::Drives);
    assert!(
        full.sentence()
            .contains("195.0 MB/s, where 4 drives read 200.0 MB/s"),
        "{}",
        full.sentence()
    );
    assert_eq!(limit(170e6).limit, Limit::Undetermined);
}

#[test]
fn a_lying_flush_is_seen_at_the_members() {
    let seen = [
        (observed::MEMBERS, 1.0),
        ("member_0_read_bytes", 0.0),
        ("member_0_written_bytes", 2e8),
    ];
    let mut study = study("large-write", 1e8, &seen);
    study.trials[0].flush_seconds = Some(0.0);
    assert_eq!(judged(&study).ruling.grade, Grade::X);
}

#[test]
fn a_drive_that_does_not_do_its_share_and_a_slow_one_are_named() {
    let mut seen = vec![(observed::MEMBERS, 3.0)];
    let names: Vec<[String; 3]> = (0..3)
        .map(|n| {
            [
                observed::member_read(n),
                observed::member_written(n),
                observed::member_await(n),
            ]
        })
        .collect();
    for (n, [read, written, wait]) in names.iter().enumerate() {
        seen.push((read, if n == 2 { 1e8 } else { 4.5e8 }));
        seen.push((written, 0.0));
        seen.push((wait, if n == 1 { 40.0 } else { 9.0 }));
    }
    let evidence = judged(&study("large-read", 1e8, &seen)).evidence;
    let told = |source| evidence.iter().find(|sign| sign.source == source).unwrap();
    assert!(told("share of each drive").meaning.contains("drive 3"));
    assert!(told("slow drive").seen.contains("drive 2"));
}

/// What the evidence of `source` was taken to mean.
fn meaning(judgement: &Judgement, source: &str) -> Option<String> {
    let mut evidence = judgement.evidence.iter();
    let sign = evidence.find(|sign| sign.source == source)?;
    assert_eq!(sign.says, Says::Remark, "{source}");
    Some(sign.meaning.clone())
}

#[test]
fn a_client_that_is_full_or_starved_is_told_of() {
    let by = |busiest, waited, queued: Option<f64>| {
        let mut seen = vec![
            (observed::BUSIEST_CORE, busiest),
            (observed::PRESSURE_CPU, waited),
        ];
        seen.extend(queued.map(|part| (observed::LOAD_QUEUED, part)));
        judged(&study("large-read", 1e8, &seen))
    };
    let of = |busiest, waited| {
        let judgement = by(busiest, waited, None);
        assert!(!judgement.ruling.grade.is_void());
        meaning(&judgement, "this client").unwrap()
    };
    assert!(of(0.97, 0.0).contains("one core was full"));
    assert!(of(0.3, 5.0).contains("took processors away"));
    assert!(of(0.3, 0.1).contains("time to spare"));
    // Of what waited, the load may have been the least part.
    let judgement = by(0.97, 5.0, Some(0.004));
    let sign = judgement.evidence.iter();
    let sign = sign
        .clone()
        .find(|sign| sign.source == "this client")
        .unwrap();
    assert!(
        sign.seen
            .contains("some program of this machine waited for a processor")
    );
    assert!(
        sign.seen.contains("the load itself 0 % of the time"),
        "{sign:?}"
    );
    assert!(sign.meaning.contains("the load hardly waited"), "{sign:?}");
    let unseen = judged(&study("large-read", 1e8, &[]));
    assert_eq!(meaning(&unseen, "this client"), None);
}

#[test]
fn what_a_client_has_not_handed_on_is_told_of_writes() {
    let of = |workload, dirty| {
        let seen = [(observed::DIRTY_AFTER, dirty)];
        meaning(&judged(&study(workload, 1e8, &seen)), "dirty memory")
    };
    assert!(of("large-write", 5e8).unwrap().contains("unwritten data"));
    assert!(of("large-write", 1e6).unwrap().contains("no sign"));
    assert_eq!(of("large-read", 5e8), None);
}

#[test]
fn blocks_that_a_memory_could_have_kept_are_told_of() {
    let of = |next, cacheable| {
        let mut study = study("large-read", 1e8, &[]);
        let trial = &mut study.trials[0];
        (trial.next_operation, trial.pass_operations) = (next, 100);
        (trial.test_data_bytes, trial.cacheable_fraction) = (1 << 30, cacheable);
        meaning(&judged(&study), "repeated blocks")
    };
    assert!(of(150, 1.0).is_some());
    assert_eq!((of(100, 1.0), of(150, 0.0)), (None, None));
}

#[test]
fn data_that_compresses_by_half_gives_compression_away() {
    let of = |zeros, half| {
        let seen = [
            (observed::WRITE_ZEROS, zeros),
            (observed::WRITE_HALF, half),
            (observed::WRITE_RANDOM, 1e8),
        ];
        meaning(&judged(&study("large-write", 1e8, &seen)), "compression").unwrap()
    };
    assert!(of(1e8, 1.6e8).contains("compresses;"));
    assert!(of(1.6e8, 1e8).contains("compresses;"));
    assert!(of(1e8, 1e8).contains("no sign"));
}

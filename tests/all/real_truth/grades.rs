//! The program's grade of a trial, against what the share counted.

use std::time::Duration;

use poolproof::judge::{Grade, Judgement, judge_all};
use poolproof::store;

use super::config::{Cache, Config, Direct, Flush, Positioning, Writes};
use super::program::Scene;
use super::{MIB, SMALL};
use crate::support::say;

/// 7,200 turns a minute; the seek is common practice, no source.
const TURNING: Positioning =
    Positioning::SeekAndTurn(Duration::from_millis(8), Duration::from_micros(8333));

/// What `study.toml` says of the pool: four rotating drives without parity.
const ROTATING: &str = "[pool]\nlevel = \"raid0\"\ndrives = 4\nadding = 1\nrpm = 7200\n";

/// How the share is asked for the counters of its members.
fn members(scene: &Scene) -> String {
    format!(
        "[server]\ndiskstats_command = \"cat '{}'\"\nmembers = [\"sda\", \"sdb\", \"sdc\", \"sdd\"]\n",
        scene.members()
    )
}

/// Judges the last trial of a fresh study of such a share.
fn judged(scene: &Scene, workload: &str, seconds: &str) -> Judgement {
    scene.measure(&[workload], seconds);
    let study = store::read(scene.study().as_ref()).unwrap();
    let (trial, judgement) = judge_all(&study).pop_last().expect("a trial was judged");
    say(&format!(
        "truth share: trial {trial} of {workload}: {:?}",
        judgement.ruling
    ));
    judgement
}

/// The estimate lies within 5 points of what the share counted.
#[track_caller]
fn assert_estimated(judgement: &Judgement, counted: f64) {
    let cached = judgement.ruling.cached.expect("the part can be estimated");
    assert!(
        (cached.figure() - counted).abs() <= 0.05,
        "{cached:?}, counted {counted:.3}"
    );
}

/// The part of reads of `length` that came from the server's memory.
fn counted(scene: &Scene, length: u32) -> f64 {
    let reads = scene.counts().reads_of(length);
    reads.from_cache.operations as f64 / reads.total().operations as f64
}

#[test]
fn members_show_what_the_servers_memory_served() {
    for part in [0.0, 0.3, 0.8] {
        for (workload, length) in [("small-read", SMALL), ("large-read", MIB)] {
            let config = Config {
                cache: Cache::Set(part),
                ..Config::default()
            };
            let Some(scene) = Scene::set(&config) else {
                return;
            };
            scene.configure(&members(&scene));
            let judgement = judged(&scene, workload, "3");
            if part == 0.0 {
                assert_eq!(judgement.ruling.grade, Grade::A, "{judgement:?}");
                continue;
            }
            assert!(!judgement.ruling.grade.holds(), "{judgement:?}");
            // A large read is answered from memory in part: only bytes tell.
            if length == SMALL {
                assert_estimated(&judgement, counted(&scene, length));
            } else {
                assert_estimated(&judgement, part);
            }
        }
    }
}

/// Without a cache, this share's drives are no platters: a seek may be of no length.
#[test]
fn times_of_small_reads_show_it_where_the_server_is_not_asked() {
    for part in [0.3, 0.8] {
        let config = Config {
            cache: Cache::Set(part),
            positioning: TURNING,
            ..Config::default()
        };
        let Some(scene) = Scene::set(&config) else {
            return;
        };
        scene.configure(ROTATING);
        let judgement = judged(&scene, "small-read", "6");
        assert!(!judgement.ruling.grade.holds(), "{judgement:?}");
        let cached = judgement.ruling.cached.expect("times tell a part");
        let counted = counted(&scene, SMALL);
        // A twentieth, and what a drive of the share answers quicker than any platter.
        assert!(
            cached.low <= counted && (cached.figure() - counted).abs() <= 0.1,
            "{cached:?}, counted {counted:.3}"
        );
    }
}

#[test]
fn direct_reads_that_this_side_answers_are_no_reads_of_platters() {
    let config = Config {
        direct: Direct::Lies(Duration::from_micros(20)),
        positioning: TURNING,
        ..Config::default()
    };
    let Some(scene) = Scene::set(&config) else {
        return;
    };
    scene.configure(&format!("{ROTATING}\n{}", members(&scene)));
    let judgement = judged(&scene, "small-read", "2");
    assert_eq!(scene.counts().reads_of(SMALL).from_drives.operations, 0);
    assert_eq!(judgement.ruling.grade, Grade::X, "{judgement:?}");
    assert_estimated(&judgement, 1.0);
}

#[test]
fn a_flush_that_lies_is_found_out_on_rotating_drives() {
    for flush in [Flush::Drains, Flush::Lies] {
        let config = Config {
            drive_rate: 20_000_000,
            writes: Writes::Buffered(64 << 20),
            positioning: TURNING,
            flush,
            ..Config::default()
        };
        let Some(scene) = Scene::set(&config) else {
            return;
        };
        scene.configure(&format!("{ROTATING}\n{}", members(&scene)));
        let judgement = judged(&scene, "large-write", "2");
        let lies = scene.counts().flushed_yet_buffered > 0;
        assert_eq!(lies, matches!(flush, Flush::Lies));
        // The rate stands where as much reaches the drives as is written; the flush is told of.
        let mut evidence = judgement.evidence.iter();
        let told = evidence.any(|sign| sign.source == "flush");
        assert_eq!(
            told || !judgement.ruling.grade.holds(),
            lies,
            "{judgement:?}"
        );
    }
}

//! The program sees of the share what it is.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;
use std::time::Duration;

use super::config::{Cache, Config, Direct, Flush, Positioning, Writes};
use super::counts::Counts;
use super::share::TruthShare;
use super::{MIB, SMALL, mount, quick};
use crate::support::{allow, poolproof, say};

/// Blocks that are read before a trial of reads to see whether they stay in this machine's cache.
const LOOKED_AT: u64 = 1;

/// A study of a share.
pub(super) struct Scene {
    pub(super) share: TruthShare,
    study: String,
}

impl Scene {
    pub(super) fn set(config: &Config) -> Option<Self> {
        let share = mount(config)?;
        let study = share.beside().join("scans").to_string_lossy().into_owned();
        poolproof(&["new", &study, "--share", &share.path().to_string_lossy()]);
        // What is read at a time comes to the share in one request and is in one of its memories.
        let config = Path::new(&study).join("study.toml");
        let text = fs::read_to_string(&config).unwrap();
        let pieces = text
            .replace("\"16 KiB\"", "\"4 KiB\"")
            .replace("\"4 MiB\"", "\"1 MiB\"");
        fs::write(&config, pieces).unwrap();
        Some(Self { share, study })
    }

    /// Adds lines to `study.toml`.
    pub(super) fn configure(&self, more: &str) {
        let config = Path::new(&self.study).join("study.toml");
        let text = fs::read_to_string(&config).unwrap();
        fs::write(&config, format!("{text}\n{more}")).unwrap();
        allow(&self.study);
    }

    /// The folder of the study.
    pub(super) fn study(&self) -> &str {
        &self.study
    }

    /// The file with the counters of the share's members.
    pub(super) fn members(&self) -> String {
        self.share.members().to_string_lossy().into_owned()
    }

    /// What the share counted.
    pub(super) fn counts(&self) -> Counts {
        self.share.counts()
    }

    pub(super) fn words<'a>(&'a self, workloads: &[&'a str], seconds: &'a str) -> Vec<&'a str> {
        let mut words = vec!["measure", &self.study, "--phase", "before"];
        words.extend(["--size", "64MiB", "--trials", "1", "--seconds", seconds]);
        // Of a choice by turns, what they read would have to be told from what the trial did.
        words.extend(["--submit", "ring"]);
        let named = workloads.iter().flat_map(|name| ["--workload", name]);
        words.extend(named);
        words
    }

    /// Measures one trial of a workload by threads.
    pub(super) fn measure_by_threads(&self, workload: &str) {
        let words = self.words(&[workload], "1").into_iter();
        let submission = |word| if word == "ring" { "threads" } else { word };
        poolproof(&words.map(submission).collect::<Vec<_>>());
    }

    /// Measures one trial of each workload.
    pub(super) fn measure(&self, workloads: &[&str], seconds: &str) {
        poolproof(&self.words(workloads, seconds));
    }

    pub(super) fn rows(&self, table: &str) -> Vec<Row> {
        let path = Path::new(&self.study).join(table);
        let mut reader = csv::Reader::from_path(path).unwrap();
        let rows = reader.deserialize().map(|row| Row(row.unwrap()));
        rows.collect()
    }

    /// Untouched blocks that were read twice before the trial of `row`.
    pub(super) fn touched(&self, row: &Row) -> u64 {
        let seen = self.rows("observations.csv").into_iter();
        let mut seen = seen.filter(|seen| {
            seen.0["name"] == "twice_operations" && seen.0["trial"] == row.0["trial"]
        });
        let value = &seen.next().expect("the blocks were touched").0["value"];
        value.parse::<f64>().expect("it is a number") as u64
    }

    /// Control reads beside the trial of `row`, as many as there were: each twice before it, and of a random trial, which
    /// passes over their blocks, half of them once more after it.
    pub(super) fn control_reads(&self, row: &Row) -> u64 {
        let touched = self.touched(row);
        match &*row.0["access"] {
            "random" => 2 * touched + touched / 2,
            _ => 2 * touched,
        }
    }

    /// Reads of whole blocks of the trial itself: its position, less what it passed over.
    pub(super) fn own_reads(&self, row: &Row) -> u64 {
        let passed = match &*row.0["access"] {
            "random" => self.touched(row),
            _ => 0,
        };
        row.operations_started() - passed
    }

    /// The row of the last trial of `workload`.
    pub(super) fn trial(&self, workload: &str) -> Row {
        let rows = self.rows("trials.csv").into_iter().rev();
        let mut rows = rows.filter(|row| row.0["workload"] == workload);
        rows.next().expect("the workload was measured")
    }
}

/// A row of a table by name of column.
pub(super) struct Row(pub(super) BTreeMap<String, String>);

impl Row {
    pub(super) fn number(&self, column: &str) -> u64 {
        let cell = &self.0[column];
        cell.parse()
            .unwrap_or_else(|_| panic!("{column} is no number: {cell:?}"))
    }

    pub(super) fn operations_started(&self) -> u64 {
        self.number("next_operation") - self.number("first_operation")
    }

    fn median(&self) -> Duration {
        Duration::from_nanos(self.number("p50_ns"))
    }
}

/// The program saw what the share meant, and what a busy machine may add: never less.
#[track_caller]
fn assert_seen(seen: Duration, meant: Duration) {
    // Both histograms keep three digits.
    assert!(
        seen >= meant.mul_f64(0.995) && seen <= meant.mul_f64(1.5) + Duration::from_millis(3),
        "meant {meant:?}, seen {seen:?}"
    );
}

#[test]
fn the_program_counts_and_times_what_the_share_serves() {
    let Some(scene) = Scene::set(&Config::default()) else {
        return;
    };
    let windows = |trial: u64| -> u64 {
        let rows = scene.rows("windows.csv").into_iter();
        let rows = rows.filter(|row| row.number("trial") == trial);
        rows.map(|row| row.number("read_bytes")).sum()
    };
    scene.measure(&["small-read", "large-read"], "3");
    let counts = scene.share.counts();
    assert_eq!(counts.reads().from_cache.bytes, 0);
    for (workload, length) in [("small-read", SMALL), ("large-read", MIB)] {
        let (row, reads) = (scene.trial(workload), counts.reads_of(length));
        assert_eq!((&*row.0["state"], &*row.0["direct"]), ("complete", "true"));
        let (served, recorded) = (reads.total(), windows(row.number("trial")));
        say(&format!(
            "truth share: {workload}: served {served:?}, in whole windows {recorded}, meant {:?}, seen {:?}",
            reads.median(),
            row.median()
        ));
        assert!(scene.touched(&row) >= 8);
        // Control reads of large blocks are smaller. One block more is read to see whether it stays in this machine's
        // cache.
        let beside = match workload {
            "small-read" => scene.control_reads(&row),
            _ => 0,
        };
        assert_eq!(
            served.operations,
            scene.own_reads(&row) + beside + LOOKED_AT
        );
        assert_eq!(served.bytes, served.operations * u64::from(length));
        let in_flight = row.number("depth") * u64::from(length);
        let measured = served.bytes - (beside + LOOKED_AT) * u64::from(length);
        assert!((recorded..=recorded + in_flight).contains(&measured));
        assert_seen(row.median(), reads.median());
    }
    // A median of 6 ms plus what the transfer takes, from some 450 draws.
    let meant = counts.reads_of(SMALL).median().as_secs_f64();
    assert!((0.0055..0.0066).contains(&meant), "{meant}");
}

#[test]
fn the_part_in_the_cache_is_the_part_that_was_asked_for() {
    let config = Config {
        cache: Cache::Set(0.7),
        ..Config::default()
    };
    let Some(scene) = Scene::set(&config) else {
        return;
    };
    scene.measure(&["small-read"], "3");
    let reads = scene.share.counts().reads_of(SMALL);
    let (cached, all) = (reads.from_cache.operations, reads.total().operations);
    let fraction = cached as f64 / all as f64;
    say(&format!(
        "truth share: {cached} of {all} reads from the cache: {fraction:.3}"
    ));
    // Four standard errors of a fraction among blocks read once each.
    let error = (0.7 * 0.3 / all as f64).sqrt();
    assert!((fraction - 0.7).abs() < 4.0 * error, "{fraction}");
    let row = scene.trial("small-read");
    assert_seen(row.median(), reads.median());
    assert!(
        row.median() < Duration::from_millis(4),
        "{:?}",
        row.median()
    );
}

#[test]
fn depth_24_is_24_in_flight_at_the_share() {
    // 7,200 turns a minute; the seek is common practice, no source.
    let (seek, turn) = (Duration::from_millis(8), Duration::from_micros(8333));
    let positioning = Positioning::SeekAndTurn(seek, turn);
    let Some(scene) = Scene::set(&Config {
        positioning,
        ..Config::default()
    }) else {
        return;
    };
    scene.measure(&["small-read-deep"], "2");
    let (row, counts) = (scene.trial("small-read-deep"), scene.share.counts());
    assert_eq!(row.number("depth"), 24);
    assert_eq!(counts.most_in_flight, 24);
    let reads = counts.reads_of(SMALL);
    let expected = scene.own_reads(&row) + scene.control_reads(&row) + LOOKED_AT;
    assert_eq!(reads.total().operations, expected);
    assert_seen(row.median(), reads.median());
}

#[test]
fn submissions_take_turns_and_the_trial_goes_on_behind_them() {
    let Some(scene) = Scene::set(&Config::default()) else {
        return;
    };
    let mut words = scene.words(&["small-read-deep"], "2");
    words.retain(|word| !["--submit", "ring"].contains(word));
    // So much that the trial does not come to its end.
    let words: Vec<&str> = words
        .into_iter()
        .map(|word| if word == "64MiB" { "256MiB" } else { word })
        .collect();
    poolproof(&words);
    let (row, counts) = (scene.trial("small-read-deep"), scene.share.counts());
    let (submission, reason) = (&row.0["submission"], &row.0["submission_reason"]);
    say(&format!("truth share: {submission}: {reason}"));
    assert!(reason.starts_with("measured: "), "{reason}");
    // All that the turns read is counted, and nothing of it is read again.
    let expected = scene.own_reads(&row) + scene.control_reads(&row) + LOOKED_AT;
    let reads = counts.reads_of(SMALL).total().operations;
    assert_eq!(reads, expected);
    assert!(row.number("next_operation") < row.number("pass_operations"));
    poolproof(&words);
    let again = scene.trial("small-read-deep");
    assert_eq!(&again.0["submission"], submission);
    assert_eq!(again.0["submission_reason"], "as trial 1");
}

#[test]
fn a_broken_block_fails_its_trial_and_keeps_the_others() {
    let workloads = ["small-read", "large-read"];
    let Some(scene) = Scene::set(&Config::default()) else {
        return;
    };
    scene.measure(&workloads, "2");
    scene.share.break_last_read(MIB);
    let words = scene.words(&workloads, "2");
    let ended = crate::support::program().args(&words).output().unwrap();
    assert!(!ended.status.success());
    // Touching blocks before the trial may meet it too, which the trial outlives.
    assert!((1..=2).contains(&scene.share.counts().errors));
    assert_eq!(scene.rows("trials.csv").len(), 4);
    let (small, large) = (scene.trial("small-read"), scene.trial("large-read"));
    assert_eq!(small.0["state"], "complete");
    assert_eq!(large.0["state"], "failed");
    let cause = &large.0["cause"];
    assert!(cause.contains("reading file"), "{cause}");
}

#[test]
fn a_flush_takes_as_long_as_the_drain_unless_it_lies() {
    let slow = Config {
        drive_rate: 20_000_000,
        writes: Writes::Buffered(64 << 20),
        ..Config::default()
    };
    let mut seconds = Vec::new();
    for flush in [Flush::Drains, Flush::Lies] {
        let config = Config {
            flush,
            ..slow.clone()
        };
        let Some(scene) = Scene::set(&config) else {
            return;
        };
        scene.measure(&["large-write"], "1");
        let row = scene.trial("large-write");
        assert_eq!(row.0["state"], "complete");
        let not_drained = scene.share.counts().flushed_yet_buffered;
        let took: f64 = row.0["flush_seconds"].parse().unwrap();
        say(&format!(
            "truth share: {flush:?}: {took} s, {not_drained} bytes not on the drives"
        ));
        assert_eq!(not_drained > 0, matches!(flush, Flush::Lies));
        seconds.push(took);
    }
    // Most of the 64 MiB wait for 80 MB/s of drives.
    assert!(
        seconds[0] > 0.4 && seconds[1] < seconds[0] / 4.0,
        "{seconds:?}"
    );
}

#[test]
fn refused_direct_reads_go_through_the_page_cache() {
    let direct = Direct::Refused;
    let Some(scene) = Scene::set(&Config { direct, ..quick() }) else {
        return;
    };
    scene.measure(&["small-read"], "1");
    let row = scene.trial("small-read");
    assert_eq!((&*row.0["state"], &*row.0["direct"]), ("complete", "false"));
    let (started, reads) = (row.operations_started(), scene.share.counts().reads());
    say(&format!(
        "truth share: {started} buffered reads, {} at the share",
        reads.total().operations
    ));
    assert!(
        reads.total().operations < started,
        "the page cache answered some"
    );
}

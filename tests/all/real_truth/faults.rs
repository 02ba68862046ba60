//! The program on a share that refuses, cuts short, fills up and loses what was written.

use std::fs;
use std::path::Path;

use fuser::Errno;
use poolproof::plan::content::{self, Address};
use poolproof::store;

use super::config::{Config, Direct};
use super::program::{Row, Scene};
use super::{MIB, SMALL, quick};
use crate::under_way::UnderWay;

/// What the program says when it measures in vain; its exit code is that of a share that fails.
#[track_caller]
fn measure_in_vain(scene: &Scene, workloads: &[&str]) -> String {
    let words = scene.words(workloads, "1");
    let ended = crate::support::program().args(&words).output().unwrap();
    let said = String::from_utf8_lossy(&ended.stderr).into_owned();
    assert_eq!(ended.status.code(), Some(4), "{said}");
    said
}

/// What was observed beside the trial of `row`.
fn observed(scene: &Scene, row: &Row, name: &str) -> Option<String> {
    let mut rows = scene.rows("observations.csv").into_iter();
    let row = rows.find(|seen| seen.0["name"] == name && seen.0["trial"] == row.0["trial"]);
    row.map(|row| row.0["value"].clone())
}

#[test]
fn direct_transfers_that_are_refused_become_buffered_with_an_empty_cache() {
    let direct = Direct::RefusedLate;
    let Some(scene) = Scene::set(&Config { direct, ..quick() }) else {
        return;
    };
    let workloads = ["small-read", "small-read-deep", "small-write-deep"];
    scene.measure(&workloads, "1");
    for workload in workloads {
        let row = scene.trial(workload);
        assert_eq!((&*row.0["state"], &*row.0["direct"]), ("complete", "false"));
        let notes = &row.0["notes"];
        let says = "direct I/O is refused here: buffered, with this client's cache emptied";
        assert!(notes.contains(says), "{workload}: {notes}");
        if workload != "small-write-deep" {
            // Touching blocks comes first; of 64 MiB that is next to nothing, read ahead or not.
            let before =
                observed(&scene, &row, "resident_before_bytes").expect("pages are counted");
            let of = observed(&scene, &row, "resident_of_bytes").expect("pages are counted");
            let (before, of): (f64, f64) = (before.parse().unwrap(), of.parse().unwrap());
            assert!(before < of, "{before} of {of}");
        }
    }
}

#[test]
fn direct_transfers_that_pass_are_seen_to_pass() {
    let Some(scene) = Scene::set(&quick()) else {
        return;
    };
    scene.measure(&["mixed"], "1");
    let row = scene.trial("mixed");
    assert_eq!(row.0["direct"], "true");
    for name in [
        "direct_read_resident_fraction",
        "direct_write_resident_fraction",
    ] {
        assert_eq!(
            observed(&scene, &row, name).as_deref(),
            Some("0.0"),
            "{name}"
        );
    }
}

/// Bytes of a control read of larger blocks.
const CONTROL: u64 = 16 << 10;

#[test]
fn short_answers_are_finished_and_never_counted_as_whole() {
    let halves = true;
    let Some(scene) = Scene::set(&Config { halves, ..quick() }) else {
        return;
    };
    scene.share.reset();
    let one_at_a_time = |name: &str, reads: u32| {
        format!(
            "[[workload]]\nname = \"{name}\"\nread_percent = {reads}\naccess = \"random\"\nblock = \"64 KiB\"\ndepth = 1\n"
        )
    };
    let (patron, scribe) = (one_at_a_time("patron", 100), one_at_a_time("scribe", 0));
    scene.describe(&(patron + &scribe));
    // A ring, then threads, since one read at a time has no use for a ring; then threads write. (The kernel itself makes an error of a short write that
    // a ring has in flight on FUSE.)
    for (workload, block) in [("large-read", MIB), ("patron", 65_536)] {
        scene.measure(&[workload], "1");
        let (row, counts) = (scene.trial(workload), scene.share.counts());
        assert_eq!(row.0["state"], "complete", "{}", row.0["cause"]);
        assert_eq!(
            row.0["submission"],
            if workload == "patron" {
                "threads"
            } else {
                "ring"
            }
        );
        // Each read is asked for by halves until the last 4 KiB, which come whole.
        let (mut rest, mut served) = (block, 0);
        while rest > SMALL {
            let part = counts.reads_of(rest).total();
            assert_eq!(part.bytes, part.operations * u64::from(rest / 2));
            served += part.bytes;
            rest /= 2;
        }
        let last = counts.reads_of(SMALL).total();
        // One more is read to see whether it stays in the cache.
        let (whole, control) = (scene.own_reads(&row) + 1, scene.control_reads(&row));
        assert_eq!(last.operations, whole + control);
        let bytes = whole * u64::from(block) + control * CONTROL;
        assert_eq!(served + last.bytes, bytes);
        scene.share.reset();
    }
    scene.measure_by_threads("scribe");
    let row = scene.trial("scribe");
    assert_eq!(row.0["state"], "complete", "{}", row.0["cause"]);
    assert!(row.operations_started() > 0);
    scene.check_content();
}

#[test]
fn a_share_that_fills_up_within_a_trial_ends_the_sitting_and_keeps_what_is_finished() {
    let Some(scene) = Scene::set(&quick()) else {
        return;
    };
    scene.measure(&["large-write"], "1");
    // Past what is written before the trial.
    scene.share.fill_up_after(80);
    let said = measure_in_vain(&scene, &["large-write", "small-write-deep"]);
    assert!(said.contains("No space left on device"), "{said}");
    assert!(said.contains("finished trials are kept"), "{said}");
    let rows = scene.rows("trials.csv");
    assert_eq!(rows.len(), 2, "it ended at once");
    assert_eq!(
        (&*rows[0].0["state"], &*rows[1].0["state"]),
        ("complete", "failed")
    );
    let cause = &rows[1].0["cause"];
    assert!(cause.starts_with("writing file "), "{cause}");
    assert!(rows[1].operations_started() > 0);
}

/// Quota that is used up, a handle that the server no longer knows, a share that turned read-only: each
/// in the midst of a sitting.
#[test]
fn an_answer_that_is_an_error_fails_its_trial_and_is_its_cause() {
    for (error, workload, says) in [
        (Errno::EDQUOT, "small-write-deep", "Disk quota exceeded"),
        (Errno::ESTALE, "small-read", "Stale file handle"),
        (Errno::EROFS, "small-write-deep", "Read-only file system"),
    ] {
        let Some(scene) = Scene::set(&quick()) else {
            return;
        };
        let sitting = UnderWay::begin(&scene.many(&[workload]));
        sitting.wait_for_trials(Path::new(scene.study()), 1);
        scene.share.refuse(Some(error));
        let (code, said) = sitting.end();
        assert_eq!(code, Some(4), "{said}");
        let rows = scene.rows("trials.csv");
        let (last, before) = rows.split_last().unwrap();
        assert_eq!(before[0].0["state"], "complete", "{workload}");
        assert_eq!(last.0["state"], "failed", "{workload}");
        assert!(last.0["cause"].contains(says), "{}", last.0["cause"]);
        assert!(said.contains("finished trials are kept"), "{said}");
        scene.share.refuse(None);
        scene.measure(&[workload], "1");
    }
}

#[test]
fn a_flush_that_fails_fails_its_trial() {
    let Some(scene) = Scene::set(&quick()) else {
        return;
    };
    scene.measure(&["small-read", "large-write"], "1");
    scene.share.fail_flushes();
    let said = measure_in_vain(&scene, &["small-read", "large-write"]);
    let (read, write) = (scene.trial("small-read"), scene.trial("large-write"));
    assert_eq!(
        (&*read.0["state"], &*write.0["state"]),
        ("complete", "failed")
    );
    let cause = &write.0["cause"];
    let says = "flushing file ";
    assert!(
        cause.starts_with(says) && cause.contains("Input/output error"),
        "{cause}"
    );
    assert!(
        write.number("bytes") > 0,
        "what was written stays on record"
    );
    assert!(said.contains(says), "{said}");
}

#[test]
fn files_that_cannot_be_opened_leave_a_failed_trial() {
    let Some(scene) = Scene::set(&quick()) else {
        return;
    };
    scene.measure(&["small-read"], "1");
    let folder = scene.test_data();
    for entry in fs::read_dir(&folder).unwrap() {
        let file = entry.unwrap().path();
        if file
            .file_name()
            .is_some_and(|name| name.to_string_lossy().starts_with("read-"))
        {
            fs::remove_file(file).unwrap();
        }
    }
    let said = measure_in_vain(&scene, &["small-read"]);
    let row = scene.trial("small-read");
    assert_eq!((&*row.0["state"], &*row.0["windows"]), ("failed", "0"));
    assert!(row.0["cause"].starts_with("opening "), "{}", row.0["cause"]);
    assert!(said.contains("failed: opening "), "{said}");
    assert_eq!(scene.rows("trials.csv").len(), 2);
}

impl Scene {
    /// Adds to what the study was told.
    fn describe(&self, more: &str) {
        let path = Path::new(self.study()).join("study.toml");
        let text = fs::read_to_string(&path).unwrap();
        fs::write(path, format!("{text}\n{more}")).unwrap();
    }

    /// The folder with the test data.
    fn test_data(&self) -> std::path::PathBuf {
        let study = store::read(Path::new(self.study())).unwrap();
        self.share.path().join(study.data.folder)
    }

    /// Reads all test data and checks that every block is what belongs there.
    fn check_content(&self) {
        let study = store::read(Path::new(self.study())).unwrap();
        for file in &study.data.files {
            let bytes = fs::read(self.test_data().join(file.name())).unwrap();
            assert_eq!(bytes.len() as u64, file.bytes.0);
            for (block, content) in (0..).zip(bytes.chunks(content::BLOCK)) {
                let address = Address {
                    study: study.config.id.0,
                    file: file.number,
                    block,
                    generation: 0,
                };
                let checked = content::check(content, address);
                assert!(
                    checked.is_ok(),
                    "{} block {block}: {checked:?}",
                    file.name()
                );
            }
        }
    }
}

//! Trials on a folder of this machine, with rings that are refused or slow to end.

use std::io;
use std::path::Path;
use std::thread::sleep;
use std::time::Duration;

use super::*;
use crate::load::{Drive, Submission};
use crate::plan::{Operation, Pattern, Phase, Set, Workload};
use crate::record::observed;
use crate::seed::Seed;
use crate::units::{Bytes, Nanos};

/// A share in `folder` with four files of test data to read and four to write.
fn share(folder: &Path) -> (LocalShare, TestData) {
    let mut share = LocalShare {
        root: folder.to_owned(),
        study: Identity(3),
        typed: "scans".into(),
        folder: None,
        observer: None,
        server: Server::default(),
        link_gigabits: None,
        ring: ring::run,
    };
    let mut data = TestData {
        folder: "test-data".into(),
        ..TestData::default()
    };
    for set in [Set::Read, Set::Write] {
        for _ in 0..4 {
            let file = data.next_file(set, Bytes::MIB.times(4), Phase::Before);
            data.next_number += 1;
            data.files.push(file);
        }
    }
    share.open_folder(&data).unwrap();
    for file in &mut data.files {
        share.lay_down(file, &Watch::default()).unwrap();
        file.complete = true;
    }
    (share, data)
}

fn run(share: &mut LocalShare, data: &TestData, workload: &Workload) -> Measured {
    run_with(share, data, workload, Drive::Usual)
}

fn run_with(
    share: &mut LocalShare,
    data: &TestData,
    workload: &Workload,
    drive: Drive,
) -> Measured {
    let all = [workload.clone()];
    let assignment = Assignment {
        workload,
        pattern: Pattern::new(workload, &all, data, Seed(3)).unwrap(),
        data,
        length: Nanos::SECOND,
        until: None,
        first: 0,
        reach: 0,
        trial: 1,
        drive,
        observe: false,
    };
    share.run(&assignment, &Watch::default()).unwrap()
}

/// Has `test` done with a trial of `workload` over 200 ms on a drive.
pub(super) fn on_trial<T>(workload: &Workload, test: impl FnOnce(&Trial<'_>) -> T) -> T {
    let folder = tempfile::tempdir_in("/var/tmp").unwrap();
    let (share, data) = share(folder.path());
    let all = [workload.clone()];
    let assignment = Assignment {
        workload,
        pattern: Pattern::new(workload, &all, &data, Seed(3)).unwrap(),
        data: &data,
        length: Nanos(200_000_000),
        until: None,
        first: 0,
        reach: 0,
        trial: 1,
        drive: Drive::Usual,
        observe: false,
    };
    let watch = Watch::default();
    let opened = direct::open(share.folder(), &assignment, &watch).unwrap();
    test(&Trial::new(&assignment, 0, share.study, &opened, &watch))
}

pub(super) fn standard(name: &str) -> Workload {
    let mut all = Workload::standard().into_iter();
    all.find(|workload| workload.name == name).unwrap()
}

#[test]
fn threads_take_over_where_rings_are_refused() {
    let folder = tempfile::tempdir().unwrap();
    let (mut share, data) = share(folder.path());
    share.ring = |_| Err(RingError::Setup(io::Error::from_raw_os_error(libc::EPERM)));
    let measured = run(&mut share, &data, &standard("small-read-deep"));
    assert_eq!(measured.submission, Submission::Threads);
    let says = |note: &String| note.starts_with("no io_uring ring here (Operation not permitted");
    assert!(measured.notes.iter().any(says), "{:?}", measured.notes);
    assert!(measured.recording.failure.is_none());
    assert!(measured.recording.bytes() > Bytes(0));
}

#[test]
fn a_submission_is_chosen_by_measuring_and_the_trial_goes_on_behind() {
    let folder = tempfile::tempdir_in("/var/tmp").unwrap();
    let (mut share, data) = share(folder.path());
    for name in ["small-read-deep", "small-write-deep"] {
        let measured = run_with(&mut share, &data, &standard(name), Drive::Measured);
        let reason = &measured.submission_reason;
        assert!(reason.starts_with("measured: "), "{name}: {reason}");
        let seen = |name| measured.observations.get(name).unwrap_or(f64::NAN);
        assert!(seen(observed::RING_RATE) > 0.0 && seen(observed::THREADS_RATE) > 0.0);
        assert!(seen(observed::RING_PROCESSOR) > 0.0 && seen(observed::THREADS_PROCESSOR) > 0.0);
        assert!((0.5..60.0).contains(&seen(observed::SUBMISSION_CHOICE)));
        let started = measured.recording.started;
        assert!(
            measured.next_first > started + 32,
            "{name}: turns come before the trial"
        );
        if name == "small-write-deep" {
            let from = seen(observed::WRITTEN_FROM);
            assert_eq!(from, (measured.next_first - started) as f64);
        }
    }
}

#[test]
fn no_choice_is_made_where_there_is_none() {
    let folder = tempfile::tempdir().unwrap();
    let (mut share, data) = share(folder.path());
    let one = run_with(&mut share, &data, &standard("small-read"), Drive::Measured);
    assert_eq!(
        (one.submission, one.submission_reason.as_str()),
        (Submission::Threads, "one operation at a time")
    );
    let deep = standard("small-read-deep");
    let asked = Drive::Given(Submission::Threads, "asked for".to_owned());
    let given = run_with(&mut share, &data, &deep, asked);
    assert_eq!(
        (given.submission, given.submission_reason.as_str()),
        (Submission::Threads, "asked for")
    );
    share.ring = |_| Err(RingError::Setup(io::Error::from_raw_os_error(libc::EPERM)));
    let refused = run_with(&mut share, &data, &deep, Drive::Measured);
    let why = "no io_uring ring here (Operation not permitted (os error 1))";
    assert_eq!(
        (refused.submission, refused.submission_reason.as_str()),
        (Submission::Threads, why)
    );
    // What is compared keeps its way of submission where it can, and says where it cannot.
    let usual = Drive::Given(Submission::Ring, "as trial 1".to_owned());
    let instead = run_with(&mut share, &data, &deep, usual);
    assert_eq!(
        (instead.submission, instead.submission_reason.as_str()),
        (Submission::Threads, why)
    );
    assert!(
        instead
            .notes
            .iter()
            .any(|note| note.ends_with(": threads instead"))
    );
}

#[test]
fn the_flush_counts_from_the_end_of_the_last_write() {
    const GAP: Duration = Duration::from_millis(250);
    let folder = tempfile::tempdir().unwrap();
    let (mut share, data) = share(folder.path());
    share.ring = |trial| {
        let run = threads::run(trial).map_err(RingError::Setup);
        sleep(GAP);
        run
    };
    let workload = Workload {
        depth: 2,
        ..standard("large-write")
    };
    let measured = run(&mut share, &data, &workload);
    let flush = measured.flush.expect("it wrote");
    assert!(flush >= Nanos::from(GAP), "{flush}");
    assert!(measured.recording.ended > Nanos(0));
}

#[test]
fn writing_back_to_see_whether_it_passes_the_cache_leaves_the_data_as_it_was() {
    let folder = tempfile::tempdir_in("/var/tmp").unwrap();
    let (share, data) = share(folder.path());
    let workload = Workload {
        read_percent: 50,
        ..standard("mixed")
    };
    let all = [workload.clone()];
    let assignment = Assignment {
        workload: &workload,
        pattern: Pattern::new(&workload, &all, &data, Seed(3)).unwrap(),
        data: &data,
        length: Nanos::SECOND,
        until: None,
        first: 0,
        reach: 0,
        trial: 1,
        drive: Drive::Usual,
        observe: false,
    };
    let content = || {
        let read =
            |file: &DataFile| std::fs::read(folder.path().join("test-data").join(file.name()));
        let files = data.files.iter().map(|file| read(file).unwrap());
        files.collect::<Vec<_>>()
    };
    let before = content();
    let opened = direct::open(share.folder(), &assignment, &Watch::default()).unwrap();
    drop(opened);
    assert!(before == content(), "looking changed the test data");
}

#[test]
fn a_transfer_that_is_refused_is_told_from_one_that_fails() {
    let operation = Operation {
        direction: crate::plan::Direction::Read,
        file: 0,
        offset: 0,
        pass: 0,
    };
    let failure = |number| Failure::Operation {
        operation,
        cause: Cause::Os(number),
    };
    assert!(refused(Some(&failure(libc::EINVAL))));
    assert!(!refused(Some(&failure(libc::EIO))));
    assert!(!refused(None));
    let flush = Failure::Flush {
        file: 0,
        cause: Cause::Os(libc::EINVAL),
    };
    assert!(
        !refused(Some(&flush)),
        "flushing is no matter of direct I/O"
    );
}

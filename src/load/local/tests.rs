//! Trials on a folder of this machine, with engines that are refused or slow to end.

use std::io;
use std::path::Path;
use std::thread::sleep;
use std::time::Duration;

use super::*;
use crate::plan::{Operation, Pattern, Phase, Set, Workload};
use crate::seed::Seed;
use crate::units::{Bytes, Nanos};

/// A share in `folder` with four files of test data to read and four to write.
fn share(folder: &Path) -> (LocalShare, TestData) {
    let mut share = LocalShare {
        root: folder.to_owned(),
        study: Identity(3),
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
            let file = data.next_file(set, Bytes::MIB, Phase::Before);
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
    let all = [workload.clone()];
    let assignment = Assignment {
        workload,
        pattern: Pattern::new(workload, &all, data, Seed(3)).unwrap(),
        data,
        length: Nanos::SECOND,
        until: None,
        first: 0,
        trial: 1,
        observe: false,
    };
    share.run(&assignment, &Watch::default()).unwrap()
}

fn standard(name: &str) -> Workload {
    let mut all = Workload::standard().into_iter();
    all.find(|workload| workload.name == name).unwrap()
}

#[test]
fn threads_take_over_where_rings_are_refused() {
    let folder = tempfile::tempdir().unwrap();
    let (mut share, data) = share(folder.path());
    share.ring = |_| Err(RingError::Setup(io::Error::from_raw_os_error(libc::EPERM)));
    let measured = run(&mut share, &data, &standard("small-read-deep"));
    assert_eq!(measured.engine, Engine::Threads);
    let says = |note: &String| note.starts_with("no io_uring ring here (Operation not permitted");
    assert!(measured.notes.iter().any(says), "{:?}", measured.notes);
    assert!(measured.recording.failure.is_none());
    assert!(measured.recording.bytes() > Bytes(0));
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
        trial: 1,
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

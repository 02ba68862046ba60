//! Laying down on a share of which every step is seen, and where any may fail.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use jiff::Timestamp;
use tempfile::TempDir;

use super::*;
use crate::facts::Facts;
use crate::load::{Assignment, Measured};
use crate::plan::TestData;
use crate::seed::Seed;
use crate::store;
use crate::study::{Config, Identity};

/// A share of bytes that are only counted. Before each file is made it reads the study's manifest,
/// as a cleaner after a power cut would.
struct Ledger {
    study: PathBuf,
    space: Space,
    files: BTreeMap<u64, Bytes>,
    /// The file, by its turn, that finds the share full when half of it is written.
    full_at: Option<usize>,
    /// Whether what is left of it can be removed.
    removes: bool,
    laid: usize,
    /// What others write while one file is laid down.
    others: Bytes,
}

impl Ledger {
    fn used(&self) -> Bytes {
        self.files.values().copied().sum::<Bytes>() + self.others.times(self.laid as u64)
    }
}

impl Share for Ledger {
    fn now(&self) -> Timestamp {
        Timestamp::UNIX_EPOCH
    }

    fn facts(&mut self) -> Facts {
        Facts::default()
    }

    fn space(&mut self) -> Result<Space, LoadError> {
        Ok(Space {
            available: self.space.available.saturating_sub(self.used()),
            ..self.space
        })
    }

    fn open_folder(&mut self, data: &TestData) -> Result<(), LoadError> {
        let listed = store::read(&self.study).unwrap().data;
        assert!(!data.folder.is_empty());
        assert_eq!(
            listed.folder, data.folder,
            "the folder is listed before it is made"
        );
        Ok(())
    }

    fn lay_down(&mut self, file: &DataFile, watch: &Watch) -> Result<(), LoadError> {
        let listed = store::read(&self.study).unwrap().data;
        assert_eq!(
            listed.file(file.number),
            Some(file),
            "it is listed before it is made"
        );
        if watch.stopped() {
            return Err(LoadError::Stopped);
        }
        self.laid += 1;
        if self.full_at == Some(self.laid) {
            self.files.insert(file.number, file.bytes.share(1, 2));
            return Err(LoadError::Full { path: file.name() });
        }
        self.files.insert(file.number, file.bytes);
        Ok(())
    }

    fn discard(&mut self, file: &DataFile) -> Result<(), LoadError> {
        if !self.removes {
            return Err(LoadError::io(
                "removing",
                file.name(),
                std::io::ErrorKind::ReadOnlyFilesystem.into(),
            ));
        }
        self.files.remove(&file.number);
        Ok(())
    }

    fn run(&mut self, _: &Assignment<'_>, _: &Watch) -> Result<Measured, LoadError> {
        unreachable!("only test data is laid down here")
    }
}

struct Rig {
    _place: TempDir,
    share: Ledger,
    store: Writer,
}

impl Rig {
    /// A share of 100 GiB with so many GiB free.
    fn new(free: u64) -> Self {
        let place = tempfile::tempdir().unwrap();
        let study = place.path().join("study");
        let made = Timestamp::UNIX_EPOCH;
        let config = Config::new(Identity(7), Seed(7), made, "/mnt/scans".into());
        let store = Writer::create(&study, &config, "test").unwrap();
        let space = Space {
            total: Bytes::GIB.times(100),
            available: Bytes::GIB.times(free),
        };
        let share = Ledger {
            study,
            space,
            files: BTreeMap::new(),
            full_at: None,
            removes: true,
            laid: 0,
            others: Bytes(0),
        };
        Self {
            _place: place,
            share,
            store,
        }
    }

    fn ask(&mut self, size: Option<Bytes>, brief: bool) -> Result<Sizing, Failure> {
        self.ask_watched(size, brief, &Watch::default())
    }

    fn ask_watched(
        &mut self,
        size: Option<Bytes>,
        brief: bool,
        watch: &Watch,
    ) -> Result<Sizing, Failure> {
        let asked = Asked {
            phase: Phase::Before,
            size,
            brief,
        };
        let memory = Memory {
            client: Bytes::GIB.times(4),
            server: None,
        };
        let tell = &mut |_| ();
        lay_down(&mut self.share, &mut self.store, asked, memory, watch, tell)
    }

    /// What a new reader finds listed, and that it names all that is on the share.
    fn listed(&self) -> TestData {
        let data = store::read(&self.share.study).unwrap().data;
        for (number, bytes) in &self.share.files {
            let listed = data.file(*number).expect("the manifest lists it");
            assert!(!listed.complete || listed.bytes == *bytes);
        }
        data
    }
}

fn manifest(study: &Path) -> String {
    std::fs::read_to_string(study.join(store::names::DATA)).unwrap()
}

#[test]
fn each_file_adds_two_rows_however_many_there_are() {
    let mut rig = Rig::new(90);
    rig.ask(None, true).unwrap();
    let first = manifest(&rig.share.study);
    let files = rig.listed().files.len();
    assert_eq!(first.lines().count(), 2 + 2 * files, "{first}");
    rig.ask(Some(Bytes::GIB.times(64)), false).unwrap();
    let second = manifest(&rig.share.study);
    assert!(second.starts_with(&first), "rows are only ever added");
    let grown = rig.listed();
    assert!(
        grown.files.len() < files + 80,
        "{} files",
        grown.files.len()
    );
    assert_eq!(grown.bytes(Set::Read), Bytes::GIB.times(64));
    assert_eq!(second.lines().count(), 2 + 2 * grown.files.len());
}

#[test]
fn a_share_that_fills_up_keeps_what_is_complete_and_the_next_sitting_goes_on() {
    for removes in [true, false] {
        let mut rig = Rig::new(90);
        (rig.share.full_at, rig.share.removes) = (Some(5), removes);
        let failure = rig.ask(None, true).unwrap_err();
        assert_eq!(failure.exit, Exit::Share);
        for part in ["the share is full", "read-00004.blocks", "is kept"] {
            assert!(failure.message.contains(part), "{}", failure.message);
        }
        let data = rig.listed();
        let complete = data.files.iter().filter(|file| file.complete).count();
        assert_eq!(
            (complete, data.files.len()),
            (4, if removes { 4 } else { 5 })
        );
        assert_eq!(
            rig.share.files.len(),
            data.files.len(),
            "no part is left unlisted"
        );
        (rig.share.full_at, rig.share.removes) = (None, true);
        rig.ask(None, true).unwrap();
        let data = rig.listed();
        assert!(data.files.iter().all(|file| file.complete));
        assert!(data.file(4).is_none(), "a number is never used twice");
        assert_eq!(
            (data.bytes(Set::Read), rig.share.used()),
            (Bytes::MIB.times(1145), data.total())
        );
    }
}

#[test]
fn stopping_while_data_is_laid_down_tells_why_and_leaves_nothing_half_written() {
    for (reason, exit) in [
        ("stopped on your request", Exit::Interrupted),
        (NO_SPACE, Exit::Share),
    ] {
        let mut rig = Rig::new(90);
        let watch = Watch::default();
        watch.stop(reason);
        let failure = rig.ask_watched(None, true, &watch).unwrap_err();
        assert_eq!(failure.exit, exit);
        assert!(failure.message.contains("is kept"), "{}", failure.message);
        assert_eq!((rig.listed().files.len(), rig.share.files.len()), (0, 0));
    }
}

#[test]
fn a_share_that_is_nearly_full_is_refused_untouched() {
    let mut rig = Rig::new(9);
    let failure = rig.ask(Some(Bytes::MIB.times(64)), false).unwrap_err();
    assert_eq!(failure.exit, Exit::Share);
    let expected = "only 9.00 GiB of the share's 100 GiB are free, and a tenth has to stay free";
    assert!(failure.message.starts_with(expected), "{}", failure.message);
    assert!(rig.listed().folder.is_empty());
}

/// Others write too: room is asked for before each file.
#[test]
fn laying_ends_when_others_fill_the_share() {
    let mut rig = Rig::new(12);
    rig.share.others = Bytes::MIB.times(100);
    let failure = rig.ask(Some(Bytes::GIB), false).unwrap_err();
    assert_eq!(
        (failure.exit, failure.message.as_str()),
        (Exit::Share, kept(NO_SPACE).as_str())
    );
    let data = rig.listed();
    // 2 GiB may be used; each file takes 16 MiB, and others 100 MiB meanwhile.
    assert_eq!(data.files.len(), (2048 - 16) / 116 + 1);
    assert!(data.files.iter().all(|file| file.complete));
}

#[test]
fn a_size_that_makes_no_sense_is_a_matter_of_usage_and_a_full_share_is_not() {
    let mut rig = Rig::new(90);
    let failure = rig.ask(Some(Bytes::MIB), false).unwrap_err();
    assert_eq!(failure.exit, Exit::Usage, "{}", failure.message);
    let failure = rig.ask(Some(Bytes::GIB.times(99)), false).unwrap_err();
    assert_eq!(failure.exit, Exit::Usage, "{}", failure.message);
    let mut rig = Rig::new(10);
    let failure = rig.ask(None, false).unwrap_err();
    assert_eq!(failure.exit, Exit::Share, "{}", failure.message);
    assert!(
        rig.listed().folder.is_empty(),
        "nothing is made before it is known to fit"
    );
}

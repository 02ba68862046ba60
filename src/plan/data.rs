//! The test data of a study: which files lie in its folder on the share.
//!
//! Reads go to the read set, which is laid down once and kept through all phases, so that old data
//! can be read again after the expansion. Writes go to the write set, whose blocks change. On demand a
//! fresh set of the read set's sizes is laid down after the expansion, so that data that was written to
//! the grown pool can be read beside the old.

use serde::{Deserialize, Serialize};

use super::Phase;
use crate::units::Bytes;

/// What a file of test data is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Set {
    /// Laid down once, then only read.
    Read,
    /// Overwritten by write workloads.
    Write,
    /// Laid down when the pool has grown, then only read.
    Fresh,
}

/// One file of test data.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct DataFile {
    /// Its number, unique in the study, and part of the content of its blocks.
    pub number: u64,
    /// What it is for.
    pub set: Set,
    /// Its size: a multiple of 1 MiB. Files that are added when the data grows are larger than those
    /// that are there, so that their number stays small.
    pub bytes: Bytes,
    /// The phase in which it was laid down.
    pub phase: Phase,
    /// Whether it was written to its end and flushed.
    pub complete: bool,
}

impl DataFile {
    /// Its name in the test-data folder.
    pub fn name(&self) -> String {
        let set = match self.set {
            Set::Read => "read",
            Set::Write => "write",
            Set::Fresh => "fresh",
        };
        format!("{set}-{:05}.blocks", self.number)
    }
}

/// All test data of a study; the manifest by which it is found again and removed.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct TestData {
    /// Folder on the share, relative to the share; empty before any data was laid down.
    #[serde(default)]
    pub folder: String,
    /// The number that the next new file gets; never used twice, so that no content repeats.
    #[serde(default)]
    pub next_number: u64,
    /// Files in order of their numbers, complete or not.
    #[serde(default, rename = "file")]
    pub files: Vec<DataFile>,
}

impl TestData {
    /// The complete files of `set`.
    pub fn of(&self, set: Set) -> impl Iterator<Item = &DataFile> {
        self.files
            .iter()
            .filter(move |file| file.complete && file.set == set)
    }

    /// Bytes of the complete files of `set`.
    pub fn bytes(&self, set: Set) -> Bytes {
        self.of(set).map(|file| file.bytes).sum()
    }

    /// Bytes of all complete files.
    pub fn total(&self) -> Bytes {
        self.bytes(Set::Read) + self.bytes(Set::Write) + self.bytes(Set::Fresh)
    }

    /// The fresh set in the place of the read set: what reads of new data go to. Nothing is written.
    pub fn fresh_to_read(&self) -> Self {
        let fresh = self.of(Set::Fresh).map(|file| DataFile {
            set: Set::Read,
            ..file.clone()
        });
        Self {
            files: fresh.collect(),
            ..self.clone()
        }
    }

    /// Sizes of the files that the fresh set lacks, so that it is dealt out as the read set is.
    pub fn fresh_lacks(&self) -> Vec<Bytes> {
        let laid = self.of(Set::Fresh).count();
        self.of(Set::Read)
            .skip(laid)
            .map(|file| file.bytes)
            .collect()
    }

    /// The file with this number.
    pub fn file(&self, number: u64) -> Option<&DataFile> {
        self.files.iter().find(|file| file.number == number)
    }

    /// The next new file, which is yet to be listed and laid down.
    pub fn next_file(&self, set: Set, bytes: Bytes, phase: Phase) -> DataFile {
        DataFile {
            number: self.next_number,
            set,
            bytes,
            phase,
            complete: false,
        }
    }
}

//! Rows of `passes.csv`, `verified.csv`, `damage.csv`, `seals.csv` and `sealed-checks.csv`: what was read back and
//! how it compared.

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use super::bounds::{self, AMOUNT, NUMBER, Wrong};
use super::tables::Cells;
use crate::plan::{Phase, Set};

/// A pass of `verify` has begun, or has come to its end.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct PassRow {
    /// Number of the pass in the study, from 1.
    pub pass: u64,
    /// When.
    pub at: Timestamp,
    /// Phase in which it reads.
    pub read_phase: Phase,
    /// Whether everything has been read; else it has begun.
    pub ended: bool,
}

/// A part of a file of test data that one pass of `verify` has read back.
///
/// The rows of a pass and a file follow each other: each begins where the one before has ended.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct VerifiedRow {
    /// Number of the pass in the study, from 1.
    pub pass: u64,
    /// When this part had been read.
    pub at: Timestamp,
    /// Phase in which it was read.
    pub read_phase: Phase,
    /// Number of the file.
    pub file: u64,
    /// What the file is for.
    pub set: Set,
    /// Phase in which it was laid down.
    pub laid_phase: Phase,
    /// Where the part begins in the file.
    pub offset_bytes: u64,
    /// Its size.
    pub bytes: u64,
    /// Blocks of 4 KiB that were compared.
    pub blocks: u64,
    /// Of these, blocks that do not hold what belongs there.
    pub differing: u64,
    /// Blocks that could not be read.
    pub unreadable: u64,
    /// Blocks that are not there, because the file is gone, shorter, or something else.
    pub missing: u64,
    /// Blocks that a trial which was cut off may have left half written; no damage.
    pub unsettled: u64,
    /// Time since the row before.
    pub seconds: f64,
    /// Whether reads passed this client's cache; empty where nobody tells.
    pub direct: Option<bool>,
    /// Whether the file has been read to its end.
    pub complete: bool,
}

impl VerifiedRow {
    /// Blocks that are damaged, of whatever kind.
    pub fn damaged(&self) -> u64 {
        self.differing + self.unreadable + self.missing
    }
}

/// What is wrong with blocks of test data, or with a sealed file.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Kind {
    /// Other content than was written.
    Content,
    /// A whole block that belongs elsewhere.
    Place,
    /// A whole block of another study, or one that was written over since.
    Generation,
    /// The share answers with an error.
    Unreadable,
    /// Nothing is there.
    Missing,
}

impl Kind {
    /// The word used in tables and files.
    pub fn word(self) -> &'static str {
        match self {
            Self::Content => "content",
            Self::Place => "place",
            Self::Generation => "generation",
            Self::Unreadable => "unreadable",
            Self::Missing => "missing",
        }
    }
}

/// Neighbouring blocks with the same damage.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct DamageRow {
    /// Number of the pass.
    pub pass: u64,
    /// When it was found.
    pub at: Timestamp,
    /// Number of the file.
    pub file: u64,
    /// Its name in the test-data folder.
    #[serde(with = "super::tables::guarded")]
    pub name: String,
    /// Phase in which it was laid down.
    pub laid_phase: Phase,
    /// Where the first block begins in the file.
    pub offset_bytes: u64,
    /// How many blocks of 4 KiB.
    pub blocks: u64,
    /// What is wrong.
    pub kind: Kind,
    /// What was found instead.
    #[serde(with = "super::tables::guarded")]
    pub found: String,
}

/// What is remembered of a person's own file: never its content.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SealRow {
    /// Number of the seal in the study, from 1.
    pub seal: u64,
    /// When the file was looked at.
    pub at: Timestamp,
    /// Number of the file in the seal, from 0; a file with many blocks has several rows.
    pub file: u64,
    /// Where it is, from the root; what is not plain text is written as `\xNN`.
    #[serde(with = "super::tables::guarded")]
    pub path: String,
    /// Its size.
    pub size_bytes: u64,
    /// When its content was last changed, in nanoseconds since 1970.
    pub modified_ns: i64,
    /// When anything of it was last changed.
    pub changed_ns: i64,
    /// Bytes of a block.
    pub block_bytes: u64,
    /// Keyed hashes: `NUMBER:HASH` for each block, separated by `;`, or `all:HASH` of all content.
    pub hashes: String,
}

/// How a sealed file was found.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum SealedState {
    /// Size, time and what was compared of its content are the same.
    Unchanged,
    /// Its size or its time is another: somebody has changed it.
    Changed,
    /// Size and time are the same and its content is not: damage.
    Silent,
    /// It is not there.
    Gone,
    /// A link, a device or the like is in its place; it was not opened.
    Replaced,
    /// The share answers with an error.
    Unreadable,
}

impl SealedState {
    /// All of them, in the order in which they are told.
    pub const ALL: [Self; 6] = [
        Self::Unchanged,
        Self::Changed,
        Self::Gone,
        Self::Replaced,
        Self::Unreadable,
        Self::Silent,
    ];

    /// In words, after a number of files.
    pub fn words(self) -> &'static str {
        match self {
            Self::Unchanged => "unchanged",
            Self::Changed => "changed by time or size",
            Self::Silent => "silently changed (same size and time, other content)",
            Self::Gone => "gone",
            Self::Replaced => "replaced by something that is no plain file",
            Self::Unreadable => "unreadable",
        }
    }

    /// Whether it is damage: nobody changes a file so on purpose.
    pub fn is_damage(self) -> bool {
        matches!(self, Self::Silent | Self::Unreadable)
    }
}

/// A sealed file that one pass of `verify` has looked at.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SealedCheckRow {
    /// Number of the pass.
    pub pass: u64,
    /// When it was looked at.
    pub at: Timestamp,
    /// Phase in which it was looked at.
    pub read_phase: Phase,
    /// Number of its seal.
    pub seal: u64,
    /// Its number in the seal.
    pub file: u64,
    /// Where it is, as in the seal.
    #[serde(with = "super::tables::guarded")]
    pub path: String,
    /// How it was found.
    pub state: SealedState,
    /// Blocks that were compared, where blocks were sampled.
    pub blocks: u64,
    /// Of these, blocks that differ.
    pub differing: u64,
    /// Bytes that were compared.
    pub bytes: u64,
    /// What was found; empty where nothing is to be said.
    #[serde(with = "super::tables::guarded")]
    pub found: String,
}

impl Cells for PassRow {
    fn check(&self) -> Result<(), Wrong> {
        bounds::moment("at", self.at)?;
        bounds::counts(NUMBER, [("pass", self.pass)])
    }
}

impl Cells for VerifiedRow {
    fn check(&self) -> Result<(), Wrong> {
        bounds::moment("at", self.at)?;
        bounds::counts(NUMBER, [("pass", self.pass), ("file", self.file)])?;
        let amounts = [
            ("offset_bytes", self.offset_bytes),
            ("bytes", self.bytes),
            ("blocks", self.blocks),
            ("differing", self.differing),
            ("unreadable", self.unreadable),
            ("missing", self.missing),
            ("unsettled", self.unsettled),
        ];
        bounds::counts(AMOUNT, amounts)?;
        bounds::figures([("seconds", Some(self.seconds))])
    }
}

impl Cells for DamageRow {
    fn check(&self) -> Result<(), Wrong> {
        bounds::moment("at", self.at)?;
        bounds::counts(NUMBER, [("pass", self.pass), ("file", self.file)])?;
        let amounts = [("offset_bytes", self.offset_bytes), ("blocks", self.blocks)];
        bounds::counts(AMOUNT, amounts)
    }
}

impl Cells for SealRow {
    fn check(&self) -> Result<(), Wrong> {
        bounds::moment("at", self.at)?;
        bounds::counts(NUMBER, [("seal", self.seal), ("file", self.file)])?;
        let amounts = [
            ("size_bytes", self.size_bytes),
            ("block_bytes", self.block_bytes),
        ];
        bounds::counts(AMOUNT, amounts)
    }
}

impl Cells for SealedCheckRow {
    fn check(&self) -> Result<(), Wrong> {
        bounds::moment("at", self.at)?;
        let numbers = [
            ("pass", self.pass),
            ("seal", self.seal),
            ("file", self.file),
        ];
        bounds::counts(NUMBER, numbers)?;
        let amounts = [
            ("blocks", self.blocks),
            ("differing", self.differing),
            ("bytes", self.bytes),
        ];
        bounds::counts(AMOUNT, amounts)
    }
}

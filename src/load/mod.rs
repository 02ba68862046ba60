//! Drives a share: the stream that decides and the ways of submission that carry it out.
//!
//! What stands under a sitting is a [`Share`]: a mounted directory of this machine, or a made-up
//! one on virtual time. Both take the same assignments and give the same recordings.

mod early;
mod local;
mod pace;
mod patient;
mod stream;
mod watch;

use std::fmt;

use jiff::Timestamp;

pub use early::Until;
pub use local::{Counts, LocalShare, Progress, Span};
pub use pace::Pace;
pub use patient::{Patient, hear, within};
pub use stream::{Job, Next, Outcome, Stream, Transfer};
pub use watch::{UNTOLD, Watch};

use crate::facts::Facts;
use crate::plan::{DataFile, Pattern, Space, TestData, Workload};
use crate::record::{Observations, Recording, is_full};
use crate::sys::SHARE_GONE;
use crate::units::Nanos;

/// What an operation goes through on its way; part of every trial's row.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Submission {
    /// A thread for each operation in flight, with positioned reads and writes.
    Threads,
    /// An io_uring ring for each stream.
    Ring,
    /// A made-up share on virtual time.
    Simulated,
}

impl Submission {
    /// The word used in tables and files.
    pub fn word(self) -> &'static str {
        match self {
            Self::Threads => "threads",
            Self::Ring => "ring",
            Self::Simulated => "SIMULATED",
        }
    }

    /// The submission of a mounted share that has this word.
    pub fn from_word(word: &str) -> Option<Self> {
        [Self::Threads, Self::Ring]
            .into_iter()
            .find(|submission| submission.word() == word)
    }
}

/// How the submission of a trial is found. A made-up share has one of its own.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub enum Drive {
    /// Threads for one operation at a time, a ring for more.
    #[default]
    Usual,
    /// Where more than one operation is in flight, by a short measurement of both before the trial.
    Measured,
    /// This one, for a reason that goes into the trial's row.
    Given(Submission, String),
}

/// One trial, as whatever submits its operations is asked for it.
#[derive(Debug)]
pub struct Assignment<'a> {
    /// What kind of load.
    pub workload: &'a Workload,
    /// Where its operations go.
    pub pattern: Pattern,
    /// The test data, to find files by their numbers.
    pub data: &'a TestData,
    /// How long, in whole seconds.
    pub length: Nanos,
    /// When it may end before that.
    pub until: Option<Until>,
    /// The operation number to begin with.
    pub first: u64,
    /// Operations that it may come to, as far as anybody can guess: control reads are spread over them.
    pub reach: u64,
    /// The trial's number in the study, from which blocks that it writes get their generation.
    pub trial: u64,
    /// What is to drive it.
    pub drive: Drive,
    /// Whether to observe what evidence needs beside the operations, which takes a second or two.
    pub observe: bool,
}

/// What came of a trial.
#[derive(Debug)]
pub struct Measured {
    /// All operations.
    pub recording: Recording,
    /// From the end of the last write to the end of the flush; `None` for a trial that only reads.
    pub flush: Option<Nanos>,
    /// What drove it.
    pub submission: Submission,
    /// Why that; empty where nothing was chosen.
    pub submission_reason: String,
    /// Whether transfers passed the client's cache: `Some(true)` when that was seen of a block,
    /// `Some(false)` for buffered files, `None` for files open for direct I/O of which nobody tells.
    pub direct: Option<bool>,
    /// The operation number with which the next trial of the workload goes on.
    pub next_first: u64,
    /// Whether it was stopped before its end.
    pub interrupted: bool,
    /// What a reader of the trial should know: fall-backs and their reasons.
    pub notes: Vec<String>,
    /// What was observed beside the operations.
    pub observations: Observations,
}

/// Why the share could not be used.
#[derive(Debug, thiserror::Error)]
pub enum LoadError {
    /// An operating-system call failed.
    #[error("{doing} {path}: {source}")]
    Io {
        /// What was being done.
        doing: &'static str,
        /// To what.
        path: String,
        /// How it failed.
        source: std::io::Error,
    },
    /// The share is full.
    #[error("the share is full while writing {path}: free some space, or ask for less with --size")]
    Full {
        /// What was being written.
        path: String,
    },
    /// Something stands in the test-data folder that this study did not put there.
    #[error("{path}: {why}; nothing was changed")]
    Foreign {
        /// What was found.
        path: String,
        /// What is wrong with it.
        why: &'static str,
    },
    /// Test data that was laid down is not where it was.
    #[error(
        "the test-data folder {folder} is not on {share}: is the share mounted? Nothing was changed; if the data is lost for good, run `poolproof clean {study} --forget`"
    )]
    Missing {
        /// Its name on the share.
        folder: String,
        /// The share.
        share: String,
        /// The study in a command.
        study: String,
    },
    /// The share has stopped answering; what was asked of it may still be under way in the kernel.
    #[error(
        "the share {share} has not answered for {seconds} s ({doing}): nothing more is asked of it; see whether its server and the way there are up, then do the same again"
    )]
    Silent {
        /// The share.
        share: String,
        /// What was being done.
        doing: &'static str,
        /// How long nothing came of it.
        seconds: u64,
    },
    /// The person, or a limit, ended it.
    #[error("stopped")]
    Stopped,
}

/// Whether an error of a call tells of the whole share, which does not answer any more, and not of
/// one file or block.
pub fn is_share_gone(error: &std::io::Error) -> bool {
    let number = error.raw_os_error();
    number.is_some_and(|number| SHARE_GONE.contains(&number))
}

impl LoadError {
    /// A failed call, told apart from a full share.
    pub fn io(doing: &'static str, path: impl fmt::Display, source: std::io::Error) -> Self {
        let path = path.to_string();
        match is_full(source.kind()) {
            true => Self::Full { path },
            false => Self::Io {
                doing,
                path,
                source,
            },
        }
    }
}

/// What stands under a sitting.
pub trait Share {
    /// The time of day there.
    fn now(&self) -> Timestamp;

    /// What can be learnt of client, mount and link.
    fn facts(&mut self) -> Facts;

    /// Room on the share.
    ///
    /// # Errors
    /// When the share does not answer.
    fn space(&mut self) -> Result<Space, LoadError>;

    /// Makes sure that the test-data folder of `data` is there and belongs to the study.
    ///
    /// # Errors
    /// When it cannot be made, or something foreign is in its place.
    fn open_folder(&mut self, data: &TestData) -> Result<(), LoadError>;

    /// Writes `file` from its beginning to its end and flushes it.
    ///
    /// # Errors
    /// When writing fails, or an end was asked for; a part of the file may be left then.
    fn lay_down(&mut self, file: &DataFile, watch: &Watch) -> Result<(), LoadError>;

    /// Removes what is there of `file`, if anything is.
    ///
    /// # Errors
    /// When it cannot be removed, or is not ours to remove.
    fn discard(&mut self, file: &DataFile) -> Result<(), LoadError>;

    /// Runs one trial. A failed operation or flush is part of what was measured; it is no error of
    /// this call.
    ///
    /// # Errors
    /// When the files cannot be opened or nothing can be set up to drive it, so that nothing was measured.
    fn run(&mut self, assignment: &Assignment<'_>, watch: &Watch) -> Result<Measured, LoadError>;
}

/// The generation of a block that trial number `trial` writes on its `pass` over its part: unique,
/// and never that of laying down, which is 0.
pub fn generation(trial: u64, pass: u64) -> u64 {
    (trial + 1) << 16 | (pass & 0xffff)
}

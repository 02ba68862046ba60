//! Keeps a study on disk: one writer at a time, any number of readers, nothing acknowledged is lost.
//!
//! Everything goes through the six operations of a [`Disk`], so that a disk that fails or forgets
//! can stand in its place. A trial's row in `trials.csv` is written last: what stands in the other
//! tables without a row belongs to a trial that was cut off, and is passed over. Pages are no part of
//! this: they can be made anew at any time, so [`publish`] needs no lock.
//!
//! A reshape is followed for days, while sittings come and go. So its two tables belong to a
//! [`Follower`] with a lock of its own, and a [`Writer`] leaves them alone.
#![expect(
    clippy::disallowed_methods,
    clippy::disallowed_types,
    reason = "the store is an edge: it keeps files"
)]

mod allowed;
mod disk;
#[cfg(test)]
mod faults;
mod follower;
mod publish;
mod raw;
mod reader;
mod tables;
mod writer;

use std::path::{Path, PathBuf};

pub use allowed::{Allowed, state_folder};
pub use disk::{Disk, FolderDisk};
pub use follower::Follower;
pub use publish::{publish, put};
pub use raw::raw_files;
pub use reader::{is_study, progress, read, read_config, read_latest, studies};
pub use writer::Writer;

use crate::study::tables::TableError;
use crate::study::{ConfigError, LatencyError};
use crate::text::{nearest, path, plain};

/// Names of the files of a study.
pub mod names {
    /// What the person said.
    pub const CONFIG: &str = "study.toml";
    /// The manifest of test data: a row a step.
    pub const DATA: &str = "testdata.csv";
    /// The manifest of test data as it was in format 1.
    pub const OLD_DATA: &str = "testdata.toml";
    /// A row a trial.
    pub const TRIALS: &str = "trials.csv";
    /// A row a window.
    pub const WINDOWS: &str = "windows.csv";
    /// A row an observation.
    pub const OBSERVATIONS: &str = "observations.csv";
    /// A row a working set of a sweep.
    pub const SWEEP: &str = "sweep.csv";
    /// A row an answer of a person.
    pub const CHECKS: &str = "checks.csv";
    /// A row each time that reading back begins or ends.
    pub const PASSES: &str = "passes.csv";
    /// A row a part of a file of test data that was read back.
    pub const VERIFIED: &str = "verified.csv";
    /// A row a run of damaged blocks.
    pub const DAMAGE: &str = "damage.csv";
    /// A row a file of the person's own that is remembered.
    pub const SEALS: &str = "seals.csv";
    /// A row each time that such a file was looked at again.
    pub const SEALED_CHECKS: &str = "sealed-checks.csv";
    /// A row a reading of the reshape.
    pub const PROGRESS: &str = "progress.csv";
    /// A row a light probe beside it.
    pub const PROBES: &str = "probes.csv";
    /// Who is following the reshape.
    pub const FOLLOWER: &str = "watch-lock";
    /// Latency histograms.
    pub const LATENCY: &str = "latency.hlog";
    /// Fingerprints.
    pub const FACTS: &str = "facts";
    /// Rendered pages.
    pub const REPORTS: &str = "reports";
    /// Torn ends of tables.
    pub const ASIDE: &str = "set-aside";
    /// Who is writing.
    pub const LOCK: &str = "lock";
}

/// Why a study cannot be read or written.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// There is no study.
    #[error("{} is no study: {}make one with `poolproof new`", path(.0), meant(.0))]
    NoStudy(PathBuf),
    /// Something is in the way of a new study.
    #[error("{0} exists already: choose another name for the study")]
    Exists(PathBuf),
    /// Another process writes to it.
    #[error("the study is being written by {owner}: wait until that has ended")]
    Locked {
        /// What the lock says.
        owner: String,
    },
    /// A newer version of the program made it.
    #[error(
        "the study has format {found}, newer than format {known} of this version: it can be read and not written; use the newer version"
    )]
    Newer {
        /// Format of the study.
        found: u32,
        /// Newest format of this version.
        known: u32,
    },
    /// An operating-system call failed.
    #[error("{doing} {name}: {source}")]
    Io {
        /// What was being done.
        doing: &'static str,
        /// To what.
        name: String,
        /// How it failed.
        source: std::io::Error,
    },
    /// `study.toml` is damaged.
    #[error(transparent)]
    Config(#[from] ConfigError),
    /// A table is damaged.
    #[error(transparent)]
    Table(#[from] TableError),
    /// The latency log is damaged.
    #[error(transparent)]
    Latency(#[from] LatencyError),
    /// Pages cannot be written.
    #[error("{folder} cannot be written to ({source}): name another folder with --to DIR")]
    Unpublished {
        /// Where they were to go.
        folder: PathBuf,
        /// How it failed.
        source: std::io::Error,
    },
    /// A file that somebody named cannot be written.
    #[error("{path} cannot be written ({source}): name another file")]
    Unput {
        /// Which.
        path: PathBuf,
        /// How it failed.
        source: std::io::Error,
    },
    /// A TOML file beside `study.toml` is damaged.
    #[error("{name} cannot be read: {why}")]
    Toml {
        /// Which file.
        name: String,
        /// Where and why.
        why: String,
    },
}

impl StoreError {
    fn io(doing: &'static str, name: &str, source: std::io::Error) -> Self {
        Self::Io {
            doing,
            name: name.to_owned(),
            source,
        }
    }
}

/// The study beside `missing` that was probably meant, as a question.
fn meant(missing: &Path) -> String {
    let beside = match missing.parent() {
        Some(parent) if parent != Path::new("") => parent,
        _ => Path::new("."),
    };
    let name = missing.file_name().unwrap_or_default().to_string_lossy();
    let studies = studies(beside);
    let near = nearest(&name, studies.iter().map(String::as_str));
    let near = near.filter(|near| *near != name);
    near.map_or(String::new(), |near| {
        let near = match missing.parent() {
            Some(parent) if parent != Path::new("") => path(&parent.join(near)),
            _ => plain(near),
        };
        format!("did you mean {near}? Else ")
    })
}

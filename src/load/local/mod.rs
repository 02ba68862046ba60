//! A share that is mounted on this machine.
#![expect(
    clippy::disallowed_methods,
    reason = "the mounted share is an edge: it reads clocks and waits"
)]

mod asleep;
mod buffers;
mod choose;
mod cost;
mod direct;
mod files;
mod folder;
mod instrument;
mod lay;
mod measure;
mod observe;
mod passing;
#[cfg_attr(not(target_os = "linux"), path = "residency_untold.rs")]
mod residency;
#[cfg_attr(not(target_os = "linux"), path = "ring_missing.rs")]
mod ring;
mod sample;
mod start;
#[cfg(test)]
mod tests;
mod threads;
mod touch;
mod transfer;
mod trial;
mod verify;

use std::ops::ControlFlow;
use std::path::PathBuf;

use jiff::Timestamp;

use self::asleep::Clocks;
use self::folder::{Folder, Found};
use self::observe::Observer;
use self::passing::is_refusal;
use self::ring::RingError;
use self::trial::{Run, Trial};
pub use self::verify::{Counts, Progress, Span};
use super::{Assignment, LoadError, Measured, Pace, Share, Watch};
use crate::facts::Facts;
use crate::integrity::Expected;
use crate::plan::{DataFile, Space, TestData};
use crate::probe;
use crate::record::{Cause, Failure};
use crate::study::{Config, Identity, Server};
use crate::sys::raise_open_files;

/// A mounted directory, and the study's folder in it.
#[derive(Debug)]
pub struct LocalShare {
    root: PathBuf,
    study: Identity,
    /// The study in a command.
    typed: String,
    folder: Option<Folder>,
    observer: Option<Observer>,
    server: Server,
    link_gigabits: Option<f64>,
    ring: RunOnRings,
}

/// Submission for deep queues.
type RunOnRings = fn(&Trial<'_>) -> Result<Run, RingError>;

impl LocalShare {
    /// The share that `config` names. Nothing is touched yet.
    pub fn new(config: &Config) -> Self {
        Self {
            root: PathBuf::from(&config.share),
            study: config.id,
            typed: "STUDY".to_owned(),
            folder: None,
            observer: None,
            server: config.server.clone().unwrap_or_default(),
            link_gigabits: config.link_gigabits,
            ring: ring::run,
        }
    }

    /// The same for a study that is `typed` so in a command, for what is said of it.
    pub fn named(self, typed: String) -> Self {
        Self { typed, ..self }
    }

    /// Looks whether the folder of `data` is there, if anything was laid down in it. Nothing is changed.
    ///
    /// # Errors
    /// When it is missing, or not this study's.
    pub fn find(&self, data: &TestData) -> Result<(), LoadError> {
        match Folder::find(&self.root, &data.folder, self.study)? {
            Found::Ours(_) => Ok(()),
            _ if has_data(data) => Err(self.missing(data)),
            _ => Ok(()),
        }
    }

    /// Removes the files of `data`, and nothing else; tells `watch` of each.
    ///
    /// # Errors
    /// When the folder is missing or not this study's, or a file cannot be removed.
    pub fn remove_files(&mut self, data: &TestData, watch: &Watch) -> Result<(), LoadError> {
        match Folder::find(&self.root, &data.folder, self.study)? {
            Found::Ours(folder) => folder.remove_files(&data.files, watch),
            _ if has_data(data) => Err(self.missing(data)),
            _ => Ok(()),
        }
    }

    /// Removes the folder of `data`, whose files are gone. Tells whether the folder is gone, which it
    /// is not while something foreign is in it.
    ///
    /// # Errors
    /// When the folder is not this study's, or cannot be removed.
    pub fn remove_folder(&mut self, data: &TestData) -> Result<bool, LoadError> {
        match Folder::find(&self.root, &data.folder, self.study)? {
            Found::Ours(folder) => folder.remove(),
            Found::CutOff(folder) => folder.remove_empty().map(|()| true),
            Found::Nothing => Ok(true),
        }
    }

    /// Reads `spans` of the files of `data` back and compares them with what is `expected`, held to `pace`,
    /// until an end is asked for or `tell` breaks. Nothing is written.
    ///
    /// # Errors
    /// When the folder is missing or not this study's, and when the share does not answer any more;
    /// damage is no error.
    pub fn read_back(
        &mut self,
        data: &TestData,
        spans: &[Span],
        expected: &Expected,
        pace: &Pace,
        watch: &Watch,
        tell: &mut dyn FnMut(Progress) -> ControlFlow<()>,
    ) -> Result<(), LoadError> {
        match Folder::find(&self.root, &data.folder, self.study)? {
            Found::Ours(folder) => verify::read_back(&folder, spans, expected, pace, watch, tell),
            _ => Err(self.missing(data)),
        }
    }

    fn missing(&self, data: &TestData) -> LoadError {
        let share = self.root.display().to_string();
        LoadError::Missing {
            folder: data.folder.clone(),
            share,
            study: self.typed.clone(),
        }
    }

    fn folder(&self) -> &Folder {
        self.folder
            .as_ref()
            .expect("open_folder comes before laying down and running")
    }
}

impl Share for LocalShare {
    fn now(&self) -> Timestamp {
        Timestamp::now()
    }

    fn facts(&mut self) -> Facts {
        probe::facts(&self.root)
    }

    fn space(&mut self) -> Result<Space, LoadError> {
        probe::space(&self.root).map_err(|error| {
            LoadError::io("asking for the free space of", self.root.display(), error)
        })
    }

    fn open_folder(&mut self, data: &TestData) -> Result<(), LoadError> {
        // A share that is not mounted shows the empty directory below: nothing may be laid there.
        if has_data(data)
            && !matches!(
                Folder::find(&self.root, &data.folder, self.study)?,
                Found::Ours(_)
            )
        {
            return Err(self.missing(data));
        }
        raise_open_files();
        self.folder = Some(Folder::open_or_make(&self.root, &data.folder, self.study)?);
        self.observer = Some(Observer::new(
            &self.root,
            self.study,
            self.server.clone(),
            self.link_gigabits,
        ));
        Ok(())
    }

    fn lay_down(&mut self, file: &DataFile, watch: &Watch) -> Result<(), LoadError> {
        lay::lay_down(self.folder(), file, self.study, watch)
    }

    fn discard(&mut self, file: &DataFile) -> Result<(), LoadError> {
        self.folder().discard(&file.name())
    }

    fn run(&mut self, assignment: &Assignment<'_>, watch: &Watch) -> Result<Measured, LoadError> {
        let asked = Clocks::read();
        let opened = direct::open(self.folder(), assignment, watch)?;
        tracing::debug!(
            trial = assignment.trial,
            workload = %assignment.workload.name,
            direct = ?opened.direct,
            first = assignment.first,
            "files are open"
        );
        opened
            .files
            .refuse_foreign(self.folder(), assignment, opened.alignment)?;
        let could_refuse = opened.direct != Some(false);
        let measured = self.measure(assignment, assignment.first, opened, &asked, watch)?;
        if !could_refuse || !refused(measured.recording.failure.as_ref()) {
            return Ok(measured);
        }
        let opened = direct::buffered(self.folder(), assignment, watch, direct::REFUSED_LATE)?;
        self.measure(assignment, measured.next_first, opened, &asked, watch)
    }
}

/// Whether an operation failed as direct I/O does that a file system accepts and then refuses.
fn refused(failure: Option<&Failure>) -> bool {
    matches!(
        failure,
        Some(Failure::Operation { cause: Cause::Os(number), .. }) if is_refusal(*number)
    )
}

/// Whether any file was laid down to its end.
fn has_data(data: &TestData) -> bool {
    data.files.iter().any(|file| file.complete)
}

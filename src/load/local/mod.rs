//! A share that is mounted on this machine.
#![expect(
    clippy::disallowed_methods,
    reason = "the mounted share is an edge: it reads clocks and waits"
)]

mod buffers;
mod files;
mod folder;
mod lay;
mod observe;
#[allow(dead_code, reason = "its caller is the evidence of a trial")]
mod residency;
mod ring;
mod threads;

use std::path::PathBuf;
use std::time::Instant;

use jiff::Timestamp;
use rustix::process::{Resource, Rlimit, getrlimit, setrlimit};

use self::files::Files;
use self::folder::{Folder, Found};
use self::observe::Observer;
use self::ring::RingError;
use super::{Assignment, Engine, Job, LoadError, Measured, Share, Watch, generation};
use crate::facts::Facts;
use crate::plan::content::{self, Address};
use crate::plan::{DataFile, Operation, Space, TestData, Workload};
use crate::probe;
use crate::record::Observations;
use crate::study::{Config, Identity, Server};
use crate::units::Nanos;

/// A mounted directory, and the study's folder in it.
#[derive(Debug)]
pub struct LocalShare {
    root: PathBuf,
    study: Identity,
    folder: Option<Folder>,
    observer: Option<Observer>,
    server: Server,
    link_gigabits: Option<f64>,
}

impl LocalShare {
    /// The share that `config` names. Nothing is touched yet.
    pub fn new(config: &Config) -> Self {
        Self {
            root: PathBuf::from(&config.share),
            study: config.id,
            folder: None,
            observer: None,
            server: config.server.clone().unwrap_or_default(),
            link_gigabits: config.link_gigabits,
        }
    }

    /// Removes the files of `data`, and nothing else.
    ///
    /// # Errors
    /// When the folder is missing or not this study's, or a file cannot be removed.
    pub fn remove_files(&mut self, data: &TestData) -> Result<(), LoadError> {
        match Folder::find(&self.root, &data.folder, self.study)? {
            Found::Ours(folder) => folder.remove_files(&data.files),
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

    fn missing(&self, data: &TestData) -> LoadError {
        let share = self.root.display().to_string();
        LoadError::Missing {
            folder: data.folder.clone(),
            share,
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
        let workload = assignment.workload;
        let files = Files::open(self.folder(), assignment)?;
        let mut notes: Vec<String> = files.note().map(str::to_owned).into_iter().collect();
        files.evict()?;
        let observer = self.observer.as_ref().filter(|_| assignment.observe);
        let before = observer.map(|observer| (observer, observer.before(assignment, &files)));
        let used = before.as_ref().map_or(0, |(_, before)| before.used);
        let first = assignment.first + used;
        let trial = Trial::new(assignment, first, self.study, workload, &files, watch);
        let (run, engine) = drive(&trial, &mut notes)?;
        let flush = workload
            .writes()
            .then(|| files.flush(assignment))
            .transpose()?;
        let observations = match before {
            Some((observer, before)) => {
                let (observations, more) = observer.after(before, assignment, &files);
                notes.extend(more);
                observations
            }
            None => Observations::default(),
        };
        files.evict()?;
        let interrupted = run.stopped.is_some();
        Ok(Measured {
            recording: trial.job.merge(run.streams, run.stopped),
            flush,
            engine,
            direct: files.direct(),
            next_first: trial.job.next_first(),
            interrupted,
            notes,
            observations,
        })
    }
}

/// Whether any file was laid down to its end.
fn has_data(data: &TestData) -> bool {
    data.files.iter().any(|file| file.complete)
}

/// Lets this process open as many files as it is allowed to: a large set of test data has thousands.
fn raise_open_files() {
    let limits = getrlimit(Resource::Nofile);
    // Where it is refused, opening too many files says so itself.
    let _ = setrlimit(
        Resource::Nofile,
        Rlimit {
            current: limits.maximum,
            ..limits
        },
    );
}

/// Runs a trial on a ring where its depth asks for one and the kernel has it, else on threads.
fn drive(trial: &Trial<'_>, notes: &mut Vec<String>) -> Result<(Run, Engine), LoadError> {
    if trial.workload.depth > 1 {
        match ring::run(trial) {
            Ok(run) => return Ok((run, Engine::Ring)),
            Err(RingError::Setup(error)) => {
                notes.push(format!("no io_uring ring here ({error}): threads instead"));
            }
            Err(RingError::Work(error)) => {
                return Err(LoadError::io(
                    "driving a ring for",
                    &trial.workload.name,
                    error,
                ));
            }
        }
    }
    Ok((threads::run(trial), Engine::Threads))
}

/// What the engines of one trial share.
struct Trial<'a> {
    job: Job,
    workload: &'a Workload,
    files: &'a Files,
    watch: &'a Watch,
    study: Identity,
    trial: u64,
}

/// What the engines of one trial hand back.
struct Run {
    streams: Vec<crate::record::Recording>,
    /// When an end was asked for, from the start of the trial.
    stopped: Option<Nanos>,
}

impl<'a> Trial<'a> {
    fn new(
        assignment: &Assignment<'_>,
        first: u64,
        study: Identity,
        workload: &'a Workload,
        files: &'a Files,
        watch: &'a Watch,
    ) -> Self {
        let recorders = (workload.streams * workload.depth) as usize;
        let pattern = assignment.pattern.clone();
        let job = Job::new(workload, pattern, assignment.length, first, recorders);
        Self {
            job,
            workload,
            files,
            watch,
            study,
            trial: assignment.trial,
        }
    }

    /// Makes the content of a write.
    fn fill(&self, operation: &Operation, buffer: &mut [u8]) {
        fill(
            operation,
            self.study,
            generation(self.trial, operation.pass),
            buffer,
        );
    }
}

/// Makes the content that belongs where `operation` goes.
fn fill(operation: &Operation, study: Identity, generation: u64, buffer: &mut [u8]) {
    let (file, block) = (operation.file, operation.first_block());
    content::fill(
        buffer,
        Address {
            study: study.0,
            file,
            block,
            generation,
        },
    );
}

/// Time since the start of a trial.
#[derive(Clone, Copy, Debug)]
struct Clock(Instant);

impl Clock {
    fn now(self) -> Nanos {
        Nanos::from(self.0.elapsed())
    }
}

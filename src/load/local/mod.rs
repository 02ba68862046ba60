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
use self::choose::Chosen;
use self::cost::Cost;
use self::direct::Opened;
use self::folder::{Folder, Found};
use self::observe::Observer;
use self::passing::is_refusal;
use self::ring::RingError;
use self::trial::{Run, Trial};
pub use self::verify::{Counts, Progress, Span};
use super::{Assignment, Drive, Engine, LoadError, Measured, Pace, Share, Watch};
use crate::facts::Facts;
use crate::integrity::Expected;
use crate::plan::{DataFile, Space, TestData};
use crate::probe;
use crate::record::{Cause, Failure, Observations, observed};
use crate::study::{Config, Identity, Server};
use crate::sys::raise_open_files;

/// A mounted directory, and the study's folder in it.
#[derive(Debug)]
pub struct LocalShare {
    root: PathBuf,
    study: Identity,
    folder: Option<Folder>,
    observer: Option<Observer>,
    server: Server,
    link_gigabits: Option<f64>,
    ring: RunOnRings,
}

/// The engine for deep queues.
type RunOnRings = fn(&Trial<'_>) -> Result<Run, RingError>;

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
            ring: ring::run,
        }
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
        let measured = self.measure(assignment, assignment.first, opened, watch)?;
        if !could_refuse || !refused(measured.recording.failure.as_ref()) {
            return Ok(measured);
        }
        let opened = direct::buffered(self.folder(), assignment, watch, direct::REFUSED_LATE)?;
        self.measure(assignment, measured.next_first, opened, watch)
    }
}

impl LocalShare {
    /// Runs a trial on files that are open, from operation number `first` on.
    fn measure(
        &self,
        assignment: &Assignment<'_>,
        first: u64,
        opened: Opened,
        watch: &Watch,
    ) -> Result<Measured, LoadError> {
        watch.slowly(|| opened.evict())?;
        let files = &opened.files;
        let observer = self.observer.as_ref().filter(|_| assignment.observe);
        let mut own = from(assignment, first);
        let tried = observer.map(|observer| {
            let tried = observer.tries(&own, files, opened.alignment, watch);
            own.first += tried.used;
            (observer, tried)
        });
        let mut notes: Vec<String> = opened.note.iter().cloned().collect();
        let chosen = self.choose(&own, &opened, watch)?;
        own.first += chosen.used;
        let instrument = observer.and_then(|_| instrument::gauge(&own));
        let before = tried.map(|(observer, tried)| {
            let before = observer.before(tried, &own, files, watch);
            (observer, before)
        });
        let trial = Trial::new(&own, own.first, self.study, &opened, watch);
        let clocks = Clocks::read();
        let driven = self.drive(&trial, chosen.engine, &mut notes)?;
        let (run, engine) = (driven.run, driven.engine);
        let flushed = assignment
            .workload
            .writes()
            .then(|| watch.slowly(|| files.flush(assignment)));
        let end = run.clock.now();
        let cost = Cost::of(&run);
        let mut recording = trial.job.merge(run.streams, run.stopped);
        // From the end of the last write on, so that no moment of a trial goes uncounted.
        let flush = flushed.map(|flushed| {
            recording.failure = recording.failure.or(flushed.err());
            end - recording.ended
        });
        // Half a trial proves nothing; and what fails after waking up fails because of the sleep.
        if let Some(span) = Clocks::read()
            .slept_since(&clocks)
            .filter(|_| assignment.observe)
        {
            recording.failure = Some(Failure::Slept { span });
        }
        let mut observations = match before {
            Some((observer, before)) => {
                let (observations, more) = observer.after(before, assignment, files, watch);
                notes.extend(more);
                observations
            }
            None => Observations::default(),
        };
        let block = trial.job.block();
        notes.extend(cost.put(&recording, block, instrument, &mut observations));
        for (name, value) in opened.seen.iter().chain(chosen.seen.iter()) {
            observations.put(name, value);
        }
        if assignment.workload.writes() && recording.failure.is_none() {
            let order = assignment.pattern.write_order();
            observations.put_some(observed::WRITE_ORDER, order.map(|order| order as f64));
            observations.put(observed::WRITTEN_FROM, own.first as f64);
        }
        let checked = sample::check(&run.samples, self.study);
        if assignment.workload.reads() {
            observations.put(observed::CHECKED_BLOCKS, checked.blocks as f64);
            observations.put(observed::DAMAGED_BLOCKS, checked.damaged as f64);
        }
        recording.failure = recording.failure.or(checked.failure);
        notes.extend(checked.note);
        if let Err(error) = watch.slowly(|| opened.evict()) {
            notes.push(format!("afterwards: {error}"));
        }
        Ok(Measured {
            recording,
            flush,
            engine,
            engine_reason: driven.instead.unwrap_or(chosen.reason),
            direct: opened.direct,
            next_first: trial.job.next_first(),
            interrupted: run.stopped.is_some(),
            notes,
            observations,
        })
    }

    /// What is to drive the trial, and why.
    fn choose(
        &self,
        assignment: &Assignment<'_>,
        opened: &Opened,
        watch: &Watch,
    ) -> Result<Chosen, LoadError> {
        let deep = assignment.workload.depth > 1;
        let usual = if deep { Engine::Ring } else { Engine::Threads };
        let taken = |engine, reason: &str| Ok(Chosen::taken(engine, reason));
        match &assignment.drive {
            Drive::Given(engine, reason) => taken(*engine, reason),
            Drive::Measured if deep => {
                choose::choose(assignment, self.study, opened, watch, self.ring)
            }
            Drive::Measured => taken(usual, "one operation at a time"),
            Drive::Usual => taken(usual, ""),
        }
    }

    /// Runs a trial on `engine`, or on threads where the kernel has no rings for it.
    fn drive(
        &self,
        trial: &Trial<'_>,
        engine: Engine,
        notes: &mut Vec<String>,
    ) -> Result<Driven, LoadError> {
        let name = &trial.workload.name;
        let mut instead = None;
        if engine == Engine::Ring {
            match (self.ring)(trial) {
                Ok(run) => {
                    if run.unlocked {
                        notes.push(UNLOCKED.to_owned());
                    }
                    return Ok(Driven {
                        run,
                        engine,
                        instead,
                    });
                }
                Err(RingError::Setup(error)) => {
                    let why = choose::refused(&error);
                    notes.push(format!("{why}: threads instead"));
                    instead = Some(why);
                }
                Err(RingError::Work(error)) => {
                    return Err(LoadError::io("driving a ring for", name, error));
                }
            }
        }
        let run = threads::run(trial)
            .map_err(|error| LoadError::io("starting threads for", name, error))?;
        Ok(Driven {
            run,
            engine: Engine::Threads,
            instead,
        })
    }
}

/// A run, and what drove it.
struct Driven {
    run: Run,
    engine: Engine,
    /// Why that and not what was chosen.
    instead: Option<String>,
}

const UNLOCKED: &str =
    "locked memory is too short for the ring's buffers (ulimit -l): each operation costs more";

/// `assignment`, from operation number `first` on.
fn from<'a>(assignment: &Assignment<'a>, first: u64) -> Assignment<'a> {
    Assignment {
        pattern: assignment.pattern.clone(),
        drive: assignment.drive.clone(),
        first,
        ..*assignment
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

//! One trial on files that are open: what is tried and chosen before it, what drives it, what is looked at
//! after it.

use super::asleep::Clocks;
use super::choose::{self, Chosen};
use super::cost::Cost;
use super::direct::Opened;
use super::ring::RingError;
use super::trial::{Run, Trial};
use super::{LocalShare, instrument, sample, threads};
use crate::load::{Assignment, Drive, LoadError, Measured, Submission, Watch};
use crate::record::{Failure, Observations, observed};

impl LocalShare {
    /// Runs a trial on files that are open, from operation number `first` on; it was asked for at `asked`.
    pub(super) fn measure(
        &self,
        assignment: &Assignment<'_>,
        first: u64,
        opened: Opened,
        asked: &Clocks,
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
        notes.extend(chosen.note);
        let instrument = observer.and_then(|_| instrument::gauge(&own));
        let before = tried.map(|(observer, tried)| {
            let before = observer.before(tried, &own, files, watch);
            (observer, before)
        });
        let trial = Trial::new(&own, own.first, self.study, &opened, watch);
        let clocks = Clocks::read();
        let driven = self.drive(&trial, chosen.submission, &mut notes)?;
        let (run, submission) = (driven.run, driven.submission);
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
                let seen = observer.after(before, assignment, files, opened.alignment, watch);
                notes.extend(seen.notes);
                recording.controls = seen.controls;
                seen.observations
            }
            None => Observations::default(),
        };
        let block = trial.job.block();
        observations.put(observed::PREPARED, clocks.since(asked).secs());
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
            submission,
            submission_reason: driven.instead.unwrap_or(chosen.reason),
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
        let usual = choose::usual(assignment.workload);
        let taken = |submission, reason: &str| Ok(Chosen::taken(submission, reason));
        match &assignment.drive {
            Drive::Given(submission, reason) => taken(*submission, reason),
            Drive::Measured if assignment.workload.overlaps() => {
                choose::choose(assignment, self.study, opened, watch, self.ring)
            }
            Drive::Measured => taken(usual, "one operation at a time"),
            Drive::Usual => taken(usual, ""),
        }
    }

    /// Runs a trial by `submission`, or on threads where the kernel has no rings for it.
    fn drive(
        &self,
        trial: &Trial<'_>,
        submission: Submission,
        notes: &mut Vec<String>,
    ) -> Result<Driven, LoadError> {
        let name = &trial.workload.name;
        let mut instead = None;
        if submission == Submission::Ring {
            match (self.ring)(trial) {
                Ok(run) => {
                    if run.unlocked {
                        notes.push(UNLOCKED.to_owned());
                    }
                    return Ok(Driven {
                        run,
                        submission,
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
            submission: Submission::Threads,
            instead,
        })
    }
}

/// A run, and what drove it.
struct Driven {
    run: Run,
    submission: Submission,
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

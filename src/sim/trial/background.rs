//! What the drives do besides answering: draining written data, and the reshape.

use super::super::buffer::{Drain, Run};
use super::super::layout::{Piece, WritePlan};
use super::super::member::{Conditions, Kind, Whose};
use super::{Event, Source, Trial};
use crate::units::Nanos;

/// Runs that are drained at once, for each drive.
pub(super) const DRAINS_PER_DRIVE: usize = 4;
/// Steps of the reshape that may be under way at once.
const RESHAPE_STEPS: u64 = 8;
/// Over how much time the reshape judges how busy others keep the drives.
const JUDGED: Nanos = Nanos::SECOND;

/// A run on its way to the drives.
#[derive(Clone, Debug)]
pub(super) struct Draining {
    pub(super) run: Run,
    /// What is to be written when what it takes has been read.
    writes: Vec<Piece>,
    /// When each of the pieces that were sent is done, and its bytes.
    sent: Vec<(Nanos, u64)>,
}

impl Draining {
    /// Bytes of the run that are on the drives at `now`: as large a part of it as of all its pieces.
    fn written(&self, now: Nanos) -> u64 {
        let all: u64 = self.sent.iter().map(|(_, bytes)| bytes).sum();
        let done: u64 = self
            .sent
            .iter()
            .filter(|(end, _)| *end <= now)
            .map(|(_, bytes)| bytes)
            .sum();
        (self.run.end - self.run.start) * done / all.max(1)
    }
}

/// The reshape's doings in this trial.
#[derive(Debug)]
pub(super) struct Pace {
    /// Steps under way.
    steps: u64,
    /// Whether the next step is due and waits for one of them.
    waiting: bool,
    /// When a step was last done.
    done: Nanos,
    /// Each drive's busy time then.
    foreground: Vec<Nanos>,
    /// Time that others took of the busiest drive, in seconds; older time counts for less.
    taken: f64,
    /// Out of so many seconds, weighed alike.
    of: f64,
}

impl Pace {
    /// At first, others are taken to be as busy as they are on average.
    pub(super) fn new(conditions: &Conditions, drives: usize) -> Self {
        Self {
            steps: 0,
            waiting: false,
            done: Nanos(0),
            foreground: vec![Nanos(0); drives],
            taken: conditions.foreign_busy() * JUDGED.secs(),
            of: JUDGED.secs(),
        }
    }

    /// The part of the busiest drive's time that others took of late.
    fn busy(&self) -> f64 {
        (self.taken / self.of).min(1.0)
    }

    fn note(&mut self, taken: Nanos, span: Nanos) {
        let kept = (-span.secs() / JUDGED.secs()).exp();
        self.taken = self.taken * kept + taken.secs();
        self.of = self.of * kept + span.secs();
    }
}

impl<S: Source> Trial<'_, S> {
    /// Sends dirty data to the drives, as much at once as they are good for.
    pub(super) fn drain(&mut self) {
        let hurry = self.flush_from.is_some() || !self.blocked.is_empty();
        while let Some(slot) = self.drains.iter().position(Option::is_none) {
            let stage = &self.stage;
            let stripe = |at| stage.layout(at).stripe();
            let next = self.buffer.drain(self.now, hurry, stripe);
            match next {
                Drain::Empty => return,
                Drain::Wait(moment) => {
                    if self.drain_due.is_none() {
                        self.drain_due = Some(moment);
                        self.at(moment, Event::DrainDue);
                    }
                    return;
                }
                Drain::Run(run) => {
                    let WritePlan { reads, writes } = self.plan(run);
                    let (_, read) = self.serve(&reads, Kind::Read);
                    self.drains[slot] = Some(Draining {
                        run,
                        writes,
                        sent: Vec::new(),
                    });
                    self.at(read, Event::DrainRead(slot));
                }
            }
        }
    }

    /// Writes a run whose old data and parity have been read.
    pub(super) fn drain_writes(&mut self, slot: usize) {
        let Some(draining) = &mut self.drains[slot] else {
            return;
        };
        let writes = std::mem::take(&mut draining.writes);
        let sent: Vec<(Nanos, u64)> = writes
            .iter()
            .map(|piece| {
                let (bytes, end) = self.serve(std::slice::from_ref(piece), Kind::Write);
                (end, bytes)
            })
            .collect();
        let end = sent.iter().map(|(end, _)| *end).fold(self.now, Nanos::max);
        if let Some(draining) = &mut self.drains[slot] {
            draining.sent = sent;
        }
        self.at(end, Event::Drained(slot));
    }

    /// Bytes that were written by the workload and are not on the drives.
    pub(super) fn unwritten(&self) -> u64 {
        let draining = self.drains.iter().flatten();
        let written: u64 = draining.map(|run| run.written(self.now)).sum();
        self.buffer.bytes() - written
    }

    /// What writing a run takes. A run that was joined before the pool's stripes became wider may
    /// lie in two of them.
    fn plan(&self, run: Run) -> WritePlan {
        let layout = self.stage.layout(run.start);
        let mut all = WritePlan::default();
        let mut from = run.start;
        while from < run.end {
            let to = run.end.min((from / layout.stripe() + 1) * layout.stripe());
            let plan = layout.write(from, to);
            all.reads.extend(plan.reads);
            all.writes.extend(plan.writes);
            from = to;
        }
        all
    }

    /// Begins a step and sets the time of the next, so that the allowed rate is kept.
    pub(super) fn reshape_reads(&mut self) {
        let Some(reshape) = &self.stage.reshape else {
            return;
        };
        self.pace.waiting = self.pace.steps >= RESHAPE_STEPS;
        let Some(step) = reshape.step(self.pace.steps).filter(|_| !self.pace.waiting) else {
            return;
        };
        self.pace.steps += 1;
        let allowed = reshape.allowed(self.pace.busy(), &self.stage.conditions.drive);
        let next = self.now + Nanos::from_secs_f64(step.bytes as f64 / allowed);
        let drives = self.stage.placement.old.drives();
        let read = self.move_all(drives, step.from, step.bytes, Kind::Read);
        self.at(read, Event::ReshapeWrites(step.to, step.bytes));
        self.at(next, Event::ReshapeDue);
    }

    pub(super) fn move_all(&mut self, drives: usize, at: u64, bytes: u64, kind: Kind) -> Nanos {
        let (conditions, rng) = (&self.stage.conditions, &mut self.stage.rng);
        self.members[..drives]
            .iter_mut()
            .enumerate()
            .map(|(member, drive)| {
                let piece = Piece { member, at, bytes };
                drive.serve(self.now, piece, kind, Whose::Reshape, conditions, rng)
            })
            .fold(self.now, Nanos::max)
    }

    /// Notes what was moved, and how busy others kept the busiest drive meanwhile.
    pub(super) fn reshaped(&mut self, bytes: u64) {
        let span = self.now - self.pace.done;
        if let Some(reshape) = &mut self.stage.reshape {
            reshape.moved(bytes as f64, span);
        }
        let mut busiest = Nanos(0);
        for (member, before) in self.members.iter().zip(&mut self.pace.foreground) {
            busiest = busiest.max(member.foreground - *before);
            *before = member.foreground;
        }
        self.pace.note(busiest, span);
        self.pace.done = self.now;
        self.pace.steps -= 1;
        if self.pace.waiting {
            self.reshape_reads();
        }
    }
}

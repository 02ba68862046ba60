//! What the drives do besides answering: draining written data, and the reshape.

use std::cmp::Reverse;

use super::super::buffer::{Drain, Run};
use super::super::layout::{Piece, WritePlan};
use super::super::member::{Conditions, JUDGED, Kind, Whose};
use super::{Event, Source, Trial};
use crate::units::Nanos;

/// Runs that are drained at once, for each drive.
pub(super) const DRAINS_PER_DRIVE: usize = 4;
/// Steps of the reshape that may be under way at once.
const RESHAPE_STEPS: u64 = 8;
/// So long before an operation is due, the drives are as busy with the reshape as they would be anyway:
/// longer than the steps under way take.
const LEAD: Nanos = Nanos(250_000_000);

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
    /// Time that others took of each drive, in seconds; older time counts for less.
    taken: Vec<f64>,
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
            taken: vec![conditions.foreign_busy() * JUDGED.secs(); drives],
            of: JUDGED.secs(),
        }
    }

    /// The part of the busiest drive's time that others took of late.
    fn busy(&self) -> f64 {
        let most = self.taken.iter().copied().fold(0.0, f64::max);
        (most / self.of).min(1.0)
    }

    /// What each drive has done for others in all, `span` after it was last noted.
    fn note(&mut self, foreground: impl Iterator<Item = Nanos>, span: Nanos) {
        let kept = (-span.secs() / JUDGED.secs()).exp();
        let drives = self.taken.iter_mut().zip(&mut self.foreground);
        for ((taken, before), now) in drives.zip(foreground) {
            *taken = *taken * kept + (now - *before).secs();
            *before = now;
        }
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

    /// Notes what was moved, and how busy others kept the drives meanwhile.
    pub(super) fn reshaped(&mut self, bytes: u64) {
        self.went_on(bytes as f64);
        self.pace.steps -= 1;
        if self.pace.waiting {
            self.reshape_reads();
        }
    }

    /// Notes that the reshape has moved `bytes` of each drive since it last did.
    fn went_on(&mut self, bytes: f64) {
        let span = self.now - self.pace.done;
        if let Some(reshape) = &mut self.stage.reshape {
            reshape.moved(bytes, span);
        }
        let foreground = self.members.iter().map(|member| member.foreground);
        self.pace.note(foreground, span);
        self.pace.done = self.now;
    }

    /// Leaps to shortly before the next operation is due, when nothing else is under way until then
    /// but other users and the reshape: users come as always, and the reshape goes at the rate that
    /// it is allowed. Whether it did.
    pub(super) fn leap(&mut self) -> bool {
        let streams = self.due.iter().zip(&self.finished);
        let next = streams
            .filter(|(_, finished)| !**finished)
            .map(|(due, _)| due.unwrap_or_default())
            .min();
        let Some(target) = next
            .map(|due| due - LEAD)
            .filter(|to| *to > self.now + LEAD)
        else {
            return false;
        };
        let moves = self.stage.reshape.as_ref().is_some_and(|r| !r.stands());
        let idle = self.transfers.iter().all(Option::is_none) && self.buffer.is_clean();
        if !(moves && idle) {
            return false;
        }
        self.events
            .retain(|Reverse((_, _, event))| matches!(event, Event::Due(_) | Event::DrainDue));
        while self.now < target {
            self.now = target.min(self.now + JUDGED);
            let (conditions, rng) = (&self.stage.conditions, &mut self.stage.rng);
            for member in &mut self.members {
                member.admit_foreign(self.now, conditions, rng);
            }
            let busy = self.pace.busy();
            let rate = self.stage.reshape.as_ref().map_or(0.0, |reshape| {
                reshape.allowed(busy, &self.stage.conditions.drive)
            });
            self.went_on(rate * (self.now - self.pace.done).secs());
        }
        (self.pace.steps, self.pace.waiting) = (0, false);
        self.at(self.now, Event::ReshapeDue);
        true
    }
}

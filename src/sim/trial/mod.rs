//! One trial on virtual time: events in the order of their time, then of their making.

mod background;
mod client;
mod server;
mod stage;

use std::cmp::Reverse;
use std::collections::{BinaryHeap, VecDeque};

use background::{DRAINS_PER_DRIVE, Draining, Pace};
pub(super) use client::Source;
pub(super) use stage::{Outcome, Placement, Stage, Tally};

use super::buffer::Buffer;
use super::layout::Piece;
use super::member::{Kind, Member, Whose};
use super::truth::Truth;
use crate::load::{Transfer, Watch};
use crate::units::Nanos;

/// Events between two looks at whether an end was asked for.
const WATCHED: u64 = 256;

/// What happens at a moment. Operations and drains go by their numbers.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Event {
    /// A stream's next operation is due.
    Due(usize),
    /// A request has reached the server.
    Arrived(usize),
    /// The server's processor has dealt with it.
    Accepted(usize),
    /// What was to be read is in the server's memory.
    Fetched(usize),
    /// The answer has reached the client.
    Answered(usize),
    /// The client has a processor for it.
    Taken(usize),
    /// A run of dirty data may have waited long enough.
    DrainDue,
    /// What must be read before a run can be written is there.
    DrainRead(usize),
    /// A run is on the drives.
    Drained(usize),
    /// The reshape may begin its next step.
    ReshapeDue,
    /// It writes so many bytes of each drive, which it has read, to this place.
    ReshapeWrites(u64, u64),
    /// It has moved so many bytes of each drive.
    Reshaped(u64),
}

/// A trial under way.
pub(super) struct Trial<'a, S> {
    stage: Stage<'a>,
    watch: &'a Watch,
    block: u64,
    depth: usize,
    streams: Vec<S>,
    finished: Vec<bool>,
    due: Vec<Option<Nanos>>,
    transfers: Vec<Option<Transfer>>,
    /// What each read asks the server for: what the client's cache does not have.
    asked: Vec<(u64, u64)>,
    members: Vec<Member>,
    buffer: Buffer,
    blocked: VecDeque<usize>,
    drains: Vec<Option<Draining>>,
    drain_due: Option<Nanos>,
    flush_from: Option<Nanos>,
    pace: Pace,
    events: BinaryHeap<Reverse<(Nanos, u64, Event)>>,
    made: u64,
    now: Nanos,
    processor_free: Nanos,
    up_free: Nanos,
    down_free: Nanos,
    tier_free: Nanos,
    /// When each of the client's cores, and its memory for each stream, has done what came so far.
    core_free: Vec<Nanos>,
    memory_free: Vec<Nanos>,
    truth: Truth,
    tally: Tally,
}

impl<'a, S: Source> Trial<'a, S> {
    /// Of operations of `block` bytes; each stream has at most `depth` in flight.
    pub(super) fn new(
        mut stage: Stage<'a>,
        streams: Vec<S>,
        block: u64,
        depth: u32,
        watch: &'a Watch,
    ) -> Self {
        let drives = if stage.reshape.is_some() {
            stage.placement.new.drives()
        } else {
            stage.placement.old.drives()
        };
        let members: Vec<Member> = (0..drives)
            .map(|_| Member::new(&stage.conditions, &mut stage.rng))
            .collect();
        let (count, depth) = (streams.len(), depth as usize);
        let cores = stage.client.cores.max(1) as usize;
        Self {
            buffer: Buffer::new(stage.server.write_back.0, stage.server.write_back_line.0),
            pace: Pace::new(&stage.conditions, drives),
            stage,
            watch,
            block,
            depth,
            streams,
            finished: vec![false; count],
            due: vec![None; count],
            transfers: vec![None; count * depth],
            asked: vec![(0, 0); count * depth],
            drains: vec![None; drives * DRAINS_PER_DRIVE],
            members,
            blocked: VecDeque::new(),
            drain_due: None,
            flush_from: None,
            events: BinaryHeap::new(),
            made: 0,
            now: Nanos(0),
            processor_free: Nanos(0),
            up_free: Nanos(0),
            down_free: Nanos(0),
            tier_free: Nanos(0),
            core_free: vec![Nanos(0); cores],
            memory_free: vec![Nanos(0); count],
            truth: Truth::default(),
            tally: Tally {
                cores: vec![Nanos(0); cores],
                ..Tally::default()
            },
        }
    }

    /// Runs it to its end.
    pub(super) fn run(mut self) -> Outcome<S> {
        let mut stopped = None;
        (0..self.streams.len()).for_each(|stream| self.ask(stream));
        if self.stage.reshape.is_some() {
            self.at(Nanos(0), Event::ReshapeDue);
        }
        let mut handled = 0u64;
        while !self.is_over() {
            if stopped.is_none() && handled.is_multiple_of(WATCHED) && self.watch.stopped() {
                stopped = Some(self.now);
                for stream in 0..self.streams.len() {
                    self.streams[stream].close(self.now);
                    self.ask(stream);
                }
                continue;
            }
            if self.leap() {
                continue;
            }
            handled += 1;
            let Some(Reverse((moment, _, event))) = self.events.pop() else {
                break;
            };
            self.now = moment;
            self.handle(event);
        }
        let flushed_from = self.flush_from.unwrap_or(self.now);
        let flush = self.now - flushed_from + self.stage.round_trip;
        let (conditions, rng) = (&self.stage.conditions, &mut self.stage.rng);
        for member in &mut self.members {
            member.admit_foreign(self.now, conditions, rng);
        }
        let counters = |member: &mut Member| member.counters(self.now);
        let members = self.members.iter_mut().map(counters).collect();
        self.truth.unwritten_after_flush = self.unwritten();
        Outcome {
            stopped,
            flush,
            elapsed: self.now + self.stage.round_trip,
            foreign: self.members.iter().map(|member| member.foreign).sum(),
            members,
            truth: self.truth,
            tally: self.tally,
            sources: self.streams,
        }
    }

    /// Whether all answers are there and all written data is on the drives; begins the flush.
    fn is_over(&mut self) -> bool {
        if !self.finished.iter().all(|finished| *finished) {
            return false;
        }
        if self.flush_from.is_none() {
            self.flush_from = Some(self.now);
            self.truth.unwritten_before_flush = self.unwritten();
            self.drain();
        }
        self.buffer.is_clean() || self.stage.server.flush_lies
    }

    fn at(&mut self, moment: Nanos, event: Event) {
        self.made += 1;
        self.events.push(Reverse((moment, self.made, event)));
    }

    fn handle(&mut self, event: Event) {
        match event {
            Event::Due(stream) => {
                if self.due[stream] == Some(self.now) {
                    self.due[stream] = None;
                }
                self.ask(stream);
            }
            Event::Arrived(operation) => {
                self.processor_free = self.processor_free.max(self.now) + self.stage.server.request;
                self.at(self.processor_free, Event::Accepted(operation));
            }
            Event::Accepted(operation) => self.accept(operation),
            Event::Fetched(operation) => self.answer(operation),
            Event::Answered(operation) => self.answered(operation),
            Event::Taken(operation) => self.taken(operation),
            Event::DrainDue => {
                self.drain_due = None;
                self.drain();
            }
            Event::DrainRead(drain) => {
                self.drain_writes(drain);
            }
            Event::Drained(drain) => {
                if let Some(draining) = self.drains[drain].take() {
                    self.buffer.release(draining.run);
                }
                while let Some(&operation) = self.blocked.front()
                    && self.buffer.fits(self.block)
                {
                    self.blocked.pop_front();
                    self.buffer_write(operation);
                }
                self.drain();
            }
            Event::ReshapeDue => self.reshape_reads(),
            Event::ReshapeWrites(to, bytes) => {
                let end = self.move_all(self.members.len(), to, bytes, Kind::Write);
                self.at(end, Event::Reshaped(bytes));
            }
            Event::Reshaped(bytes) => self.reshaped(bytes),
        }
    }

    /// Hands `pieces` to their drives now; says how many bytes they move and when the last is done.
    fn serve(&mut self, pieces: &[Piece], kind: Kind) -> (u64, Nanos) {
        let (conditions, rng) = (&self.stage.conditions, &mut self.stage.rng);
        let stored = self.stage.stored;
        let (mut moved, mut done) = (0, self.now);
        for &piece in pieces {
            let piece = piece.stored(stored);
            moved += piece.bytes;
            let end = self.members[piece.member].serve(
                self.now,
                piece,
                kind,
                Whose::Foreground,
                conditions,
                rng,
            );
            done = done.max(end);
        }
        (moved, done)
    }

    fn one_way(&self) -> Nanos {
        Nanos(self.stage.round_trip.0 / 2)
    }
}

//! One trial on virtual time: events in the order of their time, then of their making.

mod background;
mod stage;

use std::cmp::Reverse;
use std::collections::{BinaryHeap, VecDeque};

use background::{DRAINS_PER_DRIVE, Pace};
pub(super) use stage::{Outcome, Placement, Stage};

use super::buffer::{Buffer, Run};
use super::layout::Piece;
use super::member::{Kind, Member};
use crate::load::{Job, Next, Stream, Transfer, Watch};
use crate::plan::Direction;
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
pub(super) struct Trial<'a, 'j> {
    stage: Stage<'a>,
    watch: &'a Watch,
    block: u64,
    depth: usize,
    streams: Vec<Stream<'j>>,
    finished: Vec<bool>,
    due: Vec<Option<Nanos>>,
    transfers: Vec<Option<Transfer>>,
    members: Vec<Member>,
    buffer: Buffer,
    blocked: VecDeque<usize>,
    drains: Vec<Option<(Run, Vec<Piece>)>>,
    drain_due: Option<Nanos>,
    flush_from: Option<Nanos>,
    pace: Pace,
    events: BinaryHeap<Reverse<(Nanos, u64, Event)>>,
    made: u64,
    now: Nanos,
    processor_free: Nanos,
    up_free: Nanos,
    down_free: Nanos,
}

impl<'a, 'j> Trial<'a, 'j> {
    pub(super) fn new(
        mut stage: Stage<'a>,
        job: &'j Job,
        streams: u32,
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
        let (count, depth) = (streams as usize, depth as usize);
        Self {
            buffer: Buffer::new(stage.server.write_back.0, stage.server.write_back_line.0),
            pace: Pace::new(&stage.conditions, drives),
            stage,
            watch,
            block: job.block(),
            depth,
            streams: (0..count).map(|_| job.stream(depth as u32)).collect(),
            finished: vec![false; count],
            due: vec![None; count],
            transfers: vec![None; count * depth],
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
        }
    }

    /// Runs it to its end.
    pub(super) fn run(mut self) -> Outcome {
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
            handled += 1;
            let Some(Reverse((moment, _, event))) = self.events.pop() else {
                break;
            };
            self.now = moment;
            self.handle(event);
        }
        let flushed_from = self.flush_from.unwrap_or(self.now);
        let flush = self.now - flushed_from + self.stage.round_trip;
        Outcome {
            stopped,
            flush,
            elapsed: self.now + self.stage.round_trip,
            foreign: self.members.iter().map(|member| member.foreign).sum(),
            recordings: self.streams.into_iter().map(Stream::finish).collect(),
        }
    }

    /// Whether all answers are there and all written data is on the drives; begins the flush.
    fn is_over(&mut self) -> bool {
        if !self.finished.iter().all(|finished| *finished) {
            return false;
        }
        if self.flush_from.is_none() {
            self.flush_from = Some(self.now);
            self.drain();
        }
        self.buffer.is_clean()
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
            Event::Fetched(operation) => {
                self.down_free = self.down_free.max(self.now) + self.on_the_wire();
                let there = self.down_free + self.one_way();
                self.at(there, Event::Answered(operation));
            }
            Event::Answered(operation) => {
                if let Some(transfer) = self.transfers[operation].take() {
                    let stream = operation / self.depth;
                    self.watch.add(self.block);
                    self.streams[stream].done(transfer, self.now, Ok(()));
                    self.ask(stream);
                }
            }
            Event::DrainDue => {
                self.drain_due = None;
                self.drain();
            }
            Event::DrainRead(drain) => {
                if let Some((_, writes)) = &mut self.drains[drain] {
                    let writes = std::mem::take(writes);
                    let end = self.serve(&writes, Kind::Write);
                    self.at(end, Event::Drained(drain));
                }
            }
            Event::Drained(drain) => {
                if let Some((run, _)) = self.drains[drain].take() {
                    self.buffer.release(run);
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

    /// Lets a stream start what it wants to.
    fn ask(&mut self, stream: usize) {
        loop {
            match self.streams[stream].next(self.now) {
                Next::Transfer(transfer) => self.send(stream, transfer),
                Next::WaitUntil(moment) => {
                    if self.due[stream].is_none_or(|due| moment < due) {
                        self.due[stream] = Some(moment);
                        self.at(moment, Event::Due(stream));
                    }
                    return;
                }
                Next::AwaitCompletion => return,
                Next::Finished => {
                    self.finished[stream] = true;
                    return;
                }
            }
        }
    }

    fn send(&mut self, stream: usize, transfer: Transfer) {
        let operation = stream * self.depth + transfer.slot as usize;
        self.transfers[operation] = Some(transfer);
        let sent = match transfer.operation.direction {
            Direction::Read => self.now,
            Direction::Write => {
                self.up_free = self.up_free.max(self.now) + self.on_the_wire();
                self.up_free
            }
        };
        self.at(sent + self.one_way(), Event::Arrived(operation));
    }

    fn accept(&mut self, operation: usize) {
        let Some(transfer) = self.transfers[operation] else {
            return;
        };
        match transfer.operation.direction {
            Direction::Read => {
                let (start, end) = self.addresses(&transfer);
                let missing = self.stage.cache.missing(start, end);
                self.stage.cache.keep(start, end);
                let fetched = missing.map_or(self.now, |(start, end)| {
                    let pieces = self.stage.layout(start).read(start, end);
                    self.serve(&pieces, Kind::Read)
                });
                self.at(fetched, Event::Fetched(operation));
            }
            Direction::Write if self.blocked.is_empty() && self.buffer.fits(self.block) => {
                self.buffer_write(operation);
                self.drain();
            }
            Direction::Write => {
                self.blocked.push_back(operation);
                self.drain();
            }
        }
    }

    fn buffer_write(&mut self, operation: usize) {
        let Some(transfer) = self.transfers[operation] else {
            return;
        };
        let (start, end) = self.addresses(&transfer);
        let stripe = self.stage.layout(start).stripe();
        self.buffer.take(self.now, start, end, stripe);
        self.stage.cache.keep(start, end);
        self.at(self.now + self.one_way(), Event::Answered(operation));
    }

    /// Hands `pieces` to their drives now; says when the last is done.
    fn serve(&mut self, pieces: &[Piece], kind: Kind) -> Nanos {
        let (conditions, rng) = (&self.stage.conditions, &mut self.stage.rng);
        pieces
            .iter()
            .map(|&piece| self.members[piece.member].serve(self.now, piece, kind, conditions, rng))
            .fold(self.now, Nanos::max)
    }

    fn addresses(&self, transfer: &Transfer) -> (u64, u64) {
        let file = self.stage.files[&transfer.operation.file];
        let start = file + transfer.operation.offset;
        (start, start + self.block)
    }

    fn on_the_wire(&self) -> Nanos {
        Nanos::from_secs_f64(self.block as f64 / self.stage.link)
    }

    fn one_way(&self) -> Nanos {
        Nanos(self.stage.round_trip.0 / 2)
    }
}

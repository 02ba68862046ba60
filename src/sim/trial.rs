//! One trial on virtual time: events in the order of their time, then of their making.

use std::cmp::Reverse;
use std::collections::{BTreeMap, BinaryHeap, VecDeque};

use super::buffer::{Buffer, Drain, Run};
use super::cache::Cache;
use super::layout::{Layout, Piece, WritePlan};
use super::member::{Conditions, Kind, Member};
use super::reshape::Reshape;
use super::scenario::Server;
use crate::load::{Job, Next, Stream, Transfer, Watch};
use crate::plan::Direction;
use crate::record::Recording;
use crate::units::Nanos;

/// Events between two looks at whether an end was asked for.
const WATCHED: u64 = 256;
/// Runs that are drained at once, for each drive.
const DRAINS_PER_DRIVE: usize = 4;
/// Steps of the reshape that may be under way at once.
const RESHAPE_STEPS: u64 = 8;
/// Over how much time the reshape judges how busy others keep the drives.
const JUDGED: Nanos = Nanos::SECOND;

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

/// Where the bytes of the pool lie, before, while and after it grows.
#[derive(Clone, Copy, Debug)]
pub(super) struct Placement {
    pub(super) old: Layout,
    pub(super) new: Layout,
}

/// The parts of the share that a trial uses and changes.
#[derive(Debug)]
pub(super) struct Stage<'a> {
    pub(super) server: Server,
    /// Payload bytes per second each way.
    pub(super) link: f64,
    pub(super) round_trip: Nanos,
    pub(super) conditions: Conditions,
    pub(super) placement: Placement,
    pub(super) reshape: Option<&'a mut Reshape>,
    pub(super) cache: &'a mut Cache,
    /// Address of each file in the pool.
    pub(super) files: &'a BTreeMap<u64, u64>,
    pub(super) rng: fastrand::Rng,
}

impl Stage<'_> {
    /// The layout that holds at an address just now.
    fn layout(&self, address: u64) -> &Layout {
        let Placement { old, new } = &self.placement;
        let moved = self
            .reshape
            .as_ref()
            .map_or(0, |reshape| new.filled_to(reshape.done()));
        if address < moved { new } else { old }
    }
}

/// What came of it.
#[derive(Debug)]
pub(super) struct Outcome {
    pub(super) recordings: Vec<Recording>,
    /// When the end was asked for, if it was.
    pub(super) stopped: Option<Nanos>,
    /// From the last answer to the last byte on the drives.
    pub(super) flush: Nanos,
    /// All of the time, with the flush.
    pub(super) elapsed: Nanos,
    /// Other users' operations.
    pub(super) foreign: u64,
}

/// The reshape's doings in this trial.
#[derive(Debug, Default)]
struct Pace {
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
            pace: Pace {
                taken: stage.conditions.foreign_busy() * JUDGED.secs(),
                of: JUDGED.secs(),
                foreground: vec![Nanos(0); drives],
                ..Pace::default()
            },
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

    /// Sends dirty data to the drives, as much at once as they are good for.
    fn drain(&mut self) {
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
                    let read = self.serve(&reads, Kind::Read);
                    self.drains[slot] = Some((run, writes));
                    self.at(read, Event::DrainRead(slot));
                }
            }
        }
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

    /// Hands `pieces` to their drives now; says when the last is done.
    fn serve(&mut self, pieces: &[Piece], kind: Kind) -> Nanos {
        let (conditions, rng) = (&self.stage.conditions, &mut self.stage.rng);
        pieces
            .iter()
            .map(|&piece| self.members[piece.member].serve(self.now, piece, kind, conditions, rng))
            .fold(self.now, Nanos::max)
    }

    /// Begins a step and sets the time of the next, so that the allowed rate is kept.
    fn reshape_reads(&mut self) {
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

    fn move_all(&mut self, drives: usize, at: u64, bytes: u64, kind: Kind) -> Nanos {
        let (conditions, rng) = (&self.stage.conditions, &mut self.stage.rng);
        self.members[..drives]
            .iter_mut()
            .enumerate()
            .map(|(member, drive)| {
                let piece = Piece { member, at, bytes };
                drive.reshape(self.now, piece, kind, conditions, rng)
            })
            .fold(self.now, Nanos::max)
    }

    /// Notes what was moved, and how busy others kept the busiest drive meanwhile.
    fn reshaped(&mut self, bytes: u64) {
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

//! Submission for deep queues on Linux: an io_uring ring for each stream.
//!
//! Many threads on few cores book their own scheduling as latency of the storage; one thread that
//! keeps a ring full does not. What is written next is made while the ring is full, and what ends meanwhile
//! is looked at every few microseconds, so that making content neither keeps the share waiting nor counts as
//! its latency.
#![expect(unsafe_code, reason = "the kernel is handed addresses of buffers")]

use std::collections::VecDeque;
use std::io;
use std::os::fd::{AsRawFd, RawFd};
use std::time::Duration;

use io_uring::types::{Fd, SubmitArgs, Timespec};
use io_uring::{IoUring, opcode, squeue};

use super::buffers::Buffers;
use super::sample::Sample;
use super::start::together;
use super::transfer::go_on;
use super::trial::{Clock, Ended, Run, Trial};
use crate::load::{Next, Stream, Transfer};
use crate::plan::{Direction, Operation};
use crate::record::Cause;
use crate::sys::processor_time;
use crate::units::Nanos;

/// A wait looks at the stop signal so often.
const NAP: Nanos = Nanos(50_000_000);
/// The completion that ends a wait is told by this from those of slots.
const BEAT: u64 = u64::MAX;
/// After so many bytes of content, which take some microseconds to make, the ring is looked at.
const PIECE: usize = 64 << 10;
/// So many writes of a closed loop stand ready, their content made, for when others have ended.
const SPARE: u32 = 2;

/// Why a trial did not run on rings.
#[derive(Debug)]
pub(super) enum RingError {
    /// The kernel has no rings or does not let us have them; nothing was transferred.
    Setup(io::Error),
    /// A ring stopped working in the middle of the trial.
    Work(io::Error),
}

impl From<io::Error> for RingError {
    fn from(error: io::Error) -> Self {
        Self::Setup(error)
    }
}

/// Runs the trial with a ring for each stream. Rings belong to the threads that make them.
pub(super) fn run(trial: &Trial<'_>) -> Result<Run, RingError> {
    let lane = || Lane::new(trial, Known::ALL).map_err(RingError::Setup);
    let streams = trial.workload.streams as usize;
    let done = together(streams, lane, Lane::work, |now| trial.job.look(now))?;
    Run::of(done).map_err(RingError::Work)
}

/// A ring, as cheap as the kernel has it: known to be used by one thread, whose completions are
/// worked on when it asks for them (Linux 6.1), or at least do not interrupt it (5.19).
fn build(entries: u32) -> io::Result<IoUring> {
    let deferred = IoUring::builder()
        .setup_single_issuer()
        .setup_coop_taskrun()
        .setup_taskrun_flag()
        .setup_defer_taskrun()
        .build(entries);
    let cooperative = || {
        let mut builder = IoUring::builder();
        builder.setup_coop_taskrun().setup_taskrun_flag();
        builder.build(entries)
    };
    deferred
        .or_else(|_| cooperative())
        .or_else(|_| IoUring::builder().build(entries))
}

/// One stream with its ring and buffers.
struct Lane<'a> {
    trial: &'a Trial<'a>,
    stream: Stream<'a>,
    ring: IoUring,
    /// How each file is named to the ring, by its number.
    targets: Vec<i32>,
    /// What of it the ring knows beforehand.
    known: Known,
    slots: Vec<Option<Slot>>,
    /// Slots whose operations can go to the kernel as soon as there is room, the first first.
    ready: VecDeque<usize>,
    /// Operations that the kernel has, and may have at once.
    in_flight: usize,
    depth: usize,
    /// Bytes of content made since the ring was looked at.
    made: usize,
    /// Slots and results of operations that have ended; as long as it can get.
    ended: Vec<(u64, i32)>,
    sample: Sample,
    beat: Timespec,
    // Last, so that the ring is gone before the memory that the kernel may still write to.
    buffers: Buffers,
}

/// What a ring knows beforehand, so that it need not look it up for each operation.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Known {
    /// Not where there are more than a process may open.
    files: bool,
    /// Not where locked memory is short.
    buffers: bool,
}

impl Known {
    const ALL: Self = Self {
        files: true,
        buffers: true,
    };
}

/// An operation in flight, or ready for it.
#[derive(Clone, Copy)]
struct Slot {
    transfer: Transfer,
    moved: u32,
}

impl<'a> Lane<'a> {
    /// A lane whose ring knows beforehand what is `wanted`, as far as the kernel takes it.
    fn new(trial: &'a Trial<'a>, wanted: Known) -> io::Result<Self> {
        let workload = trial.workload;
        let depth = workload.depth as usize;
        let spare = if workload.writes_ahead() { SPARE } else { 0 };
        let slots = workload.depth + spare;
        let block = trial.job.block() as usize;
        let ring = build((depth * 2).next_power_of_two() as u32)?;
        let buffers = trial.buffers(slots as usize);
        let vectors: Vec<libc::iovec> = (0..slots as usize)
            .map(|slot| libc::iovec {
                iov_base: buffers.address(slot).cast(),
                iov_len: block,
            })
            .collect();
        let files: Vec<(u64, RawFd)> = trial
            .files
            .all()
            .map(|(number, file)| (number, file.as_raw_fd()))
            .collect();
        let handles: Vec<RawFd> = files.iter().map(|(_, handle)| *handle).collect();
        let known = Known {
            files: wanted.files && ring.submitter().register_files(&handles).is_ok(),
            // SAFETY: the buffers outlive the ring, which is dropped first.
            buffers: wanted.buffers
                && unsafe { ring.submitter().register_buffers(&vectors) }.is_ok(),
        };
        let highest = files.iter().map(|(number, _)| *number).max();
        let mut targets = vec![-1; highest.map_or(0, |highest| highest as usize + 1)];
        for (index, (number, handle)) in (0..).zip(files) {
            targets[number as usize] = if known.files { index } else { handle };
        }
        Ok(Self {
            trial,
            stream: trial.job.stream(slots),
            ring,
            targets,
            known,
            slots: vec![None; slots as usize],
            ready: VecDeque::with_capacity(slots as usize),
            in_flight: 0,
            depth,
            made: 0,
            // The beat is one more.
            ended: Vec::with_capacity(depth + 1),
            sample: trial.sample(trial.workload.streams as usize),
            beat: Timespec::from(Duration::from(NAP)),
            buffers,
        })
    }

    /// What came of it, and [`processor_time`] when it was driven.
    fn work(mut self, clock: Clock) -> (io::Result<Ended>, u64) {
        let (driven, done) = (self.drive(clock), processor_time());
        let ended = match driven {
            Ok(stopped) => {
                drop(self.ring);
                Ok(Ended {
                    recording: self.stream.finish(),
                    stopped,
                    buffers: self.buffers,
                    sample: self.sample,
                    unlocked: !self.known.buffers,
                })
            }
            Err(error) => {
                // Operations may still be in flight: their memory must never be used again.
                std::mem::forget(self.buffers);
                Err(error)
            }
        };
        (ended, done)
    }

    /// Keeps the ring full until the stream is finished; tells when it was stopped.
    fn drive(&mut self, clock: Clock) -> io::Result<Option<Nanos>> {
        let mut stopped = None;
        self.wake_up()?;
        let mut now = clock.now();
        loop {
            if stopped.is_none() && self.trial.watch.stopped() {
                stopped = Some(now);
                self.stream.close(now);
            }
            // What may start starts, all of it with one call; then something is waited for.
            self.launch(now)?;
            match self.stream.next(now) {
                Next::Transfer(transfer) => {
                    now = self.prepare(transfer, now, clock)?;
                    continue;
                }
                Next::WaitUntil(moment) => {
                    self.trial.watch.step();
                    self.await_one(Some((moment - now).min(NAP)))?;
                }
                Next::AwaitCompletion => self.await_one(None)?,
                Next::Finished => return Ok(stopped),
            }
            now = self.reap(clock)?;
        }
    }

    /// Makes ready what was decided on at `now`; the time when it is.
    fn prepare(&mut self, transfer: Transfer, now: Nanos, clock: Clock) -> io::Result<Nanos> {
        let slot = transfer.slot as usize;
        self.slots[slot] = Some(Slot { transfer, moved: 0 });
        let now = match transfer.operation.direction {
            Direction::Read => now,
            Direction::Write => {
                self.make(&transfer.operation, slot, clock)?;
                clock.now()
            }
        };
        self.ready.push_back(slot);
        Ok(now)
    }

    /// Makes the content of a write, with a look at the ring now and then.
    fn make(&mut self, operation: &Operation, slot: usize, clock: Clock) -> io::Result<()> {
        let block = self.buffers.block();
        for at in (0..block).step_by(PIECE) {
            let piece = at..(at + PIECE).min(block);
            self.made += piece.len();
            let part = Operation {
                offset: operation.offset + at as u64,
                ..*operation
            };
            self.trial.fill(&part, &mut self.buffers.get(slot)[piece]);
            if self.made >= PIECE {
                self.made = 0;
                self.glance(clock)?;
            }
        }
        Ok(())
    }

    /// Hands over what is queued, and learns of what has ended; starts what is ready then.
    fn glance(&mut self, clock: Clock) -> io::Result<()> {
        let queue = self.ring.submission();
        let call = queue.taskrun() || !queue.is_empty();
        drop(queue);
        if call {
            handed_over(self.ring.submit())?;
        }
        if !self.ring.completion().is_empty() {
            let now = self.reap(clock)?;
            self.launch(now)?;
        }
        Ok(())
    }

    /// Starts at `now` what is ready, as far as there is room. What was taken up is started even after the
    /// end: that each number below the next is written is what data is verified by.
    fn launch(&mut self, now: Nanos) -> io::Result<()> {
        while self.in_flight < self.depth
            && let Some(slot) = self.ready.pop_front()
        {
            let held = self.slots[slot].as_mut().expect("what is ready is held");
            held.transfer = self.stream.prepared(held.transfer, now);
            self.in_flight += 1;
            self.push(slot)?;
        }
        Ok(())
    }

    /// Hands the rest of the operation in `slot` to the kernel.
    fn push(&mut self, slot: usize) -> io::Result<()> {
        let entry = self.entry(slot);
        self.queue(&entry)
    }

    fn queue(&mut self, entry: &squeue::Entry) -> io::Result<()> {
        // SAFETY: the buffer of a slot is touched by nobody until its completion is reaped, and
        // lives longer than the ring; the file stays open as long as the trial; the time of the
        // beat stays where it is until it is submitted, while the lane is driven.
        if unsafe { self.ring.submission().push(entry) }.is_ok() {
            return Ok(());
        }
        handed_over(self.ring.submit())?;
        // SAFETY: as above.
        unsafe { self.ring.submission().push(entry) }
            .map_err(|_| io::Error::other("the submission queue stays full"))
    }

    /// Asks for a completion in a while, whatever else ends, so that waiting needs no clock of its own.
    fn wake_up(&mut self) -> io::Result<()> {
        let beat = opcode::Timeout::new(&self.beat).build().user_data(BEAT);
        self.queue(&beat)
    }

    fn entry(&self, index: usize) -> squeue::Entry {
        let Slot { transfer, moved } = self.slots[index].expect("the slot is in use");
        let operation = transfer.operation;
        let target = self.targets[operation.file as usize];
        let address = self.buffers.address(index).wrapping_add(moved as usize);
        let length = self.buffers.block() as u32 - moved;
        let (at, buffer) = (operation.offset + u64::from(moved), index as u16);
        let file = Fd(target);
        let entry = match (operation.direction, self.known.buffers) {
            (Direction::Read, true) => opcode::ReadFixed::new(file, address, length, buffer)
                .offset(at)
                .build(),
            (Direction::Read, false) => opcode::Read::new(file, address, length).offset(at).build(),
            (Direction::Write, true) => opcode::WriteFixed::new(file, address, length, buffer)
                .offset(at)
                .build(),
            (Direction::Write, false) => {
                opcode::Write::new(file, address, length).offset(at).build()
            }
        };
        let entry = entry.user_data(index as u64);
        match self.known.files {
            true => entry.flags(squeue::Flags::FIXED_FILE),
            false => entry,
        }
    }

    /// Submits what is queued and waits for a completion: the beat at the latest, or for `span`.
    fn await_one(&mut self, span: Option<Nanos>) -> io::Result<()> {
        let submitter = self.ring.submitter();
        let submitted = match span {
            None => submitter.submit_and_wait(1),
            Some(span) => {
                let timeout = Timespec::from(Duration::from(span));
                submitter.submit_with_args(1, &SubmitArgs::new().timespec(&timeout))
            }
        };
        handed_over(submitted)
    }

    /// Learns of all operations that have ended by now, which it returns.
    fn reap(&mut self, clock: Clock) -> io::Result<Nanos> {
        self.ended.clear();
        let completed = self.ring.completion();
        self.ended
            .extend(completed.map(|entry| (entry.user_data(), entry.result())));
        // One look at the clock for all that ended before it.
        let now = clock.now();
        let mut moved = 0;
        for place in 0..self.ended.len() {
            match self.ended[place] {
                (BEAT, _) => self.wake_up()?,
                (index, result) => moved += self.complete(index as usize, result, now)?,
            }
        }
        if moved > 0 {
            self.trial.watch.add(moved);
        }
        Ok(now)
    }

    /// Learns that the kernel has done with the operation in slot `index`; goes on with what is left
    /// of it. Bytes of progress.
    fn complete(&mut self, index: usize, result: i32, now: Nanos) -> io::Result<u64> {
        let slot = self.slots[index]
            .as_mut()
            .expect("only slots in use complete");
        let outcome = match result {
            // A signal or a busy kernel: the same again.
            _ if result == -libc::EINTR || result == -libc::EAGAIN => {
                return self.push(index).map(|()| 0);
            }
            error if error < 0 => Err(Cause::Os(-error)),
            bytes => {
                let (moved, whole) = (slot.moved as usize, self.buffers.block());
                let direction = slot.transfer.operation.direction;
                let alignment = self.trial.alignment.offset;
                match go_on(direction, moved, bytes as usize, whole, alignment) {
                    Ok(Some(next)) => {
                        slot.moved = next as u32;
                        return self.push(index).map(|()| 0);
                    }
                    Ok(None) => Ok(()),
                    Err(cause) => Err(cause),
                }
            }
        };
        let transfer = slot.transfer;
        self.slots[index] = None;
        self.in_flight -= 1;
        self.stream.done(transfer, now, outcome);
        if outcome.is_ok() {
            let operation = &transfer.operation;
            self.sample.take(operation, now, &mut self.buffers, index);
        }
        Ok(self.trial.job.block())
    }
}

/// What came of a call that handed entries over, or waited. That the time is up, a signal came, or the kernel is
/// short of room at the moment is looked at by the caller, who finds the rest still queued.
fn handed_over(called: io::Result<usize>) -> io::Result<()> {
    match called {
        Err(error)
            if matches!(
                error.raw_os_error(),
                Some(libc::ETIME | libc::EINTR | libc::EBUSY | libc::EAGAIN)
            ) =>
        {
            Ok(())
        }
        called => called.map(|_| ()),
    }
}

#[cfg(test)]
mod tests {
    use std::time::Instant;

    use super::super::tests::{on_trial, standard};
    use super::*;
    use crate::plan::Workload;

    /// Drives a lane of `workload`; allocations meanwhile, operations, and how many were in flight on average: the
    /// sum of their latencies over the time (Little, Operations Research 9 (1961), from memory).
    fn driven(workload: &Workload, wanted: Known) -> (u64, u64, f64) {
        on_trial(workload, |trial| {
            let mut lane = Lane::new(trial, wanted).unwrap();
            let mut stopped = Ok(None);
            let allocated = allocation_counter::measure(|| {
                stopped = lane.drive(Clock(Instant::now()));
            });
            assert_eq!(stopped.unwrap(), None);
            let ended = lane.work(Clock(Instant::now())).0.unwrap();
            assert_eq!(ended.recording.failure, None);
            let recording = ended.recording;
            let latencies = recording.latency(0);
            let waited = latencies.mean() * latencies.len() as f64;
            let in_flight = waited / recording.ended.0 as f64;
            (allocated.count_total, recording.started, in_flight)
        })
    }

    #[test]
    fn nothing_is_allocated_between_the_first_operation_and_the_last() {
        for name in [
            "small-read-deep",
            "small-write-deep",
            "large-write",
            "mixed",
        ] {
            let (allocated, operations, _) = driven(&standard(name), Known::ALL);
            assert_eq!(allocated, 0, "{name}");
            assert!(operations >= 8, "{name}: {operations}");
        }
    }

    #[test]
    fn as_many_as_a_workload_may_have_are_in_flight_at_once() {
        let deepest = Workload {
            depth: 1024,
            ..standard("small-read-deep")
        };
        let (allocated, operations, in_flight) = driven(&deepest, Known::ALL);
        assert_eq!(allocated, 0);
        assert!(operations >= 1024, "{operations}");
        // The first ones and the last are not all of them at once.
        assert!((512.0..=1024.5).contains(&in_flight), "{in_flight}");
    }

    /// What stands ready is not in flight, and its wait is no latency.
    #[test]
    fn writes_that_stand_ready_are_not_counted_as_in_flight() {
        for depth in [1, 4] {
            let workload = Workload {
                depth,
                ..standard("large-write")
            };
            let (_, operations, in_flight) = driven(&workload, Known::ALL);
            assert!(operations > u64::from(depth + SPARE), "{operations}");
            assert!(
                in_flight <= f64::from(depth) * 1.001,
                "{depth}: {in_flight}"
            );
        }
    }

    #[test]
    fn a_ring_that_knows_nothing_beforehand_does_the_same() {
        for (files, buffers) in [(false, true), (true, false), (false, false)] {
            let (_, operations, _) = driven(&standard("mixed"), Known { files, buffers });
            assert!(operations >= 8, "{operations}");
        }
    }
}

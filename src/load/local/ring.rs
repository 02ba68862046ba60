//! The engine for deep queues on Linux: an io_uring ring for each stream.
//!
//! Many threads on few cores book their own scheduling as latency of the storage; one thread that
//! keeps a ring full does not.
#![expect(unsafe_code, reason = "the kernel is handed addresses of buffers")]

use std::collections::BTreeMap;
use std::io;
use std::os::fd::{AsRawFd, RawFd};

use io_uring::types::{Fixed, SubmitArgs, Timespec};
use io_uring::{IoUring, opcode, squeue};

use super::buffers::Buffers;
use super::sample::Sample;
use super::start::together;
use super::transfer::go_on;
use super::trial::{Clock, Ended, Run, Trial};
use crate::load::{Next, Stream, Transfer};
use crate::plan::Direction;
use crate::record::Cause;
use crate::units::Nanos;

/// A wait looks at the stop signal so often.
const NAP: Nanos = Nanos(50_000_000);

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
    let lane = || Lane::new(trial).map_err(RingError::Setup);
    let streams = trial.workload.streams as usize;
    let (ended, clock) = together(streams, lane, Lane::work)?;
    let ended: io::Result<Vec<Ended>> = ended.into_iter().collect();
    Ok(Run::new(ended.map_err(RingError::Work)?, clock))
}

/// A ring, with deferred completion work where the kernel has it (Linux 6.1).
fn build(entries: u32) -> io::Result<IoUring> {
    IoUring::builder()
        .setup_single_issuer()
        .setup_coop_taskrun()
        .setup_defer_taskrun()
        .build(entries)
        .or_else(|_| IoUring::builder().build(entries))
}

/// One stream with its ring and buffers.
struct Lane<'a> {
    trial: &'a Trial<'a>,
    stream: Stream<'a>,
    ring: IoUring,
    /// Where each file stands in the ring's table.
    table: BTreeMap<u64, u32>,
    /// Whether the ring knows the buffers beforehand; not where locked memory is short.
    registered: bool,
    slots: Vec<Option<Slot>>,
    sample: Sample,
    // Last, so that the ring is gone before the memory that the kernel may still write to.
    buffers: Buffers,
}

/// An operation in flight.
#[derive(Clone, Copy)]
struct Slot {
    transfer: Transfer,
    moved: u32,
}

impl<'a> Lane<'a> {
    fn new(trial: &'a Trial<'a>) -> io::Result<Self> {
        let depth = trial.workload.depth as usize;
        let block = trial.job.block() as usize;
        let ring = build((depth * 2).next_power_of_two() as u32)?;
        let buffers = trial.buffers(depth);
        let vectors: Vec<libc::iovec> = (0..depth)
            .map(|slot| libc::iovec {
                iov_base: buffers.address(slot).cast(),
                iov_len: block,
            })
            .collect();
        // SAFETY: the buffers outlive the ring, which is dropped first.
        let registered = unsafe { ring.submitter().register_buffers(&vectors) }.is_ok();
        let files: Vec<RawFd> = trial
            .files
            .all()
            .map(|(_, file)| file.as_raw_fd())
            .collect();
        ring.submitter().register_files(&files)?;
        let table = trial
            .files
            .all()
            .map(|(number, _)| number)
            .zip(0..)
            .collect();
        let stream = trial.job.stream(trial.workload.depth);
        Ok(Self {
            trial,
            stream,
            ring,
            table,
            registered,
            slots: vec![None; depth],
            sample: trial.sample(trial.workload.streams as usize),
            buffers,
        })
    }

    fn work(mut self, clock: Clock) -> io::Result<Ended> {
        match self.drive(clock) {
            Ok(stopped) => {
                drop(self.ring);
                Ok(Ended {
                    recording: self.stream.finish(),
                    stopped,
                    buffers: self.buffers,
                    sample: self.sample,
                })
            }
            Err(error) => {
                // Operations may still be in flight: their memory must never be used again.
                std::mem::forget(self.buffers);
                Err(error)
            }
        }
    }

    /// Keeps the ring full until the stream is finished; tells when it was stopped.
    fn drive(&mut self, clock: Clock) -> io::Result<Option<Nanos>> {
        let mut stopped = None;
        loop {
            let now = clock.now();
            if stopped.is_none() && self.trial.watch.stopped() {
                stopped = Some(now);
                self.stream.close(now);
            }
            let wait = match self.stream.next(now) {
                Next::Transfer(transfer) => {
                    self.start(transfer, clock)?;
                    continue;
                }
                Next::WaitUntil(moment) => {
                    self.trial.watch.step();
                    moment - now
                }
                Next::AwaitCompletion => NAP,
                Next::Finished => return Ok(stopped),
            };
            self.await_one(wait.min(NAP))?;
            self.reap(clock)?;
        }
    }

    fn start(&mut self, transfer: Transfer, clock: Clock) -> io::Result<()> {
        let slot = transfer.slot as usize;
        if transfer.operation.direction == Direction::Write {
            self.trial.fill(&transfer.operation, self.buffers.get(slot));
        }
        let transfer = self.stream.prepared(transfer, clock.now());
        self.slots[slot] = Some(Slot { transfer, moved: 0 });
        self.push(slot)
    }

    /// Hands the rest of the operation in `slot` to the kernel.
    fn push(&mut self, slot: usize) -> io::Result<()> {
        let entry = self.entry(slot);
        if self.ring.submission().is_full() {
            self.ring.submit()?;
        }
        // SAFETY: the buffer of a slot is touched by nobody until its completion is reaped, and
        // lives longer than the ring; the file stays open as long as the trial.
        unsafe { self.ring.submission().push(&entry) }
            .map_err(|_| io::Error::other("the submission queue stays full"))
    }

    fn entry(&self, index: usize) -> squeue::Entry {
        let Slot { transfer, moved } = self.slots[index].expect("the slot is in use");
        let operation = transfer.operation;
        let file = Fixed(self.table[&operation.file]);
        let address = self.buffers.address(index).wrapping_add(moved as usize);
        let length = self.buffers.block() as u32 - moved;
        let (at, buffer) = (operation.offset + u64::from(moved), index as u16);
        match (operation.direction, self.registered) {
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
        }
        .user_data(index as u64)
    }

    /// Submits what is queued and waits for a completion, at most for `span`.
    fn await_one(&mut self, span: Nanos) -> io::Result<()> {
        let timeout = Timespec::from(std::time::Duration::from(span));
        let arguments = SubmitArgs::new().timespec(&timeout);
        match self.ring.submitter().submit_with_args(1, &arguments) {
            Ok(_) => Ok(()),
            // The time is up, or a signal came: both are looked at by the caller.
            Err(error)
                if matches!(
                    error.raw_os_error(),
                    Some(libc::ETIME | libc::EINTR | libc::EBUSY | libc::EAGAIN)
                ) =>
            {
                Ok(())
            }
            Err(error) => Err(error),
        }
    }

    /// The slot and the result of an operation that has ended.
    fn completion(&mut self) -> Option<(usize, i32)> {
        let entry = self.ring.completion().next()?;
        Some((entry.user_data() as usize, entry.result()))
    }

    fn reap(&mut self, clock: Clock) -> io::Result<()> {
        while let Some((index, result)) = self.completion() {
            let slot = self.slots[index]
                .as_mut()
                .expect("only slots in use complete");
            let outcome = match result {
                // A signal or a busy kernel: the same again.
                _ if result == -libc::EINTR || result == -libc::EAGAIN => {
                    self.push(index)?;
                    continue;
                }
                error if error < 0 => Err(Cause::Os(-error)),
                bytes => {
                    let (moved, whole) = (slot.moved as usize, self.buffers.block());
                    let direction = slot.transfer.operation.direction;
                    let alignment = self.trial.alignment.offset;
                    match go_on(direction, moved, bytes as usize, whole, alignment) {
                        Ok(Some(next)) => {
                            slot.moved = next as u32;
                            self.push(index)?;
                            continue;
                        }
                        Ok(None) => Ok(()),
                        Err(cause) => Err(cause),
                    }
                }
            };
            let transfer = slot.transfer;
            self.slots[index] = None;
            let now = clock.now();
            self.stream.done(transfer, now, outcome);
            if outcome.is_ok() {
                let operation = &transfer.operation;
                self.sample.take(operation, now, &mut self.buffers, index);
            }
            self.trial.watch.add(self.trial.job.block());
        }
        Ok(())
    }
}

//! The engine that works anywhere: a thread for each operation in flight, with positioned reads and
//! writes.

use std::thread;
use std::time::{Duration, Instant};

use rustix::io::{Errno, pread, pwrite};

use super::buffers::Buffers;
use super::{Clock, Run, Trial};
use crate::load::{Next, Outcome, Stream, Transfer};
use crate::plan::Direction;
use crate::record::{Cause, Recording};
use crate::units::Nanos;

/// A wait for a paced operation looks at the stop signal so often.
const NAP: Nanos = Nanos(50_000_000);

/// Runs the trial with depth × streams threads.
pub(super) fn run(trial: &Trial<'_>) -> Run {
    let threads = trial.workload.depth * trial.workload.streams;
    // Everything is allocated before the clock starts.
    let mut workers: Vec<(Stream<'_>, Buffers)> = (0..threads)
        .map(|_| {
            (
                trial.job.stream(1),
                Buffers::new(1, trial.job.block() as usize),
            )
        })
        .collect();
    let clock = Clock(Instant::now());
    let ended: Vec<(Recording, Option<Nanos>)> = thread::scope(|scope| {
        let handles: Vec<_> = workers
            .drain(..)
            .map(|(stream, buffers)| scope.spawn(move || work(trial, stream, buffers, clock)))
            .collect();
        handles
            .into_iter()
            .map(|handle| handle.join().expect("no worker panics"))
            .collect()
    });
    let stopped = ended.iter().filter_map(|(_, stopped)| *stopped).min();
    Run {
        streams: ended.into_iter().map(|(recording, _)| recording).collect(),
        stopped,
    }
}

fn work(
    trial: &Trial<'_>,
    mut stream: Stream<'_>,
    mut buffers: Buffers,
    clock: Clock,
) -> (Recording, Option<Nanos>) {
    let mut stopped = None;
    loop {
        let now = clock.now();
        if stopped.is_none() && trial.watch.stopped() {
            stopped = Some(now);
            stream.close(now);
        }
        match stream.next(now) {
            Next::Transfer(transfer) => {
                let buffer = buffers.get(0);
                if transfer.operation.direction == Direction::Write {
                    trial.fill(&transfer.operation, buffer);
                }
                let transfer = stream.prepared(transfer, clock.now());
                let outcome = transfer_fully(trial, &transfer, buffer);
                stream.done(transfer, clock.now(), outcome);
                trial.watch.add(trial.job.block());
            }
            Next::WaitUntil(moment) => thread::sleep(Duration::from((moment - now).min(NAP))),
            Next::AwaitCompletion => unreachable!("one operation at a time is awaited in place"),
            Next::Finished => return (stream.finish(), stopped),
        }
    }
}

/// Moves all bytes of an operation; a short read or write is finished.
fn transfer_fully(trial: &Trial<'_>, transfer: &Transfer, buffer: &mut [u8]) -> Outcome {
    let operation = &transfer.operation;
    let file = trial.files.get(operation.file);
    let mut moved = 0;
    while moved < buffer.len() {
        let at = operation.offset + moved as u64;
        let result = match operation.direction {
            Direction::Read => pread(file, &mut buffer[moved..], at),
            Direction::Write => pwrite(file, &buffer[moved..], at),
        };
        match result {
            Ok(0) => return Err(Cause::EndOfFile),
            Ok(bytes) => moved += bytes,
            Err(Errno::INTR) => {}
            Err(error) => return Err(Cause::Os(error.raw_os_error())),
        }
    }
    Ok(())
}

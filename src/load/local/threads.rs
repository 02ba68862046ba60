//! The engine that works anywhere: a thread for each operation in flight, with positioned reads and
//! writes.

use std::io;
use std::thread;
use std::time::Duration;

use super::buffers::Buffers;
use super::sample::Sample;
use super::start::together;
use super::transfer::{read_fully, write_fully};
use super::trial::{Clock, Ended, Run, Trial};
use crate::load::{Next, Outcome, Stream, Transfer};
use crate::plan::Direction;
use crate::units::Nanos;

/// A wait for a paced operation looks at the stop signal so often.
const NAP: Nanos = Nanos(50_000_000);

/// Runs the trial with depth × streams threads.
///
/// # Errors
/// When so many threads cannot be started; nothing was transferred then.
pub(super) fn run(trial: &Trial<'_>) -> io::Result<Run> {
    let threads = trial.workload.depth * trial.workload.streams;
    let lane = || {
        let sample = trial.sample(threads as usize);
        Ok::<_, io::Error>((trial.job.stream(1), trial.buffers(1), sample))
    };
    let work = |(stream, buffers, sample), clock| work(trial, stream, buffers, sample, clock);
    let (ended, clock) = together(threads as usize, lane, work)?;
    Ok(Run::new(ended, clock))
}

fn work(
    trial: &Trial<'_>,
    mut stream: Stream<'_>,
    mut buffers: Buffers,
    mut sample: Sample,
    clock: Clock,
) -> Ended {
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
                let outcome = self::transfer(trial, &transfer, buffer);
                let now = clock.now();
                stream.done(transfer, now, outcome);
                if outcome.is_ok() {
                    sample.take(&transfer.operation, now, &mut buffers, 0);
                }
                trial.watch.add(trial.job.block());
            }
            Next::WaitUntil(moment) => {
                thread::sleep(Duration::from((moment - now).min(NAP)));
                trial.watch.step();
            }
            Next::AwaitCompletion => unreachable!("one operation at a time is awaited in place"),
            Next::Finished => {
                return Ended {
                    recording: stream.finish(),
                    stopped,
                    buffers,
                    sample,
                };
            }
        }
    }
}

/// Moves all bytes of an operation.
fn transfer(trial: &Trial<'_>, transfer: &Transfer, buffer: &mut [u8]) -> Outcome {
    let operation = &transfer.operation;
    let (file, alignment) = (trial.files.get(operation.file), trial.alignment);
    match operation.direction {
        Direction::Read => read_fully(file, buffer, operation.offset, alignment),
        Direction::Write => write_fully(file, buffer, operation.offset, alignment),
    }
}

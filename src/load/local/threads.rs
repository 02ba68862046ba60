//! The engine that works anywhere: a thread for each operation in flight, with positioned reads and
//! writes.

use std::io;
use std::thread;
use std::time::Duration;

use rustix::io::{Errno, pread, pwrite};

use super::buffers::Buffers;
use super::start::together;
use super::transfer::go_on;
use super::{Clock, Ended, Run, Trial};
use crate::load::{Next, Outcome, Stream, Transfer};
use crate::plan::Direction;
use crate::record::Cause;
use crate::units::Nanos;

/// A wait for a paced operation looks at the stop signal so often.
const NAP: Nanos = Nanos(50_000_000);

/// Runs the trial with depth × streams threads.
///
/// # Errors
/// When so many threads cannot be started; nothing was transferred then.
pub(super) fn run(trial: &Trial<'_>) -> io::Result<Run> {
    let threads = trial.workload.depth * trial.workload.streams;
    let lane = || Ok::<_, io::Error>((trial.job.stream(1), trial.buffers(1)));
    let work = |(stream, buffers), clock| work(trial, stream, buffers, clock);
    let (ended, clock) = together(threads as usize, lane, work)?;
    Ok(Run::new(ended, clock))
}

fn work(trial: &Trial<'_>, mut stream: Stream<'_>, mut buffers: Buffers, clock: Clock) -> Ended {
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
            Next::Finished => {
                return Ended {
                    recording: stream.finish(),
                    stopped,
                    buffers,
                };
            }
        }
    }
}

/// Moves all bytes of an operation.
fn transfer_fully(trial: &Trial<'_>, transfer: &Transfer, buffer: &mut [u8]) -> Outcome {
    let operation = &transfer.operation;
    let file = trial.files.get(operation.file);
    in_parts(
        operation.direction,
        buffer.len(),
        trial.alignment.offset,
        |moved| {
            let at = operation.offset + moved as u64;
            match operation.direction {
                Direction::Read => pread(file, &mut buffer[moved..], at),
                Direction::Write => pwrite(file, &buffer[moved..], at),
            }
        },
    )
}

/// Calls `part` with the bytes moved so far until all of `whole` are; it moves some more.
fn in_parts(
    direction: Direction,
    whole: usize,
    alignment: usize,
    mut part: impl FnMut(usize) -> Result<usize, Errno>,
) -> Outcome {
    let mut moved = 0;
    loop {
        match part(moved) {
            Ok(more) => match go_on(direction, moved, more, whole, alignment)? {
                Some(next) => moved = next,
                None => return Ok(()),
            },
            Err(Errno::INTR) => {}
            Err(error) => return Err(Cause::Os(error.raw_os_error())),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_operation_in_parts_is_finished() {
        let mut parts = vec![Ok(2048), Err(Errno::INTR), Ok(1000), Ok(1024), Ok(512)].into_iter();
        let mut asked = Vec::new();
        let outcome = in_parts(Direction::Read, 4096, 512, |moved| {
            asked.push(moved);
            parts.next().unwrap()
        });
        // 3,048 bytes were reached: it goes on at the last multiple of 512 before.
        assert_eq!((outcome, asked), (Ok(()), vec![0, 2048, 2048, 2560, 3584]));
    }

    #[test]
    fn an_operation_that_gets_no_further_never_counts() {
        let ends = |parts: Vec<Result<usize, Errno>>| {
            let mut parts = parts.into_iter();
            in_parts(Direction::Read, 4096, 1, |_| parts.next().unwrap())
        };
        assert_eq!(ends(vec![Ok(4000), Ok(0)]), Err(Cause::EndOfFile));
        assert_eq!(ends(vec![Ok(4000), Err(Errno::IO)]), Err(Cause::Os(5)));
    }
}

//! Submission that works anywhere: a thread for each operation in flight, with positioned reads and
//! writes.

use std::io;
use std::thread;
use std::time::Duration;

use super::buffers::Buffers;
use super::sample::Sample;
use super::start::together;
use super::transfer::{read_fully, write_fully};
use super::trial::{Clock, Ended, Run, Trial};
use crate::load::{Next, Outcome, Stream, Transfer, UNTOLD};
use crate::plan::Direction;
use crate::sys::processor_time;
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
    let work = |(stream, buffers, sample), clock| {
        let ended = work(trial, stream, buffers, sample, clock);
        (Ok::<_, io::Error>(ended), processor_time())
    };
    let look = |now| trial.job.look(now);
    Run::of(together(threads as usize, lane, work, look)?)
}

fn work(
    trial: &Trial<'_>,
    mut stream: Stream<'_>,
    mut buffers: Buffers,
    mut sample: Sample,
    clock: Clock,
) -> Ended {
    let (mut stopped, mut tally) = (None, Tally::default());
    let mut now = clock.now();
    loop {
        if stopped.is_none() && trial.watch.stopped() {
            stopped = Some(now);
            stream.close(now);
        }
        match stream.next(now) {
            Next::Transfer(transfer) => {
                let transfer = prepared(trial, &stream, transfer, buffers.get(0), clock);
                let outcome = self::transfer(trial, &transfer, buffers.get(0));
                now = clock.now();
                stream.done(transfer, now, outcome);
                if outcome.is_ok() {
                    sample.take(&transfer.operation, now, &mut buffers, 0);
                }
                tally.add(trial, now);
            }
            Next::WaitUntil(moment) => {
                tally.tell(trial, now);
                thread::sleep(Duration::from((moment - now).min(NAP)));
                trial.watch.step();
                now = clock.now();
            }
            Next::AwaitCompletion => unreachable!("one operation at a time is awaited in place"),
            Next::Finished => {
                tally.tell(trial, now);
                return Ended {
                    recording: stream.finish(),
                    stopped,
                    buffers,
                    sample,
                    unlocked: false,
                };
            }
        }
    }
}

/// Makes the content of a write. A read starts when it was decided on: there is nothing in between.
fn prepared(
    trial: &Trial<'_>,
    stream: &Stream<'_>,
    transfer: Transfer,
    buffer: &mut [u8],
    clock: Clock,
) -> Transfer {
    if transfer.operation.direction == Direction::Read {
        return transfer;
    }
    trial.fill(&transfer.operation, buffer);
    stream.prepared(transfer, clock.now())
}

/// Operations that have ended and of which nobody was told yet: telling of each would have the threads
/// wait for one another.
#[derive(Default)]
struct Tally {
    untold: u64,
    told: Nanos,
}

impl Tally {
    fn add(&mut self, trial: &Trial<'_>, now: Nanos) {
        self.untold += 1;
        if self.untold >= UNTOLD || now - self.told >= Nanos::MILLI {
            self.tell(trial, now);
        }
    }

    fn tell(&mut self, trial: &Trial<'_>, now: Nanos) {
        trial.watch.add(self.untold * trial.job.block());
        (self.untold, self.told) = (0, now);
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

#[cfg(test)]
mod tests {
    use std::time::Instant;

    use super::super::tests::{on_trial, standard};
    use super::*;

    #[test]
    fn nothing_is_allocated_between_the_first_operation_and_the_last() {
        for name in ["small-read", "small-write-deep", "large-write", "mixed"] {
            on_trial(&standard(name), |trial| {
                let (stream, buffers) = (trial.job.stream(1), trial.buffers(1));
                let sample = trial.sample(1);
                let mut ended = None;
                let allocated = allocation_counter::measure(|| {
                    let clock = Clock(Instant::now());
                    ended = Some(work(trial, stream, buffers, sample, clock));
                });
                let recording = ended.unwrap().recording;
                assert_eq!(
                    (allocated.count_total, recording.failure),
                    (0, None),
                    "{name}"
                );
                assert!(recording.started > 0, "{name}");
            });
        }
    }
}

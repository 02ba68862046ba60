//! The stream: it decides what is next and learns what came of it, and knows neither files nor
//! clocks.
//!
//! Streams of one trial share a counter of operation numbers and nothing else. A number gives the
//! place of an operation (the pattern) and, when the load is paced, the moment at which it is due.

use std::sync::atomic::{AtomicU64, Ordering::Relaxed};

use super::early::{Early, Until};
use crate::plan::{Operation, Pattern, Workload};
use crate::record::{Cause, Failure, Recording, Shape, WINDOW};
use crate::units::Nanos;

/// A paced operation that starts later than this after it was due counts as late.
const LATE: Nanos = Nanos::MILLI;

/// One trial, as all of its streams see it.
#[derive(Debug)]
pub struct Job {
    pattern: Pattern,
    block: u64,
    length: Nanos,
    /// Time between two paced operations, in nanoseconds.
    period: Option<f64>,
    first: u64,
    taken: AtomicU64,
    shape: Shape,
    recorders: usize,
    early: Option<Early>,
}

impl Job {
    /// `workload` over `pattern` for `length`, from operation number `first` on, recorded by
    /// `recorders` streams.
    pub fn new(
        workload: &Workload,
        pattern: Pattern,
        length: Nanos,
        first: u64,
        recorders: usize,
    ) -> Self {
        Self {
            pattern,
            block: workload.block.0,
            length,
            period: workload.operations_per_second.map(|rate| 1e9 / rate),
            first,
            taken: AtomicU64::new(0),
            shape: Shape::for_trial((length.0 / WINDOW.0) as usize, recorders),
            recorders,
            early: None,
        }
    }

    /// The same, recorded as a whole: its seconds are not told apart, and it has no windows. Saves a
    /// histogram for each second where nobody asks for them.
    pub fn without_windows(self) -> Self {
        Self {
            shape: Shape {
                windows: 0,
                ..self.shape
            },
            ..self
        }
    }

    /// The same, ended as soon as a [`look`](Self::look) finds that `until` is met.
    pub fn until(mut self, until: Option<Until>) -> Self {
        self.early = until.map(|until| Early::new(until, self.length, self.recorders));
        self
    }

    /// Looks at `now` whether the trial may end; when to look again, if ever. For whoever started the streams:
    /// a look takes some microseconds, and memory.
    pub fn look(&self, now: Nanos) -> Option<Nanos> {
        self.early.as_ref()?.look(now)
    }

    /// A stream with `depth` operations in flight.
    pub fn stream(&self, depth: u32) -> Stream<'_> {
        Stream {
            job: self,
            row: self.early.as_ref().map_or(0, Early::row),
            free: (0..depth).rev().collect(),
            in_flight: 0,
            waiting: None,
            closed: false,
            recording: Recording::new(self.shape),
        }
    }

    /// When it ends, as far as it is known.
    fn end(&self) -> Nanos {
        self.early.as_ref().map_or(self.length, Early::end)
    }

    /// Bytes of one operation.
    pub fn block(&self) -> u64 {
        self.block
    }

    /// Operations taken up by streams so far; progress, for display.
    pub fn taken(&self) -> u64 {
        self.taken.load(Relaxed)
    }

    /// The operation number with which the next trial of this workload goes on.
    pub fn next_first(&self) -> u64 {
        self.first + self.taken()
    }

    /// Merges what the streams saw. `stopped` is when the trial was ended early, if it was.
    pub fn merge(
        &self,
        streams: impl IntoIterator<Item = Recording>,
        stopped: Option<Nanos>,
    ) -> Recording {
        let mut all = Recording::merged(self.shape, streams);
        let length = self.end();
        let end = stopped.unwrap_or(length).min(length);
        if let Some(period) = self.period {
            // Numbers that no stream took up, though they were due.
            (self.taken()..)
                .map(|i| due(period, i))
                .take_while(|due| *due < end)
                .for_each(|due| {
                    all.miss(end - due);
                });
        }
        if end < self.length || all.failure.is_some() {
            // A trial that ended before its time ended with a window; what was stopped or broke off did
            // not.
            let whole = match (stopped, &all.failure) {
                (None, None) => end,
                _ => end.min(all.ended),
            };
            all.cut((whole.0 / WINDOW.0) as usize);
        }
        all
    }
}

fn due(period: f64, number: u64) -> Nanos {
    Nanos((period * number as f64).round() as u64)
}

/// One operation to carry out.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Transfer {
    /// Number of the buffer to use, below the depth of the stream.
    pub slot: u32,
    /// Where it goes.
    pub operation: Operation,
    /// When it was due, from the start of the trial.
    pub due: Nanos,
}

/// What a stream wants next.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Next {
    /// Start this operation.
    Transfer(Transfer),
    /// Nothing before this moment, unless an operation ends.
    WaitUntil(Nanos),
    /// Nothing until an operation ends.
    AwaitCompletion,
    /// Nothing any more, and nothing is in flight.
    Finished,
}

/// What came of an operation: all of its bytes were moved, or none count.
pub type Outcome = Result<(), Cause>;

/// One stream of a trial.
#[derive(Debug)]
pub struct Stream<'a> {
    job: &'a Job,
    /// Where it counts for an early end.
    row: usize,
    free: Vec<u32>,
    in_flight: u32,
    /// A paced operation that is taken up and not yet due or started.
    waiting: Option<(u64, Nanos)>,
    closed: bool,
    recording: Recording,
}

impl Stream<'_> {
    /// Has the job look whether the trial may end, where nobody else does.
    pub fn look(&self, now: Nanos) {
        self.job.look(now);
    }

    /// What is next at `now`, counted from the start of the trial.
    pub fn next(&mut self, now: Nanos) -> Next {
        if self.closed || now >= self.job.end() {
            self.close(now);
            return if self.in_flight == 0 {
                Next::Finished
            } else {
                Next::AwaitCompletion
            };
        }
        let Some(&slot) = self.free.last() else {
            return Next::AwaitCompletion;
        };
        let (number, due) = match self.waiting.take() {
            Some(waiting) => waiting,
            None => {
                let number = self.job.taken.fetch_add(1, Relaxed);
                (
                    number,
                    self.job.period.map_or(now, |period| due(period, number)),
                )
            }
        };
        if due > now {
            self.waiting = Some((number, due));
            // An operation due after the end never starts: the wait ends with the trial.
            return Next::WaitUntil(due.min(self.job.length));
        }
        self.free.pop();
        self.in_flight += 1;
        self.recording.started += 1;
        self.recording.late += u64::from(now - due > LATE);
        let operation = self.job.pattern.at(self.job.first + number);
        Next::Transfer(Transfer {
            slot,
            operation,
            due,
        })
    }

    /// `transfer` as it stands when its content has been made and there is room for it, at `now`: what a
    /// closed loop spends on making content is no latency of the share.
    pub fn prepared(&self, transfer: Transfer, now: Nanos) -> Transfer {
        match self.job.period {
            Some(_) => transfer,
            None => Transfer {
                due: now,
                ..transfer
            },
        }
    }

    /// Learns that `transfer` ended at `ended`.
    pub fn done(&mut self, transfer: Transfer, ended: Nanos, outcome: Outcome) {
        self.free.push(transfer.slot);
        self.in_flight -= 1;
        match outcome {
            Ok(()) => {
                if let Some(early) = &self.job.early {
                    early.add(self.row, ended, self.job.block);
                }
                self.recording.record(
                    transfer.operation.direction,
                    self.job.block,
                    ended,
                    ended - transfer.due,
                );
            }
            Err(cause) => {
                let failure = Failure::Operation {
                    operation: transfer.operation,
                    cause,
                };
                self.recording.failure.get_or_insert(failure);
                self.close(ended);
            }
        }
    }

    /// Starts nothing more; what is in flight is awaited.
    pub fn close(&mut self, now: Nanos) {
        self.closed = true;
        let end = now.min(self.job.length);
        if let Some((_, due)) = self.waiting.take().filter(|(_, due)| *due < end) {
            self.recording.miss(end - due);
        }
    }

    /// What the stream saw; to be taken when it is finished.
    pub fn finish(self) -> Recording {
        self.recording
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::{DataFile, Phase, Set, TestData};
    use crate::seed::Seed;
    use crate::units::Bytes;

    fn job(depth: u32, pace: Option<f64>, seconds: u64) -> (Job, u32) {
        let workload = Workload {
            depth,
            operations_per_second: pace,
            ..Workload::standard().remove(2)
        };
        let file = |number| DataFile {
            number,
            set: Set::Read,
            bytes: Bytes::MIB,
            phase: Phase::Before,
            complete: true,
        };
        let data = TestData {
            folder: "x".into(),
            next_number: 0,
            files: (0..8).map(file).collect(),
        };
        let all = [workload.clone()];
        let pattern = Pattern::new(&workload, &all, &data, Seed(1)).unwrap();
        (
            Job::new(&workload, pattern, Nanos(seconds * Nanos::SECOND.0), 0, 1),
            depth,
        )
    }

    /// Runs one stream on virtual time against a server that answers one at a time after `service`.
    fn run(job: &Job, depth: u32, service: impl Fn(u64) -> Nanos) -> Recording {
        let mut stream = job.stream(depth);
        let (mut now, mut server_free, mut served) = (Nanos(0), Nanos(0), 0);
        let mut queue = std::collections::VecDeque::new();
        loop {
            let wait = match stream.next(now) {
                Next::Transfer(transfer) => {
                    server_free = server_free.max(now) + service(served);
                    served += 1;
                    queue.push_back((server_free, transfer));
                    continue;
                }
                Next::WaitUntil(moment) => moment,
                Next::AwaitCompletion => Nanos(u64::MAX),
                Next::Finished => break,
            };
            match queue.front() {
                Some(&(ended, transfer)) if ended <= wait => {
                    queue.pop_front();
                    now = now.max(ended);
                    stream.done(transfer, ended, Ok(()));
                }
                _ => now = wait,
            }
        }
        job.merge([stream.finish()], None)
    }

    #[test]
    fn a_closed_loop_keeps_its_depth_in_flight() {
        let (job, depth) = job(4, None, 2);
        let recording = run(&job, depth, |_| Nanos::MILLI);
        // One answer a millisecond; each operation waits for four.
        assert_eq!(recording.started, 2_000 + 3);
        assert!(recording.tail_latency.max() >= 4 * Nanos::MILLI.0);
        assert_eq!((recording.late, recording.missed), (0, 0));
    }

    #[test]
    fn a_paced_load_counts_late_and_missed_operations() {
        // 100 a second for 4 s at depth 1; the hundredth answer hangs for two seconds.
        let (job, depth) = job(1, Some(100.0), 4);
        let hang = |n| {
            if n == 100 {
                Nanos(2 * Nanos::SECOND.0)
            } else {
                Nanos::MILLI
            }
        };
        let recording = run(&job, depth, hang);
        assert_eq!(recording.started + recording.missed, 400);
        assert_eq!(recording.missed, 0, "it catches up at one a millisecond");
        assert!((199..=230).contains(&recording.late), "{}", recording.late);
        let all = recording.latency(0);
        // 200 operations were due during the hang: half of all waited, evenly spread up to 2 s.
        assert!(
            all.value_at_quantile(0.9) > 1_000_000_000,
            "{}",
            all.value_at_quantile(0.9)
        );
    }

    #[test]
    fn operations_that_never_started_are_counted_with_their_wait() {
        let (job, depth) = job(1, Some(100.0), 4);
        let recording = run(&job, depth, |n| {
            Nanos(if n == 100 { 9_000_000_000 } else { 1_000_000 })
        });
        assert_eq!((recording.started, recording.missed), (101, 299));
        assert_eq!(recording.tail_latency.len(), 300);
    }

    #[test]
    fn without_windows_the_whole_is_the_same() {
        let service = |n| Nanos(Nanos::MILLI.0 * (1 + n % 7));
        let [(with, depth), (without, _)] = [(); 2].map(|()| job(2, Some(100.0), 4));
        let [with, without] =
            [with, without.without_windows()].map(|job| run(&job, depth, service));
        assert_eq!((with.windows.len(), without.windows.len()), (4, 0));
        assert_eq!(with.latency(0), without.latency(0));
        assert_eq!((with.bytes(), with.ended), (without.bytes(), without.ended));
    }

    #[test]
    fn a_failed_operation_ends_the_stream_and_is_kept() {
        let (job, _) = job(2, None, 2);
        let mut stream = job.stream(2);
        let Next::Transfer(first) = stream.next(Nanos(0)) else {
            panic!("first")
        };
        let Next::Transfer(second) = stream.next(Nanos(0)) else {
            panic!("second")
        };
        stream.done(first, Nanos(5), Err(Cause::Os(5)));
        assert_eq!(stream.next(Nanos(6)), Next::AwaitCompletion);
        stream.done(second, Nanos(7), Ok(()));
        assert_eq!(stream.next(Nanos(8)), Next::Finished);
        let recording = job.merge([stream.finish()], None);
        assert!(recording.windows.is_empty(), "no window ran to its end");
        assert!(
            recording
                .failure
                .unwrap()
                .to_string()
                .starts_with("reading file")
        );
    }
}

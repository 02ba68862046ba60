//! Operations as they end, gathered into windows.

use std::fmt;
use std::io;

use hdrhistogram::Histogram;

use crate::plan::{Direction, Operation};
use crate::units::{Bytes, Nanos};

/// Length of a window.
pub const WINDOW: Nanos = Nanos::SECOND;

/// Smallest and largest latency that a histogram tells apart, in nanoseconds: 0.1 µs to 1,000 s.
const LATENCY_RANGE: (u64, u64) = (100, 1_000_000_000_000);

/// An empty latency histogram in nanoseconds with `digits` significant digits (2 or 3).
pub fn histogram(digits: u8) -> Histogram<u64> {
    Histogram::new_with_bounds(LATENCY_RANGE.0, LATENCY_RANGE.1, digits)
        .expect("the bounds are valid for 2 and 3 digits")
}

/// Significant digits of the histograms of a trial: three, or two where three would take more than
/// 256 MiB for `windows` windows of each of `recorders` threads.
pub fn digits_for(windows: usize, recorders: usize) -> u8 {
    const THREE_DIGITS: usize = 200 << 10;
    if windows
        .saturating_mul(recorders)
        .saturating_mul(THREE_DIGITS)
        <= 256 << 20
    {
        3
    } else {
        2
    }
}

/// Why an operation did not move its bytes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Cause {
    /// The operating system's error number.
    Os(i32),
    /// A read found the end of the file too early.
    EndOfFile,
}

/// An operation that failed; it ends its trial.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Failure {
    /// What was asked.
    pub operation: Operation,
    /// What came of it.
    pub cause: Cause,
}

impl Failure {
    /// Whether the share, or the person's part of it, has no room left.
    pub fn is_full(&self) -> bool {
        matches!(self.cause, Cause::Os(number) if is_full(io::Error::from_raw_os_error(number).kind()))
    }
}

/// Whether an error says that there is no room left.
pub fn is_full(kind: io::ErrorKind) -> bool {
    matches!(
        kind,
        io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded
    )
}

impl fmt::Display for Failure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let verb = match self.operation.direction {
            Direction::Read => "reading",
            Direction::Write => "writing",
        };
        let (file, offset) = (self.operation.file, self.operation.offset);
        write!(
            f,
            "{verb} file {file} of the test data at offset {offset}: "
        )?;
        match self.cause {
            Cause::Os(number) => write!(f, "{}", io::Error::from_raw_os_error(number)),
            Cause::EndOfFile => f.write_str("the file ends too early"),
        }
    }
}

/// One second of a trial.
#[derive(Clone, Debug)]
pub struct Window {
    /// Bytes read by operations that ended in it.
    pub read: Bytes,
    /// Bytes written by operations that ended in it.
    pub written: Bytes,
    /// Latency in nanoseconds of the operations that ended in it.
    pub latency: Histogram<u64>,
}

impl Window {
    fn new(digits: u8) -> Self {
        let mut latency = histogram(digits);
        // Touches the memory, so that no page fault falls into the measured time.
        latency.reset();
        Self {
            read: Bytes(0),
            written: Bytes(0),
            latency,
        }
    }

    /// Bytes read and written.
    pub fn bytes(&self) -> Bytes {
        self.read + self.written
    }

    fn merge(&mut self, other: &Self) {
        self.read = self.read + other.read;
        self.written = self.written + other.written;
        self.latency
            .add(&other.latency)
            .expect("histograms of one trial have equal bounds");
    }
}

/// What one stream, or all streams of a trial together, saw.
#[derive(Clone, Debug)]
pub struct Recording {
    /// Whole windows, from the start of the trial.
    pub windows: Vec<Window>,
    /// Operations that were in flight when the last window closed.
    pub tail: Window,
    /// Operations that were started.
    pub started: u64,
    /// Paced operations that started more than a millisecond after they were due.
    pub late: u64,
    /// Paced operations that were due and never started; each stands in the histogram of the tail
    /// with its wait until the end, a lower bound.
    pub missed: u64,
    /// When the last operation ended, from the start of the trial.
    pub ended: Nanos,
    /// The first operation that failed.
    pub failure: Option<Failure>,
}

impl Recording {
    /// An empty recording of `windows` windows; all memory is allocated and touched here.
    pub fn new(windows: usize, digits: u8) -> Self {
        Self {
            windows: (0..windows).map(|_| Window::new(digits)).collect(),
            tail: Window::new(digits),
            started: 0,
            late: 0,
            missed: 0,
            ended: Nanos(0),
            failure: None,
        }
    }

    /// Records an operation that moved `bytes` and ended at `ended`, `latency` after it was due.
    pub fn record(&mut self, direction: Direction, bytes: u64, ended: Nanos, latency: Nanos) {
        let index = (ended.0 / WINDOW.0) as usize;
        let window = self.windows.get_mut(index).unwrap_or(&mut self.tail);
        match direction {
            Direction::Read => window.read.0 += bytes,
            Direction::Write => window.written.0 += bytes,
        }
        window.latency.saturating_record(latency.0);
        self.ended = self.ended.max(ended);
    }

    /// Records a paced operation that was due and never started.
    pub fn miss(&mut self, waited: Nanos) {
        self.missed += 1;
        self.tail.latency.saturating_record(waited.0);
    }

    /// Adds what another stream of the same trial saw.
    pub fn merge(&mut self, other: &Self) {
        for (window, other) in self.windows.iter_mut().zip(&other.windows) {
            window.merge(other);
        }
        self.tail.merge(&other.tail);
        self.started += other.started;
        self.late += other.late;
        self.missed += other.missed;
        self.ended = self.ended.max(other.ended);
        self.failure = self.failure.or(other.failure);
    }

    /// All bytes, of whole windows and of the tail.
    pub fn bytes(&self) -> Bytes {
        self.windows
            .iter()
            .chain([&self.tail])
            .map(Window::bytes)
            .sum()
    }

    /// Forgets windows that had not run to their end when the trial was stopped: their operations
    /// count with the tail.
    pub fn cut(&mut self, whole: usize) {
        for window in self.windows.split_off(whole.min(self.windows.len())) {
            self.tail.merge(&window);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn operations_fall_into_the_window_in_which_they_end() {
        let mut recording = Recording::new(2, 3);
        let at = |ms| Nanos::MILLI.0 * ms;
        recording.record(Direction::Read, 10, Nanos(at(999)), Nanos::MILLI);
        recording.record(Direction::Write, 20, Nanos(at(1000)), Nanos::MILLI);
        recording.record(Direction::Read, 40, Nanos(at(2000)), Nanos::MILLI);
        assert_eq!(recording.windows[0].read, Bytes(10));
        assert_eq!(recording.windows[1].written, Bytes(20));
        assert_eq!(recording.tail.read, Bytes(40));
        assert_eq!(
            (recording.bytes(), recording.ended),
            (Bytes(70), Nanos(at(2000)))
        );
        let mut both = Recording::new(2, 3);
        both.merge(&recording);
        both.merge(&recording);
        assert_eq!(both.bytes(), Bytes(140));
        both.cut(1);
        assert_eq!((both.windows.len(), both.tail.bytes()), (1, Bytes(120)));
    }

    /// The README example of HdrHistogram (coordinated omission): a system that answers in 1 ms,
    /// asked every 10 ms for 100 s, then hangs for 100 s. A closed loop sees 10,001 answers; asked
    /// on a schedule, the 10,000 that were due during the hang count with their waits: median 1 ms,
    /// 75 % at 50 s, 99 % at 98 s.
    #[test]
    fn a_hang_shows_in_latency_from_the_schedule_and_hides_in_a_closed_loop() {
        let (period, service) = (Nanos(10_000_000), Nanos::MILLI);
        let hang = Nanos(100 * Nanos::SECOND.0);
        let (mut closed, mut paced) = (Recording::new(0, 3), Recording::new(0, 3));
        for i in 0..10_000 {
            let due = Nanos(period.0 * i);
            for recording in [&mut closed, &mut paced] {
                recording.record(Direction::Read, 1, due + service, service);
            }
        }
        let end = hang + hang;
        closed.record(Direction::Read, 1, end, hang);
        for i in 0..10_000 {
            let due = hang + Nanos(period.0 * i);
            paced.record(Direction::Read, 1, end, end - due);
        }
        let within = |value: u64, expected: u64| value.abs_diff(expected) <= expected / 1000;
        let at = |recording: &Recording, p| recording.tail.latency.value_at_quantile(p);
        assert_eq!(
            (closed.tail.latency.len(), paced.tail.latency.len()),
            (10_001, 20_000)
        );
        for p in [0.3, 0.99, 0.9999] {
            assert!(within(at(&closed, p), 1_000_000), "raw {p}");
        }
        assert!(within(at(&closed, 0.99999), hang.0));
        for (p, ms) in [
            (0.3, 1),
            (0.5, 1),
            (0.75, 50_000),
            (0.9, 80_000),
            (0.99, 98_000),
        ] {
            assert!(
                within(at(&paced, p), ms * 1_000_000),
                "from the schedule {p}"
            );
        }
        // hdrhistogram's own correction of the closed loop agrees.
        let mut corrected = histogram(3);
        corrected.record_n(service.0, 10_000).unwrap();
        corrected.record_correct(hang.0, period.0).unwrap();
        assert_eq!(corrected.len(), 20_000);
        assert!(within(corrected.value_at_quantile(0.75), 50_000_000_000));
    }
}

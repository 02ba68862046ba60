//! Operations as they end, gathered into windows.

use hdrhistogram::Histogram;

use super::controls::Controls;
use super::digest::WindowLatency;
use super::failure::Failure;
use super::histogram::{Shape, add, histogram, touched};
use super::latency::Latencies;
use crate::plan::Direction;
use crate::units::{Bytes, Nanos};

/// Length of a window.
pub const WINDOW: Nanos = Nanos::SECOND;

/// What one second of a trial moved.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Window {
    /// Bytes read by operations that ended in it.
    pub read: Bytes,
    /// Bytes written by operations that ended in it.
    pub written: Bytes,
}

impl Window {
    /// Bytes read and written.
    pub fn bytes(&self) -> Bytes {
        self.read + self.written
    }

    fn add(&mut self, other: &Self) {
        self.read = self.read + other.read;
        self.written = self.written + other.written;
    }
}

/// What one stream, or all streams of a trial together, saw.
#[derive(Clone, Debug)]
pub struct Recording {
    /// Whole windows, from the start of the trial.
    pub windows: Vec<Window>,
    /// Operations that were in flight when the last window closed.
    pub tail: Window,
    /// Latency in nanoseconds of what counts with the tail.
    pub tail_latency: Histogram<u64>,
    /// Operations that were started.
    pub started: u64,
    /// Paced operations that started more than a millisecond after they were due.
    pub late: u64,
    /// Paced operations that were due and never started; each stands in the histogram of the tail
    /// with its wait until the end, a lower bound.
    pub missed: u64,
    /// When the last operation ended, from the start of the trial.
    pub ended: Nanos,
    /// The first thing that failed.
    pub failure: Option<Failure>,
    /// Control reads beside the trial.
    pub controls: Controls,
    latencies: Latencies,
}

impl Recording {
    /// An empty recording; all memory is allocated and touched here.
    pub fn new(shape: Shape) -> Self {
        Self {
            windows: vec![Window::default(); shape.windows],
            tail: Window::default(),
            tail_latency: touched(shape.digits),
            started: 0,
            late: 0,
            missed: 0,
            ended: Nanos(0),
            failure: None,
            controls: Controls::default(),
            latencies: Latencies::new(shape),
        }
    }

    /// What is recorded of a trial of which nothing ran.
    pub fn nothing() -> Self {
        Self::new(Shape::exact(0, 3))
    }

    /// What all `streams` of a trial of this shape saw.
    pub fn merged(shape: Shape, streams: impl IntoIterator<Item = Self>) -> Self {
        let mut all = Self::new(Shape::exact(0, shape.digits));
        all.windows = vec![Window::default(); shape.windows];
        let latencies = streams.into_iter().map(|stream| all.take(stream)).collect();
        all.latencies = Latencies::merged(shape, latencies);
        all
    }

    /// Adds all that another stream saw but its latencies, and hands them back.
    fn take(&mut self, other: Self) -> Latencies {
        for (window, other) in self.windows.iter_mut().zip(&other.windows) {
            window.add(other);
        }
        self.tail.add(&other.tail);
        add(&mut self.tail_latency, &other.tail_latency);
        self.started += other.started;
        self.late += other.late;
        self.missed += other.missed;
        self.ended = self.ended.max(other.ended);
        self.failure = self.failure.or(other.failure);
        other.latencies
    }

    /// Records an operation that moved `bytes` and ended at `ended`, `latency` after it was due.
    pub fn record(&mut self, direction: Direction, bytes: u64, ended: Nanos, latency: Nanos) {
        let index = (ended.0 / WINDOW.0) as usize;
        let window = match self.windows.get_mut(index) {
            Some(window) => {
                self.latencies.record(index, latency.0);
                window
            }
            None => {
                self.tail_latency.saturating_record(latency.0);
                &mut self.tail
            }
        };
        match direction {
            Direction::Read => window.read.0 += bytes,
            Direction::Write => window.written.0 += bytes,
        }
        self.ended = self.ended.max(ended);
    }

    /// Records a paced operation that was due and never started.
    pub fn miss(&mut self, waited: Nanos) {
        self.missed += 1;
        self.tail_latency.saturating_record(waited.0);
    }

    /// All bytes, of whole windows and of the tail.
    pub fn bytes(&self) -> Bytes {
        self.windows
            .iter()
            .chain([&self.tail])
            .map(Window::bytes)
            .sum()
    }

    /// What is known of the latencies of window `index` of a merged recording.
    ///
    /// # Panics
    /// When there is no such window.
    pub fn window_latency(&self, index: usize) -> WindowLatency {
        assert!(index < self.windows.len(), "no window {index}");
        self.latencies.window(index)
    }

    /// Latencies in nanoseconds, without those of the first `dropped` windows, with those of the
    /// tail. In a trial too long for a histogram of each window, the few windows that share one with
    /// the last of the dropped are left out too.
    pub fn latency(&self, dropped: usize) -> Histogram<u64> {
        let mut all = histogram(self.latencies.shape().digits);
        self.latencies.add_from(dropped, &mut all);
        add(&mut all, &self.tail_latency);
        all
    }

    /// Forgets windows that had not run to their end when the trial was stopped: their operations
    /// count with the tail.
    pub fn cut(&mut self, whole: usize) {
        for window in self.windows.split_off(whole.min(self.windows.len())) {
            self.tail.add(&window);
        }
        self.latencies.cut(whole, &mut self.tail_latency);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn operations_fall_into_the_window_in_which_they_end() {
        let mut recording = Recording::new(Shape::exact(2, 3));
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
        let streams = [recording.clone(), recording];
        let mut both = Recording::merged(Shape::exact(2, 3), streams);
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
        let (mut closed, mut paced) = (Recording::nothing(), Recording::nothing());
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
        let at = |recording: &Recording, p| recording.tail_latency.value_at_quantile(p);
        assert_eq!(
            (closed.tail_latency.len(), paced.tail_latency.len()),
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

//! The end of a trial before its time, once its mean is known well enough.
//!
//! Each stream counts what it moved in windows of its own, so that none waits for another. Whoever started the
//! streams looks, as each window closes, whether the windows so far are steady and their mean precise; then
//! the trial ends with that window. Streams only ask when the end is, and a trial without such an end pays
//! nothing.

use std::sync::atomic::{AtomicU64, AtomicUsize, Ordering::Relaxed};

use crate::record::WINDOW;
use crate::stats::precise::is_steady_within;
use crate::units::Nanos;

/// When a trial may end before its time. For trials that only read, in a closed loop: what is written
/// has to be paid back by a flush, and of a paced load the rate tells nothing.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Until {
    /// Half of the 95 % interval of the mean rate, over that mean.
    pub half_width: f64,
    /// Whole seconds that it runs at least.
    pub least: u64,
}

impl Until {
    /// Whether bytes moved in each window so far are enough.
    pub fn met(&self, windows: &[f64]) -> bool {
        windows.len() as u64 >= self.least && is_steady_within(windows, self.half_width)
    }
}

/// What the streams of one trial share for it.
#[derive(Debug)]
pub(super) struct Early {
    until: Until,
    /// Bytes in each window, by stream.
    moved: Vec<Vec<AtomicU64>>,
    /// Streams that have a row of these.
    streams: AtomicUsize,
    /// Windows that have to be closed for the next look.
    next: AtomicU64,
    /// When the trial ends, in nanoseconds.
    end: AtomicU64,
}

impl Early {
    /// For at most `streams` of a trial of `length`: more would share, at some cost, what they count in.
    pub(super) fn new(until: Until, length: Nanos, streams: usize) -> Self {
        let row = |_| {
            (0..length.0 / WINDOW.0)
                .map(|_| AtomicU64::new(0))
                .collect()
        };
        Self {
            until,
            moved: (0..streams.max(1)).map(row).collect(),
            streams: AtomicUsize::new(0),
            next: AtomicU64::new(until.least.max(1)),
            end: AtomicU64::new(length.0),
        }
    }

    /// The row that a new stream counts in.
    pub(super) fn row(&self) -> usize {
        self.streams.fetch_add(1, Relaxed) % self.moved.len()
    }

    /// Counts what was moved by an operation of a stream that ended at `ended`.
    pub(super) fn add(&self, row: usize, ended: Nanos, bytes: u64) {
        if let Some(window) = self.moved[row].get((ended.0 / WINDOW.0) as usize) {
            window.fetch_add(bytes, Relaxed);
        }
    }

    /// Looks at `now` whether the trial ends, if another window has closed; when to look again, if ever.
    pub(super) fn look(&self, now: Nanos) -> Option<Nanos> {
        let windows = self.moved[0].len() as u64;
        let (closed, next) = ((now.0 / WINDOW.0).min(windows), self.next.load(Relaxed));
        if closed >= next && closed < windows {
            let sum = |window: usize| -> u64 {
                let rows = self.moved.iter().map(|row| row[window].load(Relaxed));
                rows.sum()
            };
            let so_far: Vec<f64> = (0..closed as usize).map(|w| sum(w) as f64).collect();
            if self.until.met(&so_far) {
                self.end.fetch_min(closed * WINDOW.0, Relaxed);
            }
            self.next.store(closed + 1, Relaxed);
        }
        let next = Nanos(self.next.load(Relaxed) * WINDOW.0);
        (next < self.end()).then_some(next)
    }

    /// When it ends, as far as it is known.
    pub(super) fn end(&self) -> Nanos {
        Nanos(self.end.load(Relaxed))
    }
}

//! The end of a trial before its time, once its mean is known well enough.
//!
//! Streams add what they moved to windows that all of them share. The first to find that another
//! window has closed looks whether the windows so far are steady and their mean precise; then the
//! trial ends with that window. A look takes some microseconds between two operations of one stream, once
//! a second; a trial without such an end pays nothing.

use std::sync::atomic::{AtomicU64, Ordering::Relaxed};

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
    windows: Vec<AtomicU64>,
    /// Windows that have to be closed for the next look.
    next: AtomicU64,
    /// When the trial ends, in nanoseconds.
    end: AtomicU64,
}

impl Early {
    pub(super) fn new(until: Until, length: Nanos) -> Self {
        Self {
            until,
            windows: (0..length.0 / WINDOW.0)
                .map(|_| AtomicU64::new(0))
                .collect(),
            next: AtomicU64::new(until.least.max(1)),
            end: AtomicU64::new(length.0),
        }
    }

    /// Counts what was moved by an operation that ended at `ended`.
    pub(super) fn add(&self, ended: Nanos, bytes: u64) {
        if let Some(window) = self.windows.get((ended.0 / WINDOW.0) as usize) {
            window.fetch_add(bytes, Relaxed);
        }
    }

    /// When the trial ends, as far as it is known at `now`.
    pub(super) fn end(&self, now: Nanos) -> Nanos {
        let (closed, next) = (now.0 / WINDOW.0, self.next.load(Relaxed));
        let ours = || {
            let after = self
                .next
                .compare_exchange(next, closed + 1, Relaxed, Relaxed);
            after.is_ok()
        };
        if closed >= next && (closed as usize) < self.windows.len() && ours() {
            let so_far = &self.windows[..closed as usize];
            let moved: Vec<f64> = so_far.iter().map(|w| w.load(Relaxed) as f64).collect();
            if self.until.met(&moved) {
                self.end.fetch_min(closed * WINDOW.0, Relaxed);
            }
        }
        self.ended()
    }

    /// When it ends, without another look.
    pub(super) fn ended(&self) -> Nanos {
        Nanos(self.end.load(Relaxed))
    }
}

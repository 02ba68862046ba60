//! A recording boiled down to the numbers of its row.

use hdrhistogram::Histogram;

use super::recording::{Recording, WINDOW, Window};
use crate::stats::steady::{self, Warmup};
use crate::units::{Bytes, Nanos, Rate};

/// The numbers of one trial.
#[derive(Clone, Debug)]
pub struct Summary {
    /// Bytes that count for the rate.
    pub bytes: Bytes,
    /// Operations that count for latency.
    pub operations: u64,
    /// Time that counts for the rate, the flush included.
    pub seconds: f64,
    /// The trial's number.
    pub rate: Option<Rate>,
    /// The fastest window.
    pub burst: Option<Rate>,
    /// Mean over the steady windows, without the flush.
    pub sustained: Option<Rate>,
    /// Windows before steady state, and whether there was one.
    pub warmup: Warmup,
    /// Latency in nanoseconds, from the moment an operation was due.
    pub latency: Histogram<u64>,
}

/// Boils `recording` down.
///
/// A trial that only reads leaves its warm-up windows out of rate and latency; operations in flight
/// at the end count for latency alone. A trial that writes counts all its bytes over all its time
/// plus `flush`: what a cache took quickly at first it has to pay back before the end.
pub fn summarize(recording: &Recording, flush: Option<Nanos>) -> Summary {
    let window_bytes: Vec<f64> = recording
        .windows
        .iter()
        .map(|w| w.bytes().0 as f64)
        .collect();
    let warmup = steady::warmup(&window_bytes);
    let kept = &recording.windows[warmup.windows_to_drop..];
    let kept_bytes: Bytes = kept.iter().map(Window::bytes).sum();
    let kept_time = Nanos(WINDOW.0 * kept.len() as u64);
    let (dropped, bytes, time) = match flush {
        Some(flush) => (0, recording.bytes(), recording.ended + flush),
        None => (warmup.windows_to_drop, kept_bytes, kept_time),
    };
    let latency = recording.latency(dropped);
    let window_rate = |window: &Window| Rate::of(window.bytes(), WINDOW);
    Summary {
        bytes,
        operations: latency.len(),
        seconds: time.secs(),
        rate: Rate::of(bytes, time),
        burst: recording
            .windows
            .iter()
            .filter_map(window_rate)
            .max_by(|a, b| a.0.total_cmp(&b.0)),
        sustained: Rate::of(kept_bytes, kept_time),
        warmup,
        latency,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::Direction;
    use crate::record::Shape;

    /// `bytes` in each window, one operation each.
    fn recording(bytes: &[u64], direction: Direction) -> Recording {
        let mut recording = Recording::new(Shape::exact(bytes.len(), 3));
        for (second, bytes) in (0..).zip(bytes) {
            let ended = Nanos(second * WINDOW.0 + WINDOW.0 / 2);
            recording.record(direction, *bytes, ended, Nanos::MILLI);
        }
        recording
    }

    #[test]
    fn reading_leaves_the_warm_up_out() {
        let series: Vec<u64> = (0..40).map(|i| if i < 5 { 900 } else { 100 }).collect();
        let summary = summarize(&recording(&series, Direction::Read), None);
        assert!(summary.warmup.steady);
        assert_eq!(summary.warmup.windows_to_drop, 5);
        assert_eq!(summary.rate, Some(Rate(100.0)));
        assert_eq!(summary.burst, Some(Rate(900.0)));
        assert_eq!(summary.latency.len(), 35);
    }

    #[test]
    fn writing_counts_every_byte_and_the_flush() {
        let series: Vec<u64> = (0..40).map(|i| if i < 5 { 900 } else { 100 }).collect();
        let recording = recording(&series, Direction::Write);
        let flush = Nanos::SECOND - Nanos(WINDOW.0 / 2);
        let summary = summarize(&recording, Some(flush));
        // 5 × 900 + 35 × 100 bytes; the last write ended at 39.5 s, the flush half a second later.
        assert_eq!((summary.bytes, summary.seconds), (Bytes(8_000), 40.0));
        assert_eq!(summary.rate, Some(Rate(200.0)));
        assert_eq!(summary.sustained, Some(Rate(100.0)));
    }
}

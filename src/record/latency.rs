//! Latencies of a trial, window by window, in memory that does not grow with the trial.
//!
//! A histogram takes some 30 to 200 KiB, so a trial of a day cannot keep one for each of its
//! 86,400 seconds. Where they fit, each window has its own. Where they do not, consecutive windows
//! share one; the window that is running has another, which is boiled down to a digest of a few
//! bytes and folded into the shared one when the window closes. The latency of the whole trial
//! loses nothing by that.

use hdrhistogram::Histogram;

use super::digest::{Digest, WindowLatency, combine};
use super::histogram::{Shape, add, histogram, touched};

/// Latencies of one stream, or of all streams of a trial together.
#[derive(Clone, Debug)]
pub(super) struct Latencies {
    shape: Shape,
    histograms: Vec<Histogram<u64>>,
    kept: Kept,
}

/// What is kept of single windows.
#[derive(Clone, Debug)]
enum Kept {
    /// Nothing beside their own histograms.
    Whole,
    /// A stream's digests, and the window that is running.
    Running {
        digests: Vec<Digest>,
        window: usize,
        latency: Histogram<u64>,
    },
    /// What the digests of all streams came to.
    Combined(Vec<WindowLatency>),
}

impl Latencies {
    /// Nothing yet; all memory is allocated and touched here.
    pub(super) fn new(shape: Shape) -> Self {
        let kept = if shape.folds() {
            Kept::Running {
                digests: vec![Digest::default(); shape.windows],
                window: 0,
                latency: touched(shape.digits),
            }
        } else {
            Kept::Whole
        };
        Self {
            shape,
            histograms: (0..shape.histograms())
                .map(|_| touched(shape.digits))
                .collect(),
            kept,
        }
    }

    pub(super) fn shape(&self) -> Shape {
        self.shape
    }

    /// Records an operation that ended in `window`, which the trial has.
    pub(super) fn record(&mut self, window: usize, ns: u64) {
        let shared = &mut self.histograms[window / self.shape.shared_by];
        match &mut self.kept {
            Kept::Running {
                digests,
                window: running,
                ..
            } if window < *running => {
                digests[window].add_late(ns);
                shared.saturating_record(ns);
            }
            Kept::Running {
                window: running,
                latency,
                ..
            } if window == *running => latency.saturating_record(ns),
            Kept::Running { .. } => {
                self.close(window);
                self.record(window, ns);
            }
            Kept::Whole | Kept::Combined(_) => shared.saturating_record(ns),
        }
    }

    /// Closes the running window; `next` runs from now on.
    fn close(&mut self, next: usize) {
        if let Kept::Running {
            digests,
            window,
            latency,
        } = &mut self.kept
        {
            if !latency.is_empty() {
                digests[*window] = Digest::of(latency);
                add(
                    &mut self.histograms[*window / self.shape.shared_by],
                    latency,
                );
                latency.reset();
            }
            *window = next;
        }
    }

    /// What all `streams` of a trial of this shape saw.
    pub(super) fn merged(shape: Shape, mut streams: Vec<Self>) -> Self {
        let mut histograms: Vec<_> = (0..shape.histograms())
            .map(|_| histogram(shape.digits))
            .collect();
        for stream in &mut streams {
            stream.close(shape.windows);
            for (all, own) in histograms.iter_mut().zip(&stream.histograms) {
                add(all, own);
            }
        }
        let kept = if shape.folds() {
            let mut points = Vec::new();
            let window = |window: usize| {
                let digests = streams.iter().filter_map(|stream| match &stream.kept {
                    Kept::Running { digests, .. } => digests.get(window),
                    Kept::Whole | Kept::Combined(_) => None,
                });
                combine(digests, &mut points)
            };
            Kept::Combined((0..shape.windows).map(window).collect())
        } else {
            Kept::Whole
        };
        Self {
            shape,
            histograms,
            kept,
        }
    }

    /// What is known of window `index`, once its trial is merged.
    pub(super) fn window(&self, index: usize) -> WindowLatency {
        match &self.kept {
            Kept::Whole => WindowLatency::of(&self.histograms[index]),
            Kept::Running { digests, .. } => {
                combine(digests.get(index).into_iter(), &mut Vec::new())
            }
            Kept::Combined(windows) => windows[index],
        }
    }

    /// Adds the windows from `first` on to `sum`; from the next shared histogram on, where the one
    /// of `first` begins before it.
    pub(super) fn add_from(&self, first: usize, sum: &mut Histogram<u64>) {
        let first = first.div_ceil(self.shape.shared_by);
        for histogram in self.histograms.iter().skip(first) {
            add(sum, histogram);
        }
    }

    /// Forgets the windows from `whole` on; their histograms go into `tail`, all but one that is
    /// shared with a window that stays.
    pub(super) fn cut(&mut self, whole: usize, tail: &mut Histogram<u64>) {
        self.close(self.shape.windows);
        let first = whole.div_ceil(self.shape.shared_by);
        for histogram in self.histograms.split_off(first.min(self.histograms.len())) {
            add(tail, &histogram);
        }
        self.shape.windows = whole.min(self.shape.windows);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::digest::POINTS;
    use crate::seed::Seed;

    /// The same operations in both ways of keeping: `streams` streams of `windows` windows whose
    /// median is twice as large from stream to stream.
    fn both(streams: usize, windows: usize) -> [Latencies; 2] {
        let folded = Shape {
            windows,
            digits: 2,
            shared_by: 7,
        };
        [Shape::exact(windows, 2), folded].map(|shape| {
            let one = |stream: usize| {
                let mut rng = Seed(11).child("stream", stream as u64).rng();
                let mut latencies = Latencies::new(shape);
                for window in 0..windows {
                    for _ in 0..200 {
                        let ns = 1e6 * (1 << stream) as f64 * (0.5 + rng.f64());
                        latencies.record(window, ns as u64);
                    }
                }
                latencies
            };
            Latencies::merged(shape, (0..streams).map(one).collect())
        })
    }

    #[test]
    fn folding_keeps_all_of_one_stream_and_the_whole_of_many() {
        let [exact, folded] = both(1, 40);
        for window in 0..40 {
            let (exact, folded) = (exact.window(window), folded.window(window));
            assert_eq!(exact.operations, folded.operations);
            assert_eq!(exact.max_ns, folded.max_ns);
            let within = |a: f64, b: f64| (a / b - 1.0).abs() < 1e-6;
            assert!(within(exact.mean_ns.unwrap(), folded.mean_ns.unwrap()));
            let medians = [exact, folded].map(|window| window.p50_ns.unwrap() as f64);
            assert!(within(medians[0], medians[1]), "{medians:?}");
        }
        let [exact, folded] = both(5, 40).map(|latencies| {
            let mut all = histogram(2);
            latencies.add_from(7, &mut all);
            all
        });
        assert_eq!(exact, folded);
        assert_eq!(exact.len(), 5 * 33 * 200);
    }

    #[test]
    fn the_median_of_many_streams_is_right_within_half_a_point_in_rank() {
        let [exact, folded] = both(5, 20);
        for window in 0..20 {
            let mut own = histogram(2);
            add(&mut own, &exact.histograms[window]);
            let found = folded.window(window).p50_ns.unwrap();
            let half = 0.5 / POINTS as f64;
            let (low, high) = (
                own.value_at_quantile(0.5 - half),
                own.value_at_quantile(0.5 + half),
            );
            assert!(
                (low..=high).contains(&found),
                "seed 11, window {window}: {low} to {high}, found {found}"
            );
        }
    }

    #[test]
    fn what_is_late_counts_and_what_is_cut_stays_in_the_whole() {
        let shape = Shape {
            windows: 20,
            digits: 2,
            shared_by: 4,
        };
        let mut latencies = Latencies::new(shape);
        latencies.record(3, 1_000_000);
        latencies.record(9, 1_000_000);
        latencies.record(3, 9_000_000);
        let mut latencies = Latencies::merged(shape, vec![latencies]);
        let window = latencies.window(3);
        let within = |value: f64, expected: f64| (value / expected - 1.0).abs() < 0.01;
        assert_eq!(window.operations, 2);
        assert!(within(window.mean_ns.unwrap(), 5e6), "{window:?}");
        assert_eq!(window.max_ns, Some(9_000_000));
        assert_eq!(latencies.window(4), WindowLatency::default());
        let mut tail = histogram(2);
        latencies.cut(5, &mut tail);
        assert_eq!((latencies.shape().windows, tail.len()), (5, 1));
        latencies.add_from(0, &mut tail);
        assert_eq!(tail.len(), 3);
    }
}

//! Latencies of a trial, window by window, in memory that does not grow with the trial.
//!
//! A histogram takes some 30 to 200 KiB, so a trial of a day cannot keep one for each of its
//! 86,400 seconds. Where they fit, each window has its own. Where they do not, consecutive windows
//! share one; the window that is running has another, which is boiled down to a digest of a few
//! bytes and folded into the shared one when the window closes. The latency of the whole trial
//! loses nothing by that.

use hdrhistogram::Histogram;

/// Smallest and largest latency that a histogram tells apart, in nanoseconds: 0.1 µs to 1,000 s.
const RANGE: (u64, u64) = (100, 1_000_000_000_000);

/// Bytes that the histograms of a trial may take with one for each window.
const BUDGET: usize = 256 << 20;
/// Bytes of a histogram with three and with two digits, for the range above (a test counts them).
const THREE_DIGITS: usize = 200 << 10;
const TWO_DIGITS: usize = 28 << 10;
/// Shared histograms of a stream: enough to leave a warm-up out within half a percent of the trial,
/// fewer only where streams are many.
const SHARED: usize = 256;
const FEWEST_SHARED: usize = 8;

/// Points of a digest. The median of many streams' digests is wrong by at most half a point in
/// rank: it lies between the 44th and the 56th percentile. That of one stream is exact.
const POINTS: usize = 9;

/// An empty latency histogram in nanoseconds with `digits` significant digits (2 or 3).
pub fn histogram(digits: u8) -> Histogram<u64> {
    Histogram::new_with_bounds(RANGE.0, RANGE.1, digits)
        .expect("the bounds are valid for 2 and 3 digits")
}

/// How the latencies of a trial are kept.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Shape {
    /// Whole windows of the trial.
    pub windows: usize,
    /// Significant digits of its histograms: three, or two where three take too much.
    pub digits: u8,
    /// Consecutive windows that share a histogram; 1 where each has its own.
    pub shared_by: usize,
}

impl Shape {
    /// A histogram with `digits` digits for each of `windows` windows.
    pub fn exact(windows: usize, digits: u8) -> Self {
        Self {
            windows,
            digits,
            shared_by: 1,
        }
    }

    /// The best shape for `windows` windows of each of `recorders` streams: the histograms of all of
    /// them take at most 256 MiB together, or eight for each stream where that is more.
    pub fn for_trial(windows: usize, recorders: usize) -> Self {
        let fits = |bytes: usize| {
            windows
                .saturating_mul(recorders)
                .saturating_mul(bytes)
                .le(&BUDGET)
        };
        if fits(THREE_DIGITS) {
            return Self::exact(windows, 3);
        }
        if fits(TWO_DIGITS) {
            return Self::exact(windows, 2);
        }
        let room = BUDGET / TWO_DIGITS / recorders.max(1);
        let histograms = room.clamp(FEWEST_SHARED, SHARED).min(windows);
        Self {
            windows,
            digits: 2,
            shared_by: windows.div_ceil(histograms.max(1)).max(1),
        }
    }

    fn histograms(&self) -> usize {
        self.windows.div_ceil(self.shared_by)
    }

    fn folds(&self) -> bool {
        self.shared_by > 1
    }
}

/// What is known of one window's latencies.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct WindowLatency {
    /// Operations that ended in it.
    pub operations: u64,
    /// Their mean in nanoseconds; `None` without any.
    pub mean_ns: Option<f64>,
    /// Their median.
    pub p50_ns: Option<u64>,
    /// The worst of them.
    pub max_ns: Option<u64>,
}

impl WindowLatency {
    fn of(histogram: &Histogram<u64>) -> Self {
        let any = !histogram.is_empty();
        Self {
            operations: histogram.len(),
            mean_ns: any.then(|| histogram.mean()),
            p50_ns: any.then(|| histogram.value_at_quantile(0.5)),
            max_ns: any.then(|| histogram.max()),
        }
    }
}

/// What is left of a window that has closed.
#[derive(Clone, Copy, Debug, Default)]
struct Digest {
    operations: u64,
    sum: f64,
    max: u64,
    /// Values at equally spaced ranks, the median in the middle.
    points: [f32; POINTS],
}

impl Digest {
    fn of(histogram: &Histogram<u64>) -> Self {
        let operations = histogram.len();
        if operations == 0 {
            return Self::default();
        }
        let rank = |point: usize| (point as f64 + 0.5) / POINTS as f64;
        let mut points = [0.0; POINTS];
        for (number, point) in points.iter_mut().enumerate() {
            *point = histogram.value_at_quantile(rank(number)) as f32;
        }
        Self {
            operations,
            sum: histogram.mean() * operations as f64,
            max: histogram.max(),
            points,
        }
    }

    /// An operation that is learnt of after its window has closed: it is in everything but the median.
    fn add_late(&mut self, ns: u64) {
        if self.operations == 0 {
            self.points = [ns as f32; POINTS];
        }
        self.operations += 1;
        self.sum += ns as f64;
        self.max = self.max.max(ns);
    }
}

/// What the digests of one window in all streams say together. `points` is working memory.
fn combine<'a>(
    digests: impl Iterator<Item = &'a Digest>,
    points: &mut Vec<(f32, u64)>,
) -> WindowLatency {
    points.clear();
    let (mut operations, mut sum, mut max) = (0, 0.0, 0);
    for digest in digests.filter(|digest| digest.operations > 0) {
        operations += digest.operations;
        sum += digest.sum;
        max = max.max(digest.max);
        points.extend(digest.points.map(|point| (point, digest.operations)));
    }
    points.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
    // Each point stands for a part of its stream's operations: half of all lies below the median.
    let half = operations * POINTS as u64;
    let median = points
        .iter()
        .scan(0, |below, (value, weight)| {
            *below += weight;
            Some((*value, *below))
        })
        .find(|(_, below)| 2 * below >= half);
    let any = operations > 0;
    WindowLatency {
        operations,
        mean_ns: any.then(|| sum / operations as f64),
        p50_ns: median.map(|(value, _)| value as u64),
        max_ns: any.then_some(max),
    }
}

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

/// A histogram whose memory is touched, so that no page fault falls into the measured time.
pub(super) fn touched(digits: u8) -> Histogram<u64> {
    let mut histogram = histogram(digits);
    histogram.reset();
    histogram
}

pub(super) fn add(sum: &mut Histogram<u64>, part: &Histogram<u64>) {
    sum.add(part)
        .expect("histograms of one trial have equal bounds");
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::seed::Seed;

    #[test]
    fn a_histogram_takes_what_the_budget_thinks() {
        for (digits, bytes) in [(2, TWO_DIGITS), (3, THREE_DIGITS)] {
            // Buckets are counted in 64 bits.
            assert_eq!(histogram(digits).distinct_values() * 8, bytes, "{digits}");
        }
    }

    #[test]
    fn the_memory_of_a_trial_is_bounded_however_long_it_is() {
        for windows in [1, 30, 300, 3_600, 86_400] {
            for recorders in [1, 8, 32, 1_024] {
                let shape = Shape::for_trial(windows, recorders);
                let each = if shape.digits == 3 {
                    THREE_DIGITS
                } else {
                    TWO_DIGITS
                };
                let bytes = shape.histograms() * each;
                let most = (BUDGET / recorders).max(FEWEST_SHARED * TWO_DIGITS);
                assert!(bytes <= most, "{windows} x {recorders}: {shape:?}");
                assert!(shape.histograms() * shape.shared_by >= windows);
            }
        }
        // Trials of ordinary length keep all there is.
        assert_eq!(Shape::for_trial(30, 1), Shape::exact(30, 3));
        assert_eq!(Shape::for_trial(30, 64), Shape::exact(30, 2));
        assert_eq!(Shape::for_trial(3_600, 1), Shape::exact(3_600, 2));
        // A day is left out of in steps of less than six minutes.
        assert_eq!(Shape::for_trial(86_400, 1).shared_by, 338);
    }

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

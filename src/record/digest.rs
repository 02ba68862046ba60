//! What is left of a window of a long trial: a few bytes in place of a histogram.

use hdrhistogram::Histogram;

/// Points of a digest. The median of many streams' digests is wrong by at most half a point in
/// rank: it lies between the 44th and the 56th percentile. That of one stream is exact.
pub(super) const POINTS: usize = 9;

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
    pub(super) fn of(histogram: &Histogram<u64>) -> Self {
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
pub(super) struct Digest {
    operations: u64,
    sum: f64,
    max: u64,
    /// Values at equally spaced ranks, the median in the middle.
    points: [f32; POINTS],
}

impl Digest {
    pub(super) fn of(histogram: &Histogram<u64>) -> Self {
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
    pub(super) fn add_late(&mut self, ns: u64) {
        if self.operations == 0 {
            self.points = [ns as f32; POINTS];
        }
        self.operations += 1;
        self.sum += ns as f64;
        self.max = self.max.max(ns);
    }
}

/// What the digests of one window in all streams say together. `points` is working memory.
pub(super) fn combine<'a>(
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

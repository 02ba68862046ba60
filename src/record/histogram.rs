//! Latency histograms, and how many of them a trial may have.

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

    pub(super) fn histograms(&self) -> usize {
        self.windows.div_ceil(self.shared_by)
    }

    pub(super) fn folds(&self) -> bool {
        self.shared_by > 1
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
}

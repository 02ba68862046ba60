//! The Theil-Sen line: the median of the slopes between all pairs of points.
//!
//! Up to 29 % of the points may be wrong without carrying the slope away, so one
//! corrupt reading of progress does not move a forecast. Source: P. K. Sen, "Estimates
//! of the regression coefficient based on Kendall's tau", JASA 63 (1968) 1379-1389.

use super::describe::{median, median_in_place};
use super::interval::Interval;
use super::special::normal_quantile;

/// A line through the middle of the points.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TheilSen {
    /// Median of the slopes between all pairs of points with different x.
    pub slope: f64,
    /// Median of `y - slope x`. Unlike `median y - slope median x` it is the height that
    /// leaves half of the points above and half below the line.
    pub intercept: f64,
    /// Sen's interval of the slope; `None` when the points are too few for the
    /// confidence.
    pub interval: Option<Interval>,
}

/// Fits the Theil-Sen line to points that are given as two slices of equal length.
///
/// The interval takes the slopes whose ranks are `(N - C)/2` and `(N + C)/2 + 1` of `N`,
/// rounded, where `C` is the normal quantile times the standard deviation of Kendall's
/// S, corrected for ties in x and in y. Looks at all n(n-1)/2 pairs: meant for up to a
/// few thousand points. `None` when the lengths differ, a value is not finite, all x are
/// equal, or the confidence lies outside (0, 1).
pub fn theil_sen(x: &[f64], y: &[f64], confidence: f64) -> Option<TheilSen> {
    let finite = x.iter().chain(y).all(|v| v.is_finite());
    if !(finite && x.len() == y.len() && confidence > 0.0 && confidence < 1.0) {
        return None;
    }
    let mut slopes = Vec::with_capacity(x.len() * x.len().saturating_sub(1) / 2);
    for i in 1..x.len() {
        for j in 0..i {
            if x[i] != x[j] {
                slopes.push((y[i] - y[j]) / (x[i] - x[j]));
            }
        }
    }
    let slope = median_in_place(&mut slopes)?;
    let heights: Vec<f64> = x.iter().zip(y).map(|(x, y)| y - slope * x).collect();

    let z = normal_quantile(0.5 + confidence / 2.0);
    let (pairs, c) = (slopes.len() as f64, z * kendall_sd(x, y));
    // Ranks count from 1, and a rank 0 or below lies before the first slope.
    let low = ((pairs - c) / 2.0).round();
    let high = ((pairs + c) / 2.0).round() + 1.0;
    // Selecting three ranks takes a fraction of sorting all slopes.
    let mut rank = |rank: f64| {
        *slopes
            .select_nth_unstable_by(rank as usize - 1, f64::total_cmp)
            .1
    };
    let interval = (low >= 1.0 && high <= pairs).then(|| Interval {
        low: rank(low),
        high: rank(high),
        confidence,
    });
    Some(TheilSen {
        slope,
        intercept: median(&heights)?,
        interval,
    })
}

/// Standard deviation of Kendall's S when x and y are unrelated: Sen (1968), formula
/// 2.6 (number from memory), with the ties of both.
fn kendall_sd(x: &[f64], y: &[f64]) -> f64 {
    let term = |t: f64| t * (t - 1.0) * (2.0 * t + 5.0);
    let ties = |values: &[f64]| -> f64 {
        let mut sorted = values.to_vec();
        sorted.sort_unstable_by(f64::total_cmp);
        sorted
            .chunk_by(|a, b| a == b)
            .map(|tie| term(tie.len() as f64))
            .sum()
    };
    // The two corrections overlap a little: values that are all tied overshoot zero.
    let variance = (term(x.len() as f64) - ties(x) - ties(y)) / 18.0;
    variance.max(0.0).sqrt()
}

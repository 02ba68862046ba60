//! The difference of two means, or the ratio of two geometric means, by a t interval:
//! Welch's, when the groups need not be equally noisy, and Student's for groups so small
//! that they have to lend each other their spread.

use super::super::describe::{mean, variance};
use super::super::interval::Interval;
use super::super::special::{t_p_value, t_two_sided};

/// The difference of two means.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Difference {
    /// Mean of x less mean of y.
    pub difference: f64,
    /// Standard error of the difference.
    pub standard_error: f64,
    /// Degrees of freedom of the standard error.
    pub degrees_of_freedom: f64,
    /// Two-sided p value of no difference.
    pub p: f64,
    /// Confidence interval of the difference.
    pub interval: Interval,
}

impl Difference {
    /// The t interval about `difference`, of its standard error and degrees of freedom; `None` for a
    /// confidence outside (0, 1).
    pub fn new(difference: f64, (error, df): (f64, f64), confidence: f64) -> Option<Self> {
        let reach = t_two_sided(confidence, df)? * error;
        Some(Self {
            difference,
            standard_error: error,
            degrees_of_freedom: df,
            p: t_p_value(difference / error, df)?,
            interval: Interval {
                low: difference - reach,
                high: difference + reach,
                confidence,
            },
        })
    }
}

/// Compares the means of `x` and `y`, each with a spread of its own.
///
/// Source: B. L. Welch, "The generalization of Student's problem when several different
/// population variances are involved", Biometrika 34 (1947). `None` when a group has
/// fewer than two values, a value is not finite, neither group varies, or the
/// confidence lies outside (0, 1).
pub fn welch(x: &[f64], y: &[f64], confidence: f64) -> Option<Difference> {
    let error = welch_error(variance(x)?, x.len(), variance(y)?, y.len())?;
    Difference::new(mean(x)? - mean(y)?, error, confidence)
}

/// Compares the means of `x` and `y`, which lend each other their spread; one of them may
/// have a single value.
///
/// Student's t of two groups with a common variance, and `n + m - 2` degrees of freedom. In
/// unequal groups that is too sure when the smaller one is the noisier, so the standard error
/// is never less than that of [`welch`]: without a true difference of the variances that
/// takes the coverage of a 95 % interval up to 96 %, and with one it saves several points
/// (simulated). `None` when there are fewer than three values in all, a group is empty, a value
/// is not finite, nothing varies, or the confidence lies outside (0, 1).
pub fn student(x: &[f64], y: &[f64], confidence: f64) -> Option<Difference> {
    let (n, m) = (x.len() as f64, y.len() as f64);
    let df = n + m - 2.0;
    let centres = (mean(x)?, mean(y)?);
    let squares =
        |values: &[f64], centre: f64| -> f64 { values.iter().map(|v| (v - centre).powi(2)).sum() };
    let pooled = (squares(x, centres.0) + squares(y, centres.1)) / df * (1.0 / n + 1.0 / m);
    if !(df > 0.0 && pooled > 0.0 && pooled.is_finite()) {
        return None;
    }
    let own = variance(x)
        .zip(variance(y))
        .and_then(|(a, b)| welch_error(a, x.len(), b, y.len()));
    let error = pooled.sqrt().max(own.map_or(0.0, |(error, _)| error));
    Difference::new(centres.0 - centres.1, (error, df), confidence)
}

/// Standard error of a difference of means and its Welch-Satterthwaite degrees of
/// freedom, from the variance and size of each group.
///
/// `None` unless both groups hold at least two values and their variances are finite
/// and not both zero.
pub fn welch_error(
    x_variance: f64,
    x_count: usize,
    y_variance: f64,
    y_count: usize,
) -> Option<(f64, f64)> {
    if x_count < 2 || y_count < 2 {
        return None;
    }
    let (a, b) = (x_variance / x_count as f64, y_variance / y_count as f64);
    let sum = a + b;
    if !(sum > 0.0 && sum.is_finite()) {
        return None;
    }
    // Shares of the sum, so that tiny variances do not underflow when squared.
    let (a, b) = (a / sum, b / sum);
    let inverse = a * a / (x_count as f64 - 1.0) + b * b / (y_count as f64 - 1.0);
    Some((sum.sqrt(), 1.0 / inverse))
}

/// The ratio of two groups, after over before.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RatioEstimate {
    /// Geometric mean after over geometric mean before; 1.25 is a gain of 25 %.
    pub ratio: f64,
    /// Lower bound of the confidence interval.
    pub low: f64,
    /// Upper bound of the confidence interval.
    pub high: f64,
    /// Degrees of freedom of the standard error.
    pub degrees_of_freedom: f64,
    /// Standard error of the natural log of the ratio.
    pub standard_error_log: f64,
    /// Two-sided p value of a ratio of 1.
    pub p: f64,
}

impl RatioEstimate {
    /// A difference of natural logs, after less before, raised back: trial noise is relative, so
    /// logs make it even, and the interval of a ratio comes out of one difference.
    pub fn of_logs(difference: Difference) -> Self {
        Self {
            ratio: difference.difference.exp(),
            low: difference.interval.low.exp(),
            high: difference.interval.high.exp(),
            degrees_of_freedom: difference.degrees_of_freedom,
            standard_error_log: difference.standard_error,
            p: difference.p,
        }
    }
}

/// Estimates by what factor the values changed from `before` to `after`.
///
/// [`welch`] on natural logs, raised back. `None` where `welch` is, and when a value is not
/// positive and finite.
pub fn welch_ratio(before: &[f64], after: &[f64], confidence: f64) -> Option<RatioEstimate> {
    welch(&logs(after)?, &logs(before)?, confidence).map(RatioEstimate::of_logs)
}

fn logs(values: &[f64]) -> Option<Vec<f64>> {
    values
        .iter()
        .map(|v| (*v > 0.0 && v.is_finite()).then(|| v.ln()))
        .collect()
}

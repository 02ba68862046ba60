//! Welch's t: the difference of two means, or the ratio of two geometric means, when
//! the groups need not be equally noisy.

use super::super::describe::{mean, variance};
use super::super::interval::Interval;
use super::super::special::{t_p_value, t_two_sided};

/// The difference of two means by Welch's method.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Welch {
    /// Mean of x less mean of y.
    pub difference: f64,
    /// Standard error of the difference.
    pub standard_error: f64,
    /// Welch-Satterthwaite degrees of freedom.
    pub degrees_of_freedom: f64,
    /// Two-sided p value of no difference.
    pub p: f64,
    /// Confidence interval of the difference.
    pub interval: Interval,
}

/// Compares the means of `x` and `y`.
///
/// Source: B. L. Welch, "The generalization of Student's problem when several different
/// population variances are involved", Biometrika 34 (1947). `None` when a group has
/// fewer than two values, a value is not finite, neither group varies, or the
/// confidence lies outside (0, 1).
pub fn welch(x: &[f64], y: &[f64], confidence: f64) -> Option<Welch> {
    let difference = mean(x)? - mean(y)?;
    let (x_variance, y_variance) = (variance(x)?, variance(y)?);
    let (standard_error, degrees_of_freedom) =
        combined_error(x_variance, x.len(), y_variance, y.len())?;
    let reach = t_two_sided(confidence, degrees_of_freedom)? * standard_error;
    Some(Welch {
        difference,
        standard_error,
        degrees_of_freedom,
        p: t_p_value(difference / standard_error, degrees_of_freedom)?,
        interval: Interval {
            low: difference - reach,
            high: difference + reach,
            confidence,
        },
    })
}

/// Standard error of a difference of means and its Welch-Satterthwaite degrees of
/// freedom, from the variance and size of each group.
///
/// `None` unless both groups hold at least two values and their variances are finite
/// and not both zero.
pub(super) fn combined_error(
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
    /// Welch-Satterthwaite degrees of freedom.
    pub degrees_of_freedom: f64,
    /// Standard error of the natural log of the ratio.
    pub standard_error_log: f64,
    /// Two-sided p value of a ratio of 1.
    pub p: f64,
}

/// Estimates by what factor the values changed from `before` to `after`.
///
/// [`welch`] on natural logs, raised back: trial noise is relative, so logs make it even,
/// and the interval of a ratio comes out of one difference. `None` where `welch` is, and
/// when a value is not positive and finite.
pub fn welch_ratio(before: &[f64], after: &[f64], confidence: f64) -> Option<RatioEstimate> {
    let difference = welch(&logs(after)?, &logs(before)?, confidence)?;
    Some(RatioEstimate {
        ratio: difference.difference.exp(),
        low: difference.interval.low.exp(),
        high: difference.interval.high.exp(),
        degrees_of_freedom: difference.degrees_of_freedom,
        standard_error_log: difference.standard_error,
        p: difference.p,
    })
}

fn logs(values: &[f64]) -> Option<Vec<f64>> {
    values
        .iter()
        .map(|v| (*v > 0.0 && v.is_finite()).then(|| v.ln()))
        .collect()
}

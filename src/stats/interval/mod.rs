//! How far an estimate may be off: Student's t, the bootstrap, the jackknife, and exact
//! bounds of a share.
//!
//! Source of the resampling methods: Efron and Tibshirani, An Introduction to the
//! Bootstrap (1993), chapters 6, 11, 13 and 14 (numbers of its equations and sections
//! from memory). They take the sample as a slice of any copyable element, so that paired
//! data resample as pairs.

mod bootstrap;
mod jackknife;
mod proportion;

pub use bootstrap::{
    bootstrap_bca, bootstrap_percentile, bootstrap_se, bootstrap_two_sample_percentile,
};
pub use jackknife::{Jackknife, acceleration, jackknife};
pub use proportion::{clopper_pearson, none_seen_bound};

use super::describe::{mean, sd};
use super::special::t_two_sided;

/// A confidence interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Interval {
    /// Lower bound.
    pub low: f64,
    /// Upper bound.
    pub high: f64,
    /// The share of such intervals that hold the true value, e.g. 0.95.
    pub confidence: f64,
}

/// Student's t interval for the mean of independent values.
///
/// `None` for fewer than two values or a confidence outside (0, 1).
pub fn mean_t(values: &[f64], confidence: f64) -> Option<Interval> {
    let n = values.len() as f64;
    let (mean, sd) = (mean(values)?, sd(values)?);
    let reach = t_two_sided(confidence, n - 1.0)? * sd / n.sqrt();
    Some(Interval {
        low: mean - reach,
        high: mean + reach,
        confidence,
    })
}

//! The share of fast operations counted against a reference, without any shape.

use super::super::interval::{Interval, clopper_pearson};
use super::{Component, Components, Mixture};

/// How many operations lie below a threshold.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ShareBelow {
    /// Operations strictly below the threshold.
    pub below: u64,
    /// All operations, at least one.
    pub total: u64,
}

impl ShareBelow {
    /// The share below, 0 to 1.
    pub fn share(&self) -> f64 {
        self.below as f64 / self.total as f64
    }

    /// The exact interval of Clopper and Pearson for the share, if the operations are
    /// independent. `None` for a confidence outside (0, 1).
    pub fn interval(&self, confidence: f64) -> Option<Interval> {
        clopper_pearson(self.below, self.total, confidence)
    }
}

/// Counts the `(value, count)` pairs whose value is strictly below `threshold`.
///
/// With a threshold that the slow kind of operation cannot undercut (for a drive: less
/// than any seek takes) the share is that of fast operations, whatever the shape of
/// either. `None` when there is no count or the threshold is not a number.
pub fn share_below(values: &[(f64, u64)], threshold: f64) -> Option<ShareBelow> {
    let total: u64 = values.iter().map(|(_, count)| count).sum();
    let below = values.iter().filter(|(value, _)| *value < threshold);
    let below = below.map(|(_, count)| count).sum();
    (total > 0 && !threshold.is_nan()).then_some(ShareBelow { below, total })
}

/// A component against the reference of its kind.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ModeMatch {
    /// Median of the component over that of the reference.
    pub ratio: f64,
    /// The ratio lies within the factor, either way.
    pub agrees: bool,
}

/// The components of a mixture against two references.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ReferenceMatch {
    /// The fast component, or the only one, against the fast reference.
    pub fast: ModeMatch,
    /// The slow component, or the only one, against the slow reference.
    pub slow: ModeMatch,
}

/// Whether the components of `mixture` agree with the latencies of a fast and a slow
/// reference that were measured separately, within `factor` (2: from half to twice).
///
/// References are means of natural logarithms, in the unit of the mixture. A mixture of
/// one component is held against both. `None` unless `factor` is at least 1 and the slow
/// reference is more than `factor` squared above the fast one: nearer, one latency could
/// agree with both.
pub fn match_reference(
    mixture: &Mixture,
    fast_reference_log_mean: f64,
    slow_reference_log_mean: f64,
    factor: f64,
) -> Option<ReferenceMatch> {
    let apart = slow_reference_log_mean - fast_reference_log_mean;
    let usable = factor >= 1.0 && apart.is_finite() && apart > 2.0 * factor.ln();
    let (fast, slow) = match mixture.components {
        Components::One(only) => (only, only),
        Components::Two { fast, slow, .. } => (fast, slow),
    };
    let held_against = |component: Component, reference: f64| {
        let distance = component.mean_log - reference;
        ModeMatch {
            ratio: distance.exp(),
            agrees: distance.abs() <= factor.ln(),
        }
    };
    usable.then(|| ReferenceMatch {
        fast: held_against(fast, fast_reference_log_mean),
        slow: held_against(slow, slow_reference_log_mean),
    })
}

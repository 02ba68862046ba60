//! What may be said of a change.

use super::sample::{BetweenSittings, Sample};
use super::{Quantity, Rules};
use crate::plan::Phase;
use crate::stats::contrast::{RatioEstimate, values_needed};
use crate::stats::describe::sd;

/// Advice to measure more stops here: beyond it, the spread has to be looked at instead.
pub(super) const MOST_TRIALS: usize = 200;
/// The same for sittings, each of which is a visit to the pool.
const MOST_SITTINGS: usize = 30;

/// Of a hundred studies without a true change, in how many one is proved all the same by a person who compares
/// two sittings in each phase and, if that proves nothing, measures up to the number that is told, if one is, and
/// compares once more: each interval holds in 95 % for a single comparison.
///
/// SIMULATED where sittings scatter so much that the threshold stops none (`compare/followed.rs`).
pub const BY_CHANCE_ONCE_MORE: u8 = 9;
/// The same of a person who adds a sitting to each phase while nothing is proved, up to six, and compares after
/// each.
pub const BY_CHANCE_AFTER_EACH: u8 = 13;

/// What may be said of a change.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Verdict {
    /// The interval lies on the better side of 1 and the gain reaches the threshold.
    Gain,
    /// The interval lies on the worse side of 1 and the loss reaches the threshold.
    Loss,
    /// Neither. `trials` on each side would probably prove the change that was seen, where it
    /// reaches the threshold, trials are the unit and so many would do.
    NoProvableChange {
        /// Trials on each side.
        trials: Option<usize>,
    },
    /// One side is not the drives' speed: nothing can be said of a change.
    Void {
        /// That side: the worse one, where both are.
        phase: Phase,
        /// The part that a cache served, in whole percent, where it is known.
        cached_percent: Option<u8>,
    },
    /// On one side nothing was looked at that would have shown a cache: what was seen may be a change of caches.
    NotShown {
        /// That side: the earlier one, where it is both.
        phase: Phase,
    },
    /// The interval lies so far above what the drives can add that something else is believed to have made it.
    NotBelieved,
    /// Too few trials for a verdict; so many more are needed on each side.
    NotEnoughTrials {
        /// On the side of `before`.
        before: usize,
        /// On the other side.
        other: usize,
    },
}

impl Verdict {
    /// Whether a change is proved: a gain or a loss.
    pub fn is_proved(self) -> bool {
        matches!(self, Self::Gain | Self::Loss)
    }

    /// The word used in CSV and JSON.
    pub fn word(self) -> &'static str {
        match self {
            Self::Gain => "gain",
            Self::Loss => "loss",
            Self::NoProvableChange { .. } => "no provable change",
            Self::Void { .. } => "void",
            Self::NotShown { .. } => "not shown to be the drives'",
            Self::NotBelieved => "not believed",
            Self::NotEnoughTrials { .. } => "not enough trials",
        }
    }

    /// The rule: enough trials on either side; then the interval has to exclude 1 and the change
    /// to reach the threshold. Which direction is a gain depends on the quantity.
    pub(super) fn of(
        (before, other): (usize, usize),
        estimate: Option<RatioEstimate>,
        quantity: Quantity,
        rules: Rules,
    ) -> Self {
        let missing = |trials: usize| rules.least_trials.saturating_sub(trials);
        if missing(before) + missing(other) > 0 {
            return Self::NotEnoughTrials {
                before: missing(before),
                other: missing(other),
            };
        }
        // What is equal to the last digit tells nothing of its spread.
        let Some(estimate) = estimate else {
            return Self::NotEnoughTrials {
                before: 1,
                other: 1,
            };
        };
        let reaches = reaches_threshold(estimate, rules);
        let (rise, fall) = match quantity.lower_is_better() {
            true => (Self::Loss, Self::Gain),
            false => (Self::Gain, Self::Loss),
        };
        if estimate.low > 1.0 && reaches {
            return rise;
        }
        if estimate.high < 1.0 && reaches {
            return fall;
        }
        Self::NoProvableChange { trials: None }
    }
}

/// Whether the change is of practical interest.
fn reaches_threshold(estimate: RatioEstimate, rules: Rules) -> bool {
    let threshold = 1.0 + rules.threshold;
    estimate.ratio >= threshold || estimate.ratio <= 1.0 / threshold
}

/// How many units on each side would probably prove the change that was seen; `None` where it does
/// not reach the threshold or too many would be needed.
pub(super) fn units_needed(
    before: &Sample,
    other: &Sample,
    estimate: RatioEstimate,
    between: BetweenSittings,
    rules: Rules,
) -> Option<usize> {
    let (n, m) = (before.logs.len(), other.logs.len());
    let most = match between {
        BetweenSittings::Included { .. } => MOST_SITTINGS,
        BetweenSittings::NotIncluded { .. } => MOST_TRIALS,
    };
    let (sd_before, sd_other) = match between {
        // The common spread is the one that the standard error was made of.
        BetweenSittings::Included { own_spread: false } => {
            let root = (1.0 / n as f64 + 1.0 / m as f64).sqrt();
            let common = estimate.standard_error_log / root;
            (common, common)
        }
        _ => (sd(&before.logs)?, sd(&other.logs)?),
    };
    let (ratio, confidence, power) = (estimate.ratio, rules.confidence, rules.power);
    let needed = values_needed(ratio, sd_before, sd_other, confidence, power, most)
        .filter(|_| reaches_threshold(estimate, rules))?;
    // The number is for both sides; what is there already has not been enough.
    Some(needed.max(n.min(m) + 1))
}

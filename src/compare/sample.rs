//! What is repeated: whole sittings where there are enough of them, else single trials.
//!
//! Trials of one sitting share its weather: who else works, what the network does, what a cache
//! holds. Taken for independent they promise too much. The model of a compared value is
//! log value = mean of the phase + effect of the sitting + error of the trial; with two degrees of
//! freedom between sittings the interval can rest on the sittings, whose means carry both kinds of
//! scatter.

use crate::stats::contrast::{Difference, RatioEstimate, student, welch, welch_error};
use crate::stats::describe::{mean, variance};
use crate::stats::precise::LOOK_CONFIDENCE;

/// Degrees of freedom between sittings, both phases together, from which on sittings are the unit:
/// with one, the t interval is too wide to say anything.
const LEAST_FREEDOM: usize = 2;
/// Sittings on each side from which on each phase has a spread between sittings of its own: during
/// a reshape sittings differ by its position, too. With two, that spread would have one degree of
/// freedom and the interval would say nothing; the phases lend each other theirs.
const OWN_SPREAD: usize = 3;

/// Whether an interval holds the differences between sittings.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum BetweenSittings {
    /// Sittings are the unit: what differs from one to the next is in the interval.
    Included {
        /// Whether each phase's sittings have a spread of their own, with three sittings in both
        /// phases or more; else they are taken to scatter alike in both.
        own_spread: bool,
    },
    /// Trials are the unit, as if all were of one sitting: what differs between sittings is not in
    /// the interval. So many more sittings would bring it in.
    NotIncluded {
        /// More sittings before.
        before: usize,
        /// More sittings in the other phase.
        other: usize,
    },
}

impl BetweenSittings {
    /// What holds for two phases of so many sittings, each at least 1.
    pub(super) fn of(before: usize, other: usize) -> Self {
        if before + other >= LEAST_FREEDOM + 2 {
            let own_spread = before.min(other) >= OWN_SPREAD;
            return Self::Included { own_spread };
        }
        Self::NotIncluded {
            before: 2usize.saturating_sub(before),
            other: 2usize.saturating_sub(other),
        }
    }

    /// How many more sittings in the other phase bring the differences in, where there can be no more before;
    /// the phases lend each other their spread then.
    pub fn more_in_other(before: usize, other: usize) -> usize {
        (LEAST_FREEDOM + 2).saturating_sub(before + other)
    }

    /// The confidence that an interval is made with so that it holds with `confidence`. Where trials are
    /// the unit and their number was chosen by looking at how they scatter (`looked`), their scatter is
    /// underestimated, and the interval is made as each look was. Means of sittings tell by themselves how
    /// they scatter.
    pub(super) fn confidence(self, confidence: f64, looked: bool) -> f64 {
        match self {
            Self::NotIncluded { .. } if looked => confidence.max(LOOK_CONFIDENCE),
            _ => confidence,
        }
    }

    /// The word used in CSV and JSON.
    pub fn word(self) -> &'static str {
        match self {
            Self::Included { .. } => "included",
            Self::NotIncluded { .. } => "not included",
        }
    }
}

/// Compared values of a phase, drawn together into the units of repetition.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Sample {
    /// The mean natural log of the values of each unit.
    pub logs: Vec<f64>,
    /// The natural log of the value of each trial.
    trials: Vec<f64>,
}

impl Sample {
    /// Cuts `values`, each above 0, into sittings of the given sizes, whose sum is their number, or
    /// into trials.
    pub(super) fn new(values: &[f64], sittings: &[usize], between: BetweenSittings) -> Self {
        let trials: Vec<f64> = values.iter().map(|value| value.ln()).collect();
        let logs = match between {
            BetweenSittings::NotIncluded { .. } => trials.clone(),
            BetweenSittings::Included { .. } => {
                let mut rest = trials.as_slice();
                let means = sittings.iter().filter_map(|&size| {
                    let (sitting, after) = rest.split_at(size);
                    rest = after;
                    mean(sitting)
                });
                means.collect()
            }
        };
        Self { logs, trials }
    }
}

/// The ratio of geometric means, other over before, with its interval. Every unit weighs the same:
/// with as many trials in each sitting that is exact, and it hardly differs from weights by the
/// trials where their number is unequal.
///
/// A single sitting has no scatter beside that of its trials, and what it borrows from the other phase may
/// be less: then the interval is no narrower than the scatter of trials makes it. That is also what is left
/// where sittings do not differ at all, as the coarse rates of a share that is held to one may not.
///
/// `None` where the units are too few, or neither they nor their trials differ.
pub(super) fn estimate(
    before: &Sample,
    other: &Sample,
    between: BetweenSittings,
    confidence: f64,
) -> Option<RatioEstimate> {
    let of_units: fn(&[f64], &[f64], f64) -> Option<Difference> = match between {
        BetweenSittings::Included { own_spread: false } => student,
        _ => welch,
    };
    let of_units = of_units(&other.logs, &before.logs, confidence);
    let single = before.logs.len().min(other.logs.len()) == 1;
    let found = match of_units {
        Some(found) if !single => found,
        found => {
            let both = [found, of_trials(before, other, confidence)];
            let width = |found: &Difference| found.interval.high - found.interval.low;
            both.into_iter()
                .flatten()
                .max_by(|a, b| width(a).total_cmp(&width(b)))?
        }
    };
    Some(RatioEstimate::of_logs(found))
}

/// The difference of the units with Welch's interval of the scatter of trials.
fn of_trials(before: &Sample, other: &Sample, confidence: f64) -> Option<Difference> {
    let difference = mean(&other.logs)? - mean(&before.logs)?;
    let (x, y) = (&other.trials, &before.trials);
    let error = welch_error(variance(x)?, x.len(), variance(y)?, y.len())?;
    Difference::new(difference, error, confidence)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_degrees_of_freedom_make_sittings_the_unit() {
        let not = |before, other| BetweenSittings::NotIncluded { before, other };
        let included = |own_spread| BetweenSittings::Included { own_spread };
        assert_eq!(BetweenSittings::of(1, 1), not(1, 1));
        assert_eq!(BetweenSittings::of(2, 1), not(0, 1));
        assert_eq!(BetweenSittings::of(2, 2), included(false));
        assert_eq!(BetweenSittings::of(1, 3), included(false));
        assert_eq!(BetweenSittings::of(2, 9), included(false));
        assert_eq!(BetweenSittings::of(3, 3), included(true));
    }

    #[test]
    fn values_are_cut_at_the_ends_of_sittings() {
        let values = [1.0, 1.0, 2.0, 8.0, 4.0];
        let sittings = Sample::new(&values, &[2, 2, 1], BetweenSittings::of(3, 3));
        let logs = [0.0, 4f64.ln(), 4f64.ln()];
        assert_eq!(sittings.logs.len(), 3);
        for (found, expected) in sittings.logs.iter().zip(logs) {
            assert!((found - expected).abs() < 1e-15);
        }
        let trials = Sample::new(&values, &[2, 3], BetweenSittings::of(2, 1));
        assert_eq!(trials.logs, values.map(f64::ln));
        assert_eq!(sittings.trials, trials.trials);
    }

    /// Seen on a pool whose drives were held to one rate: three sittings of equal means, and one whose trials
    /// scatter by 15 %.
    #[test]
    fn a_single_sitting_is_known_no_better_than_its_trials_scatter() {
        let between = BetweenSittings::of(3, 1);
        let rough = [0.66, 0.7, 0.75, 0.8, 0.85, 0.9, 0.95, 1.0];
        let other = Sample::new(&rough, &[8], between);
        let scatter = welch(&other.trials, &[0.0; 6], 0.95)
            .unwrap()
            .standard_error;
        for steady in [[1.0; 6], [1.0, 1.0, 1.0, 1.0, 1.001, 1.001]] {
            let before = Sample::new(&steady, &[2, 2, 2], between);
            let found = estimate(&before, &other, between, 0.95).unwrap();
            assert!(
                (found.standard_error_log / scatter - 1.0).abs() < 0.01,
                "{found:?}"
            );
        }
        // Sittings that scatter more than trials are not forgotten.
        let before = Sample::new(&[0.5, 0.5, 1.0, 1.0, 2.0, 2.0], &[2, 2, 2], between);
        let found = estimate(&before, &other, between, 0.95).unwrap();
        assert!(
            found.degrees_of_freedom == 2.0 && found.standard_error_log > 0.5,
            "{found:?}"
        );
        // Nothing differs.
        let even = Sample::new(&[1.0; 6], &[2, 2, 2], between);
        assert!(estimate(&even, &even, between, 0.95).is_none());
    }
}

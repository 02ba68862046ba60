//! One phase against another.

use super::{Group, Rules};
use crate::plan::Phase;
use crate::seed::Seed;
use crate::stats::contrast::{
    Permutation, RatioEstimate, hodges_lehmann, permutation_p, smallest_provable_ratio,
    trials_needed, welch_ratio,
};
use crate::stats::describe::{median, sd};
use crate::stats::interval::{Interval, bootstrap_two_sample_percentile};

/// Random deals of the permutation test where there are too many to try all.
const PERMUTATION_DRAWS: u64 = 20_000;
/// Resamples of the bootstrap.
const RESAMPLES: usize = 2_000;
/// Advice to measure more stops here: beyond it, the spread has to be looked at instead.
const MOST_TRIALS: usize = 200;

/// What may be said of a change.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Verdict {
    /// The interval lies above 1 and the gain reaches the threshold.
    Gain,
    /// The interval lies below 1 and the loss reaches the threshold.
    Loss,
    /// Neither. `trials` on each side would probably prove the change that was seen, where it
    /// reaches the threshold and so many would do.
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
    /// Too few trials for a verdict; so many more are needed on each side.
    NotEnoughTrials {
        /// On the side of `before`.
        before: usize,
        /// On the other side.
        other: usize,
    },
}

impl Verdict {
    /// The word used in CSV and JSON.
    pub fn word(self) -> &'static str {
        match self {
            Self::Gain => "gain",
            Self::Loss => "loss",
            Self::NoProvableChange { .. } => "no provable change",
            Self::Void { .. } => "void",
            Self::NotEnoughTrials { .. } => "not enough trials",
        }
    }
}

/// A later phase over `before`.
#[derive(Clone, Debug)]
pub struct Contrast {
    /// Ratio of the geometric means of the rates.
    pub ratio: f64,
    /// Welch's estimate with its interval; `None` with fewer than two trials on a side, or no
    /// spread at all.
    pub welch: Option<RatioEstimate>,
    /// Hodges-Lehmann shift of the log rates, as a ratio.
    pub hodges_lehmann: Option<f64>,
    /// Permutation test of the log rates.
    pub permutation: Option<Permutation>,
    /// Percentile bootstrap interval of the ratio of medians.
    pub bootstrap: Option<Interval>,
    /// The smallest factor above 1 that these trials would probably have proved.
    pub smallest_provable: Option<f64>,
    /// What may be said.
    pub verdict: Verdict,
}

impl Contrast {
    /// Compares two groups.
    pub(super) fn of(before: &Group, other: &Group, rules: Rules, seed: Seed) -> Self {
        let mut contrast = Self::of_rates(&before.rates, &other.rates, rules, seed);
        let sides = [before, other].into_iter();
        let void = sides.filter_map(|group| group.void.map(|void| (void.cached, group.phase)));
        let worst = void.max_by(|a, b| a.0.unwrap_or(0.0).total_cmp(&b.0.unwrap_or(0.0)));
        if let Some((cached, phase)) = worst {
            let cached_percent = cached.map(|cached| (cached * 100.0).round() as u8);
            contrast.verdict = Verdict::Void {
                phase,
                cached_percent,
            };
        }
        contrast
    }

    /// Compares rates, each above 0; both sides have at least one.
    fn of_rates(before: &[f64], other: &[f64], rules: Rules, seed: Seed) -> Self {
        let logs = |rates: &[f64]| rates.iter().map(|rate| rate.ln()).collect::<Vec<_>>();
        let (log_before, log_other) = (logs(before), logs(other));
        let mean = |values: &[f64]| values.iter().sum::<f64>() / values.len() as f64;
        let welch = welch_ratio(before, other, rules.confidence);
        let ratio = (mean(&log_other) - mean(&log_before)).exp();
        let ratio_of_medians = |before: &[f64], other: &[f64]| {
            median(other).unwrap_or(f64::NAN) / median(before).unwrap_or(f64::NAN)
        };
        let spreads = sd(&log_before).zip(sd(&log_other));
        let mut rng = seed.rng();
        Self {
            ratio,
            hodges_lehmann: hodges_lehmann(&log_other, &log_before).map(f64::exp),
            permutation: permutation_p(&log_other, &log_before, &mut rng, PERMUTATION_DRAWS),
            bootstrap: (before.len().min(other.len()) >= rules.least_trials)
                .then(|| {
                    bootstrap_two_sample_percentile(
                        before,
                        other,
                        ratio_of_medians,
                        RESAMPLES,
                        rules.confidence,
                        &mut rng,
                    )
                })
                .flatten(),
            smallest_provable: spreads.and_then(|(sd_before, sd_other)| {
                let (n, m) = (before.len(), other.len());
                smallest_provable_ratio(sd_before, n, sd_other, m, rules.confidence, rules.power)
            }),
            verdict: verdict(before.len(), other.len(), welch, spreads, rules),
            welch,
        }
    }
}

/// The rule: three trials a side at least; then the interval has to exclude 1 and the change to
/// reach the threshold.
fn verdict(
    before: usize,
    other: usize,
    welch: Option<RatioEstimate>,
    spreads: Option<(f64, f64)>,
    rules: Rules,
) -> Verdict {
    let missing = |n: usize| rules.least_trials.saturating_sub(n);
    let not_enough = Verdict::NotEnoughTrials {
        before: missing(before),
        other: missing(other),
    };
    if not_enough
        != (Verdict::NotEnoughTrials {
            before: 0,
            other: 0,
        })
    {
        return not_enough;
    }
    // Trials that are equal to the last digit tell nothing of their spread.
    let (Some(welch), Some((sd_before, sd_other))) = (welch, spreads) else {
        return Verdict::NotEnoughTrials {
            before: 1,
            other: 1,
        };
    };
    let threshold = 1.0 + rules.threshold;
    if welch.low > 1.0 && welch.ratio >= threshold {
        return Verdict::Gain;
    }
    if welch.high < 1.0 && welch.ratio <= 1.0 / threshold {
        return Verdict::Loss;
    }
    let worth_more = welch.ratio >= threshold || welch.ratio <= 1.0 / threshold;
    let trials = worth_more
        .then(|| {
            let (confidence, power) = (rules.confidence, rules.power);
            trials_needed(
                welch.ratio,
                sd_before,
                sd_other,
                confidence,
                power,
                MOST_TRIALS,
            )
        })
        .flatten()
        // The number is for both sides; what is there already has not been enough.
        .map(|trials| trials.max(before.min(other) + 1));
    Verdict::NoProvableChange { trials }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::seed::standard_normal;

    const RULES: Rules = Rules {
        confidence: 0.95,
        threshold: 0.03,
        least_trials: 3,
        power: 0.8,
    };

    fn contrast(before: &[f64], other: &[f64]) -> Contrast {
        Contrast::of_rates(before, other, RULES, Seed(1))
    }

    #[test]
    fn fewer_than_three_trials_give_no_verdict_and_say_how_many_are_missing() {
        let two = contrast(&[100.0, 101.0], &[200.0, 201.0, 202.0]);
        assert_eq!(
            two.verdict,
            Verdict::NotEnoughTrials {
                before: 1,
                other: 0
            }
        );
        let one = contrast(&[100.0], &[200.0]);
        assert_eq!(
            one.verdict,
            Verdict::NotEnoughTrials {
                before: 2,
                other: 2
            }
        );
        assert!((one.ratio - 2.0).abs() < 1e-12 && one.welch.is_none());
    }

    #[test]
    fn a_sure_change_below_the_threshold_is_none() {
        let small = contrast(&[100.0, 100.1, 99.9, 100.0], &[101.5, 101.6, 101.4, 101.5]);
        assert!(small.welch.unwrap().low > 1.0);
        assert_eq!(small.verdict, Verdict::NoProvableChange { trials: None });
    }

    #[test]
    fn gains_and_losses_are_told() {
        let (slow, fast) = ([100.0, 104.0, 97.0, 101.0], [131.0, 135.0, 140.0, 133.0]);
        assert_eq!(contrast(&slow, &fast).verdict, Verdict::Gain);
        assert_eq!(contrast(&fast, &slow).verdict, Verdict::Loss);
    }

    #[test]
    fn an_unproved_change_says_how_many_trials_would_do() {
        let unsure = contrast(&[100.0, 120.0, 90.0], &[110.0, 130.0, 99.0]);
        let Verdict::NoProvableChange {
            trials: Some(trials),
        } = unsure.verdict
        else {
            panic!("{:?}", unsure.verdict)
        };
        assert!((4..=MOST_TRIALS).contains(&trials), "{trials}");
    }

    /// The promise of the whole program: with no true change, a gain or a loss is announced in at
    /// most 5 % of studies, and the interval covers the truth in 93 to 97 %. Trial spreads from 1 %
    /// to 15 %, as shares show (common practice, no source), three to eight trials a side.
    #[test]
    fn false_alarms_are_rare_and_intervals_cover_the_truth() {
        const STUDIES: u64 = 3_000;
        let (mut alarms, mut covered) = (0, 0);
        for number in 0..STUDIES {
            let mut rng = Seed(2026).child("study", number).rng();
            let spread = 0.01 * 15f64.powf(rng.f64());
            let truth: f64 = if number % 2 == 0 {
                1.0
            } else {
                0.5 + 1.5 * rng.f64()
            };
            let mut side = |mean: f64| {
                let trials = rng.usize(3..=8);
                (0..trials)
                    .map(|_| mean * (spread * standard_normal(&mut rng)).exp())
                    .collect()
            };
            let (before, other): (Vec<f64>, Vec<f64>) = (side(1e8), side(1e8 * truth));
            let welch = welch_ratio(&before, &other, 0.95).unwrap();
            covered += u64::from((welch.low..=welch.high).contains(&truth));
            let spreads = sd(&before.iter().map(|r| r.ln()).collect::<Vec<_>>())
                .zip(sd(&other.iter().map(|r| r.ln()).collect::<Vec<_>>()));
            let verdict = verdict(before.len(), other.len(), Some(welch), spreads, RULES);
            let alarm = matches!(verdict, Verdict::Gain | Verdict::Loss);
            alarms += u64::from(number % 2 == 0 && alarm);
        }
        let coverage = covered as f64 / STUDIES as f64;
        let false_alarms = alarms as f64 / (STUDIES / 2) as f64;
        assert!(
            (0.93..=0.97).contains(&coverage),
            "seed 2026: coverage {coverage}"
        );
        assert!(
            false_alarms <= 0.05,
            "seed 2026: false alarms {false_alarms}"
        );
    }
}

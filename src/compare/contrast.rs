//! One phase against another.

use super::sample::{BetweenSittings, Sample, estimate};
use super::verdict::{Verdict, units_needed};
use super::{Bounds, Group, Quantity, Rules};
use crate::seed::Seed;
use crate::stats::contrast::{
    Permutation, RatioEstimate, hodges_lehmann, permutation_p, smallest_provable_ratio,
};
use crate::stats::describe::{mean, median};
use crate::stats::interval::{Interval, bootstrap_two_sample_percentile};

/// Random deals of the permutation test where there are too many to try all.
const PERMUTATION_DRAWS: u64 = 20_000;
/// Resamples of the bootstrap.
const RESAMPLES: usize = 2_000;
/// Units on each side from which on the bootstrap interval holds about what it says: simulated, one
/// of 95 % covers 90 % with three units, 93 % with four and 97 % with five.
const LEAST_RESAMPLED: usize = 4;

/// A later phase over `before`.
///
/// The unit of every figure is the sitting where `between_sittings` says so, else the trial.
#[derive(Clone, Debug)]
pub struct Contrast {
    /// What is compared.
    pub quantity: Quantity,
    /// Whether differences between sittings are in the interval.
    pub between_sittings: BetweenSittings,
    /// Ratio of the geometric means of the compared quantity; each unit weighs the same.
    pub ratio: f64,
    /// The geometric means of the compared quantity that it is the ratio of, before and in the other phase.
    pub means: [f64; 2],
    /// The ratio with its t interval: Welch's where trials are the unit or each phase has a spread
    /// between sittings of its own, Student's where the phases lend each other theirs, and with a
    /// single sitting no narrower than Welch's of the trials. `None` where the units are too few or
    /// nothing differs at all.
    pub welch: Option<RatioEstimate>,
    /// Hodges-Lehmann shift of the log values of units, as a ratio.
    pub hodges_lehmann: Option<f64>,
    /// Permutation test of the log values of units; `None` where they are so few that it could
    /// never be surer than the rules ask.
    pub permutation: Option<Permutation>,
    /// Percentile bootstrap interval of the ratio of medians of units, a sitting standing with its
    /// geometric mean; `None` below four units on a side.
    pub bootstrap: Option<Interval>,
    /// The smallest change on the side of the one that was seen that these units would probably have
    /// proved, as a ratio: above 1 for a rise, below 1 for a fall.
    pub smallest_provable: Option<f64>,
    /// Where no change is provable and sittings are the unit: the sittings in each phase, of as many
    /// trials as these, that would probably prove the change that was seen.
    pub sittings_needed: Option<usize>,
    /// What may be said.
    pub verdict: Verdict,
}

impl Contrast {
    /// Whether the interval leaves out 1.
    pub fn excludes_no_change(&self) -> bool {
        let welch = self.welch;
        welch.is_some_and(|welch| welch.low > 1.0 || welch.high < 1.0)
    }

    /// Compares two groups of one workload.
    pub(super) fn of(before: &Group, other: &Group, rules: Rules, seed: Seed) -> Self {
        let mut contrast =
            Self::of_values(before.into(), other.into(), before.quantity, rules, seed);
        let unseen = [before, other].into_iter().find(|group| group.unseen);
        if let Some(unseen) = unseen.filter(|_| contrast.verdict.is_proved()) {
            contrast.sittings_needed = None;
            contrast.verdict = Verdict::NotShown {
                phase: unseen.phase,
            };
        }
        let sides = [before, other].into_iter();
        let void = sides.filter_map(|group| group.void.map(|void| (void.cached, group.phase)));
        let worst = void.max_by(|a, b| a.0.unwrap_or(0.0).total_cmp(&b.0.unwrap_or(0.0)));
        if let Some((cached, phase)) = worst {
            let cached_percent = cached.map(|cached| (cached * 100.0).round() as u8);
            contrast.sittings_needed = None;
            contrast.verdict = Verdict::Void {
                phase,
                cached_percent,
            };
        }
        contrast
    }

    /// Compares two sides, each of one trial at least.
    fn of_values(
        before_side: Side<'_>,
        other_side: Side<'_>,
        quantity: Quantity,
        rules: Rules,
        seed: Seed,
    ) -> Self {
        let between = BetweenSittings::of(before_side.sittings.len(), other_side.sittings.len());
        let before = Sample::new(before_side.values, before_side.sittings, between);
        let other = Sample::new(other_side.values, other_side.sittings, between);
        let looked = before_side.looked || other_side.looked;
        // One confidence for all: what could have been proved, and what it takes, is said of the interval told.
        let rules = Rules {
            confidence: between.confidence(rules.confidence, looked),
            ..rules
        };
        let estimate = estimate(&before, &other, between, rules.confidence)
            .map(|found| with_caches(found, &before_side, &other_side, quantity));
        let difference = mean(&other.logs).zip(mean(&before.logs));
        let means = [&before, &other].map(|side| mean(&side.logs).map_or(f64::NAN, f64::exp));
        let trials = (before_side.values.len(), other_side.values.len());
        let mut verdict = Verdict::of(trials, estimate, quantity, rules);
        let mut sittings_needed = None;
        if let (Verdict::NoProvableChange { trials }, Some(estimate)) = (&mut verdict, estimate) {
            let needed = units_needed(&before, &other, estimate, between, rules);
            match between {
                BetweenSittings::Included { .. } => sittings_needed = needed,
                BetweenSittings::NotIncluded { .. } => *trials = needed,
            }
        }
        let mut rng = seed.rng();
        Self {
            quantity,
            between_sittings: between,
            ratio: difference.map_or(f64::NAN, |(other, before)| (other - before).exp()),
            means,
            welch: estimate,
            hodges_lehmann: hodges_lehmann(&other.logs, &before.logs).map(f64::exp),
            permutation: permutation_p(&other.logs, &before.logs, &mut rng, PERMUTATION_DRAWS)
                .filter(|test| could_be_sure(test, rules)),
            bootstrap: bootstrap(&before, &other, rules, &mut rng),
            smallest_provable: estimate.and_then(|found| {
                let (error, df) = (found.standard_error_log, found.degrees_of_freedom);
                let rise = smallest_provable_ratio(error, df, rules.confidence, rules.power)?;
                Some(if found.ratio < 1.0 {
                    rise.recip()
                } else {
                    rise
                })
            }),
            sittings_needed,
            verdict,
        }
    }
}

/// What is compared of one phase.
#[derive(Clone, Copy)]
struct Side<'a> {
    /// A value a trial, sitting by sitting.
    values: &'a [f64],
    /// Trials of each sitting.
    sittings: &'a [usize],
    /// Whether their number was chosen by looking at how they scatter.
    looked: bool,
    /// The part of its bytes that caches served, between what is known and what is possible.
    cached: Bounds,
}

impl<'a> From<&'a Group> for Side<'a> {
    fn from(group: &'a Group) -> Self {
        Self {
            values: &group.values,
            sittings: &group.trials_of_sittings,
            looked: group.looked,
            // What nobody looked at has no bound to speak of, and no verdict either.
            cached: match group.unseen || group.void.is_some() {
                true => NOTHING,
                false => Bounds {
                    low: group.cached_at_least,
                    high: group.cached_at_most,
                },
            },
        }
    }
}

/// No part of the bytes.
const NOTHING: Bounds = Bounds {
    low: 0.0,
    high: 0.0,
};

/// The interval with what caches may have served of either side: of a rate of which they served a part, the drives
/// have the rest, and a mean latency would have been longer by as much.
fn with_caches(
    found: RatioEstimate,
    before: &Side<'_>,
    other: &Side<'_>,
    quantity: Quantity,
) -> RatioEstimate {
    let (before, other) = (before.cached, other.cached);
    let (less, more) = (
        (1.0 - other.high) / (1.0 - before.low),
        (1.0 - other.low) / (1.0 - before.high),
    );
    let (less, more) = match quantity.lower_is_better() {
        true => (more.recip(), less.recip()),
        false => (less, more),
    };
    RatioEstimate {
        low: found.low * less,
        high: found.high * more,
        ..found
    }
}

/// Whether so many ways to deal the labels could have given a p value that is small enough: the
/// deal that was seen and, in groups of one size, its mirror image are always as far.
fn could_be_sure(test: &Permutation, rules: Rules) -> bool {
    2.0 / test.total as f64 <= 1.0 - rules.confidence
}

/// Interval of the ratio of medians of units.
fn bootstrap(
    before: &Sample,
    other: &Sample,
    rules: Rules,
    rng: &mut fastrand::Rng,
) -> Option<Interval> {
    let values = |sample: &Sample| sample.logs.iter().map(|log| log.exp()).collect::<Vec<_>>();
    let (before, other) = (values(before), values(other));
    if before.len().min(other.len()) < LEAST_RESAMPLED {
        return None;
    }
    let middle = |values: &[f64]| median(values).unwrap_or(f64::NAN);
    bootstrap_two_sample_percentile(
        &before,
        &other,
        |before, other| middle(other) / middle(before),
        RESAMPLES,
        rules.confidence,
        rng,
    )
}

#[cfg(test)]
mod tests {
    use super::super::verdict::MOST_TRIALS;
    use super::*;

    const RULES: Rules = Rules {
        confidence: 0.95,
        threshold: 0.03,
        least_trials: 3,
        power: 0.8,
        come_to: crate::plan::Phase::Before,
    };

    /// Compares `quantity` over sittings, each a slice of trials; `looked` is whether their trials were looked
    /// at while they came in.
    fn of_looked(
        before: &[&[f64]],
        other: &[&[f64]],
        quantity: Quantity,
        looked: bool,
    ) -> Contrast {
        let sizes = |side: &[&[f64]]| side.iter().map(|sitting| sitting.len()).collect::<Vec<_>>();
        let (values, sittings) = (before.concat(), sizes(before));
        let (other_values, other_sittings) = (other.concat(), sizes(other));
        let before = Side {
            values: &values,
            sittings: &sittings,
            looked: false,
            cached: NOTHING,
        };
        let other = Side {
            values: &other_values,
            sittings: &other_sittings,
            looked,
            cached: NOTHING,
        };
        Contrast::of_values(before, other, quantity, RULES, Seed(1))
    }

    fn of_sittings(before: &[&[f64]], other: &[&[f64]], quantity: Quantity) -> Contrast {
        of_looked(before, other, quantity, false)
    }

    fn slices(sittings: &[Vec<f64>]) -> Vec<&[f64]> {
        sittings.iter().map(Vec::as_slice).collect()
    }

    fn contrast(before: &[f64], other: &[f64]) -> Contrast {
        of_sittings(&[before], &[other], Quantity::Rate)
    }

    const SLOW: [f64; 4] = [100.0, 104.0, 97.0, 101.0];
    const FAST: [f64; 4] = [131.0, 135.0, 140.0, 133.0];
    /// Sittings that differ more than their trials.
    const BEFORE: [&[f64]; 2] = [&[100.0, 101.0, 100.0], &[110.0, 111.0, 110.0]];
    const AFTER: [&[f64]; 2] = [&[108.0, 109.0, 108.0], &[117.0, 118.0, 117.0]];

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
        // Two sittings of one trial each are two trials.
        let sittings = of_sittings(&[&[100.0], &[101.0]], &[&[200.0], &[201.0]], Quantity::Rate);
        assert_eq!(
            sittings.verdict,
            Verdict::NotEnoughTrials {
                before: 1,
                other: 1
            }
        );
    }

    #[test]
    fn a_sure_change_below_the_threshold_is_none() {
        let small = contrast(&[100.0, 100.1, 99.9, 100.0], &[101.5, 101.6, 101.4, 101.5]);
        assert!(small.welch.unwrap().low > 1.0);
        assert_eq!(small.verdict, Verdict::NoProvableChange { trials: None });
    }

    #[test]
    fn gains_and_losses_are_told() {
        assert_eq!(contrast(&SLOW, &FAST).verdict, Verdict::Gain);
        assert_eq!(contrast(&FAST, &SLOW).verdict, Verdict::Loss);
    }

    #[test]
    fn lower_latency_is_a_gain() {
        let of =
            |before: &[f64], other: &[f64]| of_sittings(&[before], &[other], Quantity::Latency);
        let faster = of(&FAST, &SLOW);
        assert!(faster.ratio < 1.0 && faster.verdict == Verdict::Gain);
        let slower = of(&SLOW, &FAST);
        assert!(slower.ratio > 1.0 && slower.verdict == Verdict::Loss);
    }

    #[test]
    fn the_smallest_provable_change_lies_on_the_side_of_the_one_that_was_seen() {
        let rise = contrast(&SLOW, &FAST).smallest_provable.unwrap();
        let fall = contrast(&FAST, &SLOW).smallest_provable.unwrap();
        assert!(rise > 1.0 && fall < 1.0, "{rise} {fall}");
        // Logs are symmetric: what had to rise by a factor has to fall by its inverse.
        assert!((rise * fall - 1.0).abs() < 1e-9, "{rise} {fall}");
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
        assert_eq!(unsure.sittings_needed, None);
    }

    #[test]
    fn trials_that_agree_within_sittings_that_do_not_prove_nothing() {
        let one_sitting = contrast(&BEFORE.concat(), &AFTER.concat());
        let found = of_sittings(&BEFORE, &AFTER, Quantity::Rate);
        assert_eq!(
            found.between_sittings,
            BetweenSittings::Included { own_spread: false }
        );
        assert_eq!(found.verdict, Verdict::NoProvableChange { trials: None });
        // Six trials a side that are taken for independent call the same numbers a gain.
        assert_eq!(one_sitting.verdict, Verdict::Gain);
        assert_eq!(
            one_sitting.between_sittings,
            BetweenSittings::NotIncluded {
                before: 1,
                other: 1
            }
        );
        let (wide, narrow) = (found.welch.unwrap(), one_sitting.welch.unwrap());
        assert_eq!(wide.degrees_of_freedom, 2.0);
        assert!(wide.low < narrow.low && wide.high > narrow.high);
        assert!(found.smallest_provable > one_sitting.smallest_provable);
        // So few sittings can be dealt out in six ways and drawn anew in nine.
        assert!(found.permutation.is_none() && found.bootstrap.is_none());
        let sittings = found.sittings_needed.unwrap();
        assert!((3..=30).contains(&sittings), "{sittings}");
        // The advice holds: as many sittings that scatter like these prove it.
        let many = |side: &[&'static [f64]; 2]| side.repeat(sittings.div_ceil(2));
        let proof = of_sittings(&many(&BEFORE), &many(&AFTER), Quantity::Rate);
        assert_eq!(proof.verdict, Verdict::Gain, "{sittings} sittings");
    }

    #[test]
    fn enough_sittings_bring_the_other_figures_in_units_of_sittings() {
        let side = |mean: f64| -> Vec<Vec<f64>> {
            let effect = |sitting: i32| mean * (1.0 + 0.01 * f64::from(sitting));
            (-2..=2)
                .map(|s| vec![effect(s), effect(s) * 1.001])
                .collect()
        };
        let (before, after) = (side(100.0), side(130.0));
        let found = of_sittings(&slices(&before), &slices(&after), Quantity::Rate);
        assert_eq!(
            found.between_sittings,
            BetweenSittings::Included { own_spread: true }
        );
        // 10 over 5 sittings, not 20 over 10 trials.
        assert_eq!(found.permutation.unwrap().total, 252);
        for ratio in [found.ratio, found.hodges_lehmann.unwrap()] {
            assert!((ratio - 1.3).abs() < 1e-9, "{ratio}");
        }
        let interval = found.bootstrap.unwrap();
        assert!(interval.low < 1.3 && 1.3 < interval.high);
        assert_eq!(found.verdict, Verdict::Gain);
    }

    /// What stands beside an interval is as sure as it is. Five trials a side of one spread: eight degrees of
    /// freedom, a standard error of 0.02. By quadrature of the noncentral t over the chi distribution, apart
    /// from this program, 80 % of changes by 3.200922 and 3.837778 errors are proved at t of 2.306004 and
    /// 2.896459 (95 and 98 %, any table), and 4 % with 11 and 14 trials a side.
    #[test]
    fn what_could_have_been_proved_and_what_it_takes_belong_to_the_interval_that_is_told() {
        let trials = |rise: f64| [-0.04, -0.02, 0.0, 0.02, 0.04].map(|log: f64| (log + rise).exp());
        let (before, risen) = (trials(0.0), trials(0.04));
        let of = |looked| of_looked(&[&before], &[&risen], Quantity::Rate, looked);
        for (found, reach, provable, needed, confidence) in [
            (of(false), 2.306_004, 3.200_922, 11, 0.95),
            (of(true), 2.896_459, 3.837_778, 14, 0.98),
        ] {
            let low = found.welch.unwrap().low.ln();
            assert!((low - (0.04 - 0.02 * reach)).abs() < 1e-7, "{low}");
            let smallest = found.smallest_provable.unwrap().ln();
            assert!((smallest - 0.02 * provable).abs() < 1e-7, "{smallest}");
            let trials = Some(needed);
            assert_eq!(found.verdict, Verdict::NoProvableChange { trials });
            assert_eq!(found.bootstrap.unwrap().confidence, confidence);
            // 252 deals: two of them are 0.8 %.
            assert!(found.permutation.is_some());
        }
        // Of the 70 deals of four and four two are 2.9 %: sure enough for 95 %, not for 98 %.
        let four = |looked| of_looked(&[&SLOW], &[&FAST], Quantity::Rate, looked).permutation;
        assert!(four(false).is_some() && four(true).is_none());
    }

    /// The means of sittings tell by themselves how they scatter.
    #[test]
    fn sittings_as_units_need_no_more_for_having_been_looked_at() {
        let of = |looked| of_looked(&BEFORE, &AFTER, Quantity::Rate, looked);
        let (plain, looked) = (of(false), of(true));
        assert_eq!(plain.welch, looked.welch);
        assert_eq!(plain.smallest_provable, looked.smallest_provable);
        assert_eq!(plain.sittings_needed, looked.sittings_needed);
    }
}

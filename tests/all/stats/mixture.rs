use std::collections::BTreeMap;

use super::{assert_digits, assert_near};
use poolproof::seed::standard_normal;
use poolproof::stats::mixture::{
    Component, Components, Limits, Mixture, fit, match_reference, separation, share_below,
};

/// The buckets of the tables below are a quarter of their value wide.
const WIDE: f64 = 0.25;
/// Latencies in ms, as (value, count): made up.
const SEPARATE: [(f64, u64); 16] = [
    (0.11, 4),
    (0.13, 11),
    (0.15, 22),
    (0.17, 17),
    (0.20, 8),
    (0.24, 3),
    (4.2, 12),
    (5.1, 35),
    (6.0, 80),
    (7.0, 140),
    (8.2, 190),
    (9.5, 180),
    (11.0, 130),
    (13.0, 75),
    (15.5, 30),
    (19.0, 8),
];
const OVERLAPPING: [(f64, u64); 12] = [
    (1.0, 6),
    (1.3, 18),
    (1.7, 45),
    (2.2, 70),
    (2.8, 62),
    (3.6, 48),
    (4.6, 55),
    (6.0, 90),
    (7.7, 110),
    (10.0, 75),
    (13.0, 30),
    (17.0, 7),
];
const ALONE: [(f64, u64); 8] = [
    (4.0, 5),
    (5.0, 20),
    (6.0, 48),
    (7.0, 70),
    (8.5, 75),
    (10.0, 50),
    (12.0, 22),
    (14.5, 6),
];

/// Fast, slow, share of fast and its interval, of a mixture that must be of two.
#[track_caller]
fn two(mixture: &Mixture) -> (Component, Component, f64, (f64, f64)) {
    match mixture.components {
        Components::Two {
            fast,
            slow,
            share_fast,
            share_interval,
        } => {
            assert!(share_interval.low <= share_fast && share_fast <= share_interval.high);
            let bounds = (share_interval.low, share_interval.high);
            (fast, slow, share_fast, bounds)
        }
        Components::One(only) => panic!("one component {only:?}"),
    }
}

/// Counts values in buckets of one part in `per_unit` of the logarithm.
fn buckets(values: impl Iterator<Item = f64>, per_unit: f64) -> Vec<(f64, u64)> {
    let mut counts = BTreeMap::new();
    for value in values {
        *counts
            .entry((value.ln() * per_unit).round() as i64)
            .or_insert(0) += 1;
    }
    let value = |index: i64| (index as f64 / per_unit).exp();
    counts.into_iter().map(|(i, c)| (value(i), c)).collect()
}

/// SIMULATED latency in ms of a random read at 7200 rev/min: command, seek by the square
/// root of the distance, and a uniform wait for the rotation.
fn drive(rng: &mut fastrand::Rng) -> f64 {
    let distance = (rng.f64() - rng.f64()).abs();
    0.9 + 13.0 * distance.sqrt() + 8.33 * rng.f64()
}

/// SIMULATED latency in ms of a read served from memory over a network.
fn memory(rng: &mut fastrand::Rng) -> f64 {
    0.2 * (0.25 * standard_normal(rng)).exp()
}

#[test]
fn separate_components_as_scikit_learn_finds_them() {
    // scikit-learn 1.9.1, GaussianMixture of the repeated logarithms, best of 20 starts,
    // tol 1e-13, reg_covar 0.
    let found = fit(&SEPARATE, &Limits::for_resolution(WIDE)).unwrap();
    assert_digits(found.bic_one, 2793.380379601695, 12.0);
    assert_digits(found.bic_two, 740.0239211627572, 8.0);
    let (fast, slow, share, (low, high)) = two(&found);
    assert_near(fast.mean_log, -1.8505890325119312, 1e-6);
    assert_near(fast.sd_log, 0.17804165924784252, 1e-6);
    assert_near(slow.mean_log, 2.164669232369333, 1e-6);
    assert_near(slow.sd_log, 0.2824500056185349, 1e-6);
    assert_near(share, 0.06878306878306878, 1e-9);
    // By hand: 65 of 945 that nobody confuses have the log odds' standard error
    // 1 / sqrt(65 x 880 / 945).
    let reach = 1.959963984540054 * (945.0 / (65.0 * 880.0f64)).sqrt();
    let odds = (65.0f64 / 880.0).ln();
    assert_near(low, 1.0 / (1.0 + (reach - odds).exp()), 1e-5);
    assert_near(high, 1.0 / (1.0 + (-odds - reach).exp()), 1e-5);
}

#[test]
fn overlapping_components_as_scikit_learn_finds_them() {
    // scikit-learn 1.9.1, as above.
    let limits = Limits::for_resolution(WIDE);
    let found = fit(&OVERLAPPING, &limits).unwrap();
    assert_digits(found.bic_one, 1249.5817448126893, 12.0);
    assert_near(found.bic_two, 1158.418093557868, 1e-4);
    let (fast, slow, share, (low, high)) = two(&found);
    assert_near(fast.mean_log, 0.8789580711335208, 1e-3);
    assert_near(fast.sd_log, 0.37009716488645134, 1e-3);
    assert_near(slow.mean_log, 2.012922902981686, 1e-3);
    assert_near(slow.sd_log, 0.3367588348683234, 1e-3);
    assert_near(share, 0.4175183528086564, 1e-3);
    // Inverse of the 5 by 5 information of numerical scores, numpy. Not knowing which is
    // which widens the interval: known, it would be 0.078 wide.
    assert_near(low, 0.3538365400176241, 2e-3);
    assert_near(high, 0.4840751627614696, 2e-3);
    assert!(separation(&fast, &slow) > 3.0);
    let strict = Limits {
        least_separation: 4.0,
        ..limits
    };
    let found = fit(&OVERLAPPING, &strict).unwrap();
    assert!(matches!(found.components, Components::One(_)));
    assert!(found.bic_two < found.bic_one);
}

#[test]
fn one_component_is_left_alone() {
    // scikit-learn 1.9.1, as above.
    let found = fit(&ALONE, &Limits::for_resolution(WIDE)).unwrap();
    assert_digits(found.bic_one, 58.74510336489201, 11.0);
    assert!(found.bic_two > found.bic_one, "{found:?}");
    let Components::One(only) = found.components else {
        panic!("{found:?}");
    };
    assert_digits(only.mean_log, 2.0529913855233715, 12.0);
    assert_digits(only.sd_log, 0.26212569796941515, 12.0);
}

#[test]
fn thousands_of_buckets_with_counts_up_to_a_million() {
    // The expected counts of a known mixture, so the truth is what must come out.
    let truth = [(0.02, -1.5, 0.3), (0.98, 2.2, 0.45)];
    let values: Vec<(f64, u64)> = (-3000..4500)
        .map(|i| {
            let log = f64::from(i) / 1000.0;
            let density: f64 = truth
                .iter()
                .map(|(share, m, s)| share * (-0.5 * ((log - m) / s).powi(2)).exp() / s)
                .sum();
            (log.exp(), (4.5e5 * density).round() as u64)
        })
        .collect();
    let found = fit(&values, &Limits::for_resolution(0.001)).unwrap();
    let (fast, slow, share, (low, high)) = two(&found);
    assert_near(fast.mean_log, -1.5, 1e-3);
    assert_near(fast.sd_log, 0.3, 1e-3);
    assert_near(slow.mean_log, 2.2, 1e-3);
    assert_near(slow.sd_log, 0.45, 1e-3);
    assert_near(share, 0.02, 1e-4);
    assert!(high - low < 1e-4 && low < 0.02 && 0.02 < high);
    assert!(found.iterations < 100, "{}", found.iterations);
    // In another unit only the means move.
    let micros: Vec<_> = values.iter().map(|(v, c)| (v * 1000.0, *c)).collect();
    let shifted = fit(&micros, &Limits::for_resolution(0.001)).unwrap();
    let (moved, _, same, _) = two(&shifted);
    assert_near(moved.mean_log - fast.mean_log, 1000f64.ln(), 1e-9);
    assert_near(same, share, 1e-9);
}

#[test]
fn share_interval_covers_the_truth_in_95_of_100_fits() {
    // SIMULATED, well separated.
    for (index, (share, n)) in [(0.1, 500), (0.4, 200), (0.02, 1500)]
        .into_iter()
        .enumerate()
    {
        let seed = 0x5eed_4000 + index as u64;
        let mut rng = fastrand::Rng::with_seed(seed);
        let limits = Limits {
            least_share: 0.001,
            ..Limits::for_resolution(0.04)
        };
        let fits = 400;
        let covered = (0..fits)
            .filter(|_| {
                let draws = (0..n).map(|_| {
                    let fast = rng.f64() < share;
                    let (mean, sd) = if fast { (-1.6, 0.3) } else { (2.2, 0.4) };
                    (mean + sd * standard_normal(&mut rng)).exp()
                });
                let values = buckets(draws, 25.0);
                let (_, _, _, (low, high)) = two(&fit(&values, &limits).unwrap());
                low <= share && share <= high
            })
            .count();
        let coverage = covered as f64 / f64::from(fits);
        assert!(
            (0.92..=0.98).contains(&coverage),
            "share {share} of {n}, seed {seed:#x}: covers {coverage}"
        );
    }
}

#[test]
fn a_drive_whose_shape_is_not_log_normal() {
    // SIMULATED: 20 000 reads, 0, 0.7, 2 and 30 % of them served from memory.
    let limits = Limits::for_resolution(0.001);
    let (fast_reference, slow_reference) = (0.2f64.ln(), 12f64.ln());
    // Seed 2 is one where a broad component is the likelier, at a separation of 2.04.
    for (share, seed) in [(0.0, 0), (0.007, 1), (0.02, 2), (0.3, 3)] {
        let mut rng = fastrand::Rng::with_seed(seed);
        let draws = (0..20_000).map(|_| match rng.f64() < share {
            true => memory(&mut rng),
            false => drive(&mut rng),
        });
        let values = buckets(draws, 1000.0);
        let found = fit(&values, &limits).unwrap();
        let context = format!("share {share}, seed {seed}: {found:?}");
        let matched = match_reference(&found, fast_reference, slow_reference, 1.5).unwrap();
        assert!(matched.slow.agrees, "{context}");
        assert_eq!(matched.fast.agrees, share > 0.0, "{context}");
        // No read of the drive takes less than 0.9 ms.
        let below = share_below(&values, 0.9).unwrap();
        let interval = below.interval(0.999).unwrap();
        assert!(
            interval.low <= share && share <= interval.high,
            "{context}, {below:?}"
        );
        if share > 0.0 {
            let (_, _, fitted, _) = two(&found);
            assert_near(fitted, below.share(), 0.002);
        }
    }
}

#[test]
fn components_that_are_not_there_are_refused() {
    let limits = Limits::for_resolution(WIDE);
    let only = |values: &[(f64, u64)]| match fit(values, &limits).unwrap().components {
        Components::One(only) => only,
        two => panic!("{two:?}"),
    };
    // A single value: as wide as a bucket, not a spike of infinite likelihood.
    let single = only(&[(8.0, 1000)]);
    assert_digits(single.mean_log, 8f64.ln(), 14.0);
    assert_digits(single.sd_log, WIDE / std::f64::consts::TAU.sqrt(), 12.0);
    // Three outliers are no component of 0.5 %, with a limit of 0.1 % they are.
    let mut outliers = ALONE.map(|(value, count)| (value, 4 * count)).to_vec();
    outliers.push((0.2, 3));
    only(&outliers);
    let generous = Limits {
        least_share: 0.001,
        ..limits
    };
    let (fast, _, share, _) = two(&fit(&outliers, &generous).unwrap());
    assert_near(fast.mean_log, 0.2f64.ln(), 1e-6);
    assert_near(share, 3.0 / 1187.0, 1e-6);
    // Zero counts change nothing.
    let mut padded = ALONE.to_vec();
    padded.push((0.0, 0));
    assert_eq!(fit(&padded, &limits), fit(&ALONE, &limits));
}

#[test]
fn a_component_in_a_bucket_or_two_has_a_share_like_a_count() {
    // By hand: the interval of log odds of 100 in 396, which nobody confuses.
    let reach = 1.959963984540054 * (1.0 / 100.0 + 1.0 / 296.0f64).sqrt();
    let odds = (100.0f64 / 296.0).ln();
    let tables: [&[(f64, u64)]; 3] = [
        &[(0.2, 100)],
        &[(0.15, 50), (0.25, 50)],
        &[(0.15, 30), (0.25, 70)],
    ];
    for fast_values in tables {
        let values = [fast_values, &ALONE].concat();
        let found = fit(&values, &Limits::for_resolution(WIDE)).unwrap();
        let (fast, _, share, (low, high)) = two(&found);
        assert!(fast.sd_log >= WIDE / std::f64::consts::TAU.sqrt() * (1.0 - 1e-12));
        assert_near(share, 100.0 / 396.0, 1e-9);
        assert_near(low, 1.0 / (1.0 + (reach - odds).exp()), 1e-5);
        assert_near(high, 1.0 / (1.0 + (-odds - reach).exp()), 1e-5);
    }
    // Both in one bucket each.
    let found = fit(&[(0.2, 100), (8.0, 296)], &Limits::for_resolution(0.001)).unwrap();
    let (_, _, _, (low, _)) = two(&found);
    assert_near(low, 1.0 / (1.0 + (reach - odds).exp()), 1e-9);
}

#[test]
fn what_cannot_be_fitted_is_none() {
    let limits = Limits::for_resolution(WIDE);
    assert_eq!(fit(&[], &limits), None);
    assert_eq!(fit(&[(1.0, 0)], &limits), None);
    assert_eq!(fit(&[(0.0, 1), (1.0, 1)], &limits), None);
    assert_eq!(fit(&[(-1.0, 1), (1.0, 1)], &limits), None);
    assert_eq!(fit(&[(f64::INFINITY, 1)], &limits), None);
    assert_eq!(fit(&ALONE, &Limits::for_resolution(0.0)), None);
    let sure = Limits {
        confidence: 1.0,
        ..limits
    };
    assert_eq!(fit(&ALONE, &sure), None);
}

#[test]
fn share_below_counts_strictly() {
    let below = share_below(&SEPARATE, 4.2).unwrap();
    assert_eq!((below.below, below.total), (65, 945));
    assert_digits(below.share(), 65.0 / 945.0, 15.0);
    assert_eq!(share_below(&SEPARATE, 0.0).unwrap().below, 0);
    assert_eq!(share_below(&SEPARATE, f64::INFINITY).unwrap().below, 945);
    assert_eq!(share_below(&SEPARATE, f64::NAN), None);
    assert_eq!(share_below(&[], 1.0), None);
}

#[test]
fn references_are_matched_within_the_factor() {
    let found = fit(&SEPARATE, &Limits::for_resolution(WIDE)).unwrap();
    let (fast, slow, ..) = two(&found);
    let matched = |fast_ratio: f64, slow_ratio: f64, factor| {
        let fast_reference = fast.mean_log - fast_ratio.ln();
        let slow_reference = slow.mean_log - slow_ratio.ln();
        match_reference(&found, fast_reference, slow_reference, factor)
    };
    let near = matched(1.9, 0.55, 2.0).unwrap();
    assert!(near.fast.agrees && near.slow.agrees);
    assert_digits(near.fast.ratio, 1.9, 12.0);
    assert_digits(near.slow.ratio, 0.55, 12.0);
    let far = matched(2.1, 0.45, 2.0).unwrap();
    assert!(!far.fast.agrees && !far.slow.agrees);
    assert_eq!(matched(1.0, 1.0, 0.9), None);
    assert_eq!(matched(1.0, 1.0, 10.0), None, "a factor wider than the gap");
    // One component is held against both.
    let one = fit(&ALONE, &Limits::for_resolution(WIDE)).unwrap();
    let held = match_reference(&one, 0.2f64.ln(), 8f64.ln(), 2.0).unwrap();
    assert!(!held.fast.agrees && held.slow.agrees);
}

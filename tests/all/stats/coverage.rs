//! Whether the promise "95 %" holds: SIMULATED studies whose true ratio is known.

use poolproof::stats::contrast::{
    hodges_lehmann_interval, permutation_p, smallest_provable_ratio, welch_error, welch_ratio,
};

const STUDIES: usize = 4_000;

/// Standard normal by Box and Muller.
fn normal(rng: &mut fastrand::Rng) -> f64 {
    let radius = (-2.0 * (1.0 - rng.f64()).ln()).sqrt();
    radius * (std::f64::consts::TAU * rng.f64()).cos()
}

/// Log-normal trials about `median` whose spread is `cv` of their mean.
fn trials(rng: &mut fastrand::Rng, n: usize, median: f64, cv: f64) -> Vec<f64> {
    // For a log-normal, cv^2 = exp(sigma^2) - 1.
    let sigma = (cv * cv).ln_1p().sqrt();
    (0..n)
        .map(|_| median * (sigma * normal(rng)).exp())
        .collect()
}

/// (before, cv before, after, cv after)
const DESIGNS: [(usize, f64, usize, f64); 7] = [
    (5, 0.02, 5, 0.02),
    (5, 0.15, 5, 0.15),
    (5, 0.02, 5, 0.15),
    (3, 0.05, 5, 0.05),
    (3, 0.15, 5, 0.02),
    (3, 0.02, 5, 0.15),
    (8, 0.04, 5, 0.10),
];

#[test]
fn welch_ratio_covers_the_truth_in_95_of_100_studies() {
    let truth = 1.25;
    for (index, (n, cv, m, cv_after)) in DESIGNS.into_iter().enumerate() {
        let seed = 0x5eed_0000 + index as u64;
        let mut rng = fastrand::Rng::with_seed(seed);
        let covered = (0..STUDIES)
            .filter(|_| {
                let before = trials(&mut rng, n, 400e6, cv);
                let after = trials(&mut rng, m, 400e6 * truth, cv_after);
                let found = welch_ratio(&before, &after, 0.95).unwrap();
                found.low <= truth && truth <= found.high
            })
            .count();
        let share = covered as f64 / STUDIES as f64;
        assert!(
            (0.93..=0.97).contains(&share),
            "{n} trials at {cv} against {m} at {cv_after}, seed {seed:#x}: covers {share}"
        );
    }
}

#[test]
fn hodges_lehmann_interval_covers_at_least_what_it_says() {
    let seed = 0x5eed_1000;
    let mut rng = fastrand::Rng::with_seed(seed);
    let shift = 0.2;
    let mut promised = 0.0;
    let covered = (0..STUDIES)
        .filter(|_| {
            let x: Vec<f64> = (0..5).map(|_| shift + normal(&mut rng)).collect();
            let y: Vec<f64> = (0..5).map(|_| normal(&mut rng)).collect();
            let found = hodges_lehmann_interval(&x, &y, 0.95).unwrap();
            promised = found.confidence;
            found.low <= shift && shift <= found.high
        })
        .count();
    let share = covered as f64 / STUDIES as f64;
    assert!(
        (share - promised).abs() < 0.012,
        "seed {seed:#x}: promises {promised}, covers {share}"
    );
}

#[test]
fn permutation_test_rejects_no_more_than_it_says() {
    let seed = 0x5eed_2000;
    let mut rng = fastrand::Rng::with_seed(seed);
    let rejected = (0..2_000)
        .filter(|_| {
            let x = trials(&mut rng, 5, 1.0, 0.1);
            let y = trials(&mut rng, 5, 1.0, 0.1);
            permutation_p(&x, &y, &mut rng, 0).unwrap().p <= 0.05
        })
        .count();
    // 12 of 252 ways: the exact level is 4.76 %.
    let share = rejected as f64 / 2_000.0;
    assert!((0.03..=0.065).contains(&share), "seed {seed:#x}: {share}");
}

#[test]
fn smallest_provable_ratio_is_proved_as_often_as_it_says() {
    for (index, (n, cv, m, cv_after)) in DESIGNS.into_iter().enumerate() {
        let seed = 0x5eed_3000 + index as u64;
        let mut rng = fastrand::Rng::with_seed(seed);
        let sigma = |cv: f64| (cv * cv).ln_1p().sqrt();
        let variances = (sigma(cv).powi(2), sigma(cv_after).powi(2));
        let (error, df) = welch_error(variances.0, n, variances.1, m).unwrap();
        let ratio = smallest_provable_ratio(error, df, 0.95, 0.8).unwrap();
        let proved = (0..2_000)
            .filter(|_| {
                let before = trials(&mut rng, n, 1.0, cv);
                let after = trials(&mut rng, m, ratio, cv_after);
                welch_ratio(&before, &after, 0.95).unwrap().low > 1.0
            })
            .count();
        // The degrees of freedom that a study finds scatter below the true ones, which
        // costs up to five points of power when a side has three trials.
        let share = proved as f64 / 2_000.0;
        assert!(
            (0.73..=0.83).contains(&share),
            "{n} at {cv} against {m} at {cv_after}, seed {seed:#x}: {share}"
        );
    }
}

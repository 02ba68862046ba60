use super::{assert_digits, assert_near};
use poolproof::stats::contrast::{
    hodges_lehmann, hodges_lehmann_interval, mann_whitney, permutation_p, smallest_provable_ratio,
    student, values_needed, welch, welch_error, welch_ratio,
};

// Shier, "The Mann-Whitney U test" (2004), as quoted in scipy's documentation.
const SHIER_X: [f64; 5] = [19.0, 22.0, 16.0, 29.0, 24.0];
const SHIER_Y: [f64; 4] = [20.0, 11.0, 17.0, 12.0];

// Hollander and Wolfe, Nonparametric Statistical Methods, permeability data (table 4.1,
// from memory).
const PERMEABLE_X: [f64; 10] = [0.80, 0.83, 1.89, 1.04, 1.45, 1.38, 1.91, 1.64, 0.73, 1.46];
const PERMEABLE_Y: [f64; 5] = [1.15, 0.88, 0.90, 0.74, 1.21];

fn rng() -> fastrand::Rng {
    fastrand::Rng::with_seed(0x00c0_ffee)
}

#[test]
fn welch_of_a_small_sample() {
    // scipy 1.17.1, `ttest_ind(x, y, equal_var=False)`.
    let found = welch(&SHIER_X, &SHIER_Y, 0.95).unwrap();
    assert_digits(found.difference, 7.0, 15.0);
    assert_digits(
        found.difference / found.standard_error,
        2.2831482556870477,
        13.0,
    );
    assert_digits(found.degrees_of_freedom, 6.928837482846501, 13.0);
    assert_digits(found.p, 0.05675092592187574, 10.0);
    assert_digits(found.interval.low, -0.2649221891890887, 9.0);
    assert_digits(found.interval.high, 14.26492218918909, 10.0);
}

#[test]
fn welch_ratio_is_welch_on_logs() {
    // scipy 1.17.1, `ttest_ind(log(after), log(before), equal_var=False)`, exponentiated.
    let before = [412.0, 431.0, 405.0, 420.0, 398.0];
    let after = [508.0, 531.0, 495.0, 522.0, 540.0, 501.0, 517.0];
    let found = welch_ratio(&before, &after, 0.95).unwrap();
    assert_digits(found.ratio, 1.2494406185670963, 13.0);
    assert_digits(found.low, 1.1987758564066904, 10.0);
    assert_digits(found.high, 1.3022466635294971, 10.0);
    assert_digits(found.degrees_of_freedom, 8.809055483559499, 12.0);
    assert_digits(found.standard_error_log, 0.018238476981157214, 12.0);
    assert_digits(found.p, 8.061982149046269e-07, 9.0);
    // The unit does not matter, and the other direction is the inverse.
    let scaled = welch_ratio(&before.map(|v| v * 1e6), &after.map(|v| v * 1e6), 0.95).unwrap();
    assert_digits(scaled.low, found.low, 12.0);
    let back = welch_ratio(&after, &before, 0.95).unwrap();
    assert_digits(back.low, 1.0 / found.high, 13.0);
}

#[test]
fn welch_needs_two_groups_that_vary() {
    assert_eq!(welch(&[1.0], &[1.0, 2.0], 0.95), None);
    assert_eq!(welch(&[3.0, 3.0], &[4.0, 4.0], 0.95), None);
    assert_eq!(welch(&[1.0, 2.0], &[1.0, f64::INFINITY], 0.95), None);
    assert_eq!(welch(&[1.0, 2.0], &[1.0, 3.0], 1.0), None);
    assert!(welch(&[3.0, 3.0], &[4.0, 4.1], 0.95).is_some());
    assert_eq!(welch_ratio(&[1.0, 0.0], &[1.0, 2.0], 0.95), None);
}

#[test]
fn student_of_a_small_sample() {
    // scipy 1.17.1, `ttest_ind(x, y, equal_var=True)`.
    let found = student(&SHIER_X, &SHIER_Y, 0.95).unwrap();
    assert_eq!(found.degrees_of_freedom, 7.0);
    assert_digits(
        found.difference / found.standard_error,
        2.239334696520584,
        13.0,
    );
    assert_digits(found.p, 0.0601368821915159, 10.0);
    assert_digits(found.interval.low, -0.3916461826220532, 9.0);
    assert_digits(found.interval.high, 14.391646182622054, 10.0);
    // One value has no spread of its own and borrows that of the others.
    let one = student(&[30.0], &SHIER_Y, 0.95).unwrap();
    assert_eq!(one.degrees_of_freedom, 3.0);
    assert_digits(one.p, 0.05078186628649378, 10.0);
    assert_digits(one.interval.high, 30.0956682838261, 10.0);
}

#[test]
fn student_is_never_surer_than_the_noise_of_a_small_group_allows() {
    // scipy 1.17.1: the common spread alone gives a standard error of 2.4969, Welch's is 4.0130;
    // the latter with the quantile of t at 4 degrees of freedom.
    let found = student(&[1.0, 9.0], &[4.0, 4.5, 5.0, 5.5], 0.95).unwrap();
    assert_digits(found.standard_error, 4.012999709278169, 13.0);
    assert_digits(found.interval.low, -10.891873399985542, 10.0);
    assert_digits(found.interval.high, 11.391873399985542, 10.0);
}

#[test]
fn student_needs_three_values_that_vary() {
    assert_eq!(student(&[1.0], &[2.0], 0.95), None);
    assert_eq!(student(&[], &[1.0, 2.0, 3.0], 0.95), None);
    assert_eq!(student(&[3.0, 3.0], &[4.0, 4.0], 0.95), None);
    assert_eq!(student(&[1.0, 2.0], &[1.0, f64::INFINITY], 0.95), None);
    assert_eq!(student(&[1.0, 2.0], &[1.0, 3.0], 1.0), None);
}

#[test]
fn mann_whitney_of_shier() {
    // scipy's documentation of `mannwhitneyu`.
    let found = mann_whitney(&SHIER_X, &SHIER_Y).unwrap();
    assert_eq!((found.u1, found.u2), (17.0, 3.0));
    let exact = found.exact.unwrap();
    assert_digits(exact.two_sided, 0.1111111111111111, 14.0);
    assert_digits(exact.greater, 0.0555555555555556, 14.0);
    assert_digits(found.asymptotic.two_sided, 0.11134688653314041, 10.0);
}

#[test]
fn mann_whitney_of_the_permeability_data() {
    // scipy's test_hypotests.py uses these data; U and p as R prints them.
    let found = mann_whitney(&PERMEABLE_X, &PERMEABLE_Y).unwrap();
    assert_eq!(found.u1, 35.0);
    let exact = found.exact.unwrap();
    assert_digits(exact.greater, 0.1272061272061272, 13.0);
    assert_digits(exact.two_sided, 0.2544122544122544, 13.0);
}

#[test]
fn mann_whitney_with_ties_counts_all_choices() {
    // All 462 choices of 6 of 11 mean ranks, enumerated in Python: 106 sums at most, 392
    // at least as large. Asymptotic: scipy 1.17.1.
    let x = [1.0, 2.0, 2.0, 3.0, 5.0, 5.0];
    let y = [2.0, 3.0, 3.0, 5.0, 7.0];
    let found = mann_whitney(&x, &y).unwrap();
    assert_eq!(found.u1, 10.0);
    let exact = found.exact.unwrap();
    assert_digits(exact.less, 106.0 / 462.0, 14.0);
    assert_digits(exact.greater, 392.0 / 462.0, 14.0);
    assert_digits(found.asymptotic.two_sided, 0.39813815972067335, 10.0);
    assert_digits(found.asymptotic.less, 0.19906907986033667, 10.0);
}

#[test]
fn mann_whitney_beyond_counting_and_degenerate() {
    // scipy 1.17.1: 40 against 40 interleaved values.
    let x: Vec<f64> = (0..40).map(|i| f64::from(2 * i)).collect();
    let y: Vec<f64> = x.iter().map(|v| v + 9.0).collect();
    let found = mann_whitney(&x, &y).unwrap();
    assert_eq!((found.u1, found.exact), (630.0, None));
    assert_digits(found.asymptotic.two_sided, 0.10288725776167064, 10.0);

    let same = mann_whitney(&[4.0; 3], &[4.0; 4]).unwrap();
    assert_eq!(same.u1, 6.0);
    assert_eq!(same.exact.unwrap().two_sided, 1.0);
    assert_eq!(same.asymptotic.two_sided, 1.0);
    assert_eq!(mann_whitney(&[], &[1.0]), None);
}

#[test]
fn hodges_lehmann_of_the_permeability_data() {
    // Hollander and Wolfe, permeability example: shift 0.305, interval (-0.15, 0.76); the
    // confidence 0.9600399600 counted exactly.
    assert_digits(
        hodges_lehmann(&PERMEABLE_X, &PERMEABLE_Y).unwrap(),
        0.305,
        13.0,
    );
    let found = hodges_lehmann_interval(&PERMEABLE_X, &PERMEABLE_Y, 0.95).unwrap();
    assert_near(found.low, -0.15, 1e-12);
    assert_near(found.high, 0.76, 1e-12);
    assert_digits(found.confidence, 0.9600399600399601, 12.0);
}

#[test]
fn hodges_lehmann_is_not_the_difference_of_medians() {
    // Differences 0 1 2 -1 0 1 7 8 9 -> -1 0 0 1 1 2 7 8 9, median 1; medians differ by 1
    // less 1 = 0 in the second case.
    assert_eq!(
        hodges_lehmann(&[3.0, 2.0, 10.0], &[3.0, 2.0, 1.0]),
        Some(1.0)
    );
    assert_eq!(
        hodges_lehmann(&[0.0, 0.0, 9.0, 9.0], &[0.0, 0.0, 0.0, 9.0]),
        Some(0.0)
    );
    assert_eq!(hodges_lehmann(&[], &[1.0]), None);
}

#[test]
fn hodges_lehmann_interval_at_the_limits() {
    // Three against three: the widest interval holds with 1 - 2/20 = 90 %, not 95 %.
    let (x, y) = ([1.0, 2.0, 3.0], [4.0, 5.0, 7.0]);
    assert_eq!(hodges_lehmann_interval(&x, &y, 0.95), None);
    let widest = hodges_lehmann_interval(&x, &y, 0.90).unwrap();
    assert_eq!((widest.low, widest.high), (-6.0, -1.0));
    assert_digits(widest.confidence, 0.9, 14.0);
    // Either side of the limit of exact counting the bounds nearly agree.
    let long: Vec<f64> = (0..62).map(|i| f64::from(i * i % 61)).collect();
    let exact = hodges_lehmann_interval(&long[..30], &long[30..60], 0.95).unwrap();
    let normal = hodges_lehmann_interval(&long[..30], &long[30..61], 0.95).unwrap();
    assert_near(exact.low, normal.low, 2.0);
    assert_near(exact.high, normal.high, 2.0);
}

#[test]
fn permutation_of_the_mouse_data() {
    // 1613 of 11440, counted exactly; data: Efron and Tibshirani (1993), table 2.1.
    let treatment = [94.0, 197.0, 16.0, 38.0, 99.0, 141.0, 23.0];
    let control = [52.0, 104.0, 146.0, 10.0, 51.0, 30.0, 40.0, 27.0, 46.0];
    let found = permutation_p(&treatment, &control, &mut rng(), 0).unwrap();
    assert!(found.exact);
    assert_eq!(found.total, 11_440);
    assert_eq!(found.p_greater, 1613.0 / 11_440.0);
    let back = permutation_p(&control, &treatment, &mut rng(), 0).unwrap();
    assert_eq!(back.p_less, found.p_greater);
    assert_eq!(back.count, found.count);
}

#[test]
fn permutation_sees_equal_sums_as_equal() {
    // Enumerated in whole numbers: 27 of 35 at least as far, 29 at least as great, 15 at
    // most. In tenths the same sums differ in their last bit.
    let found = permutation_p(&[0.1, 0.2, 0.3], &[0.3, 0.2, 0.1, 0.4], &mut rng(), 0).unwrap();
    assert_eq!((found.count, found.total), (27, 35));
    assert_eq!(found.p_greater, 29.0 / 35.0);
    assert_eq!(found.p_less, 15.0 / 35.0);
}

#[test]
fn permutation_by_chance_agrees_with_the_exact_one() {
    // 11 against 11 has 705 432 ways, too many to try. On ranks the test is Mann and
    // Whitney's, which is counted exactly.
    let x: Vec<f64> = [3, 5, 8, 9, 11, 14, 16, 17, 19, 20, 22]
        .map(f64::from)
        .to_vec();
    let y: Vec<f64> = [1, 2, 4, 6, 7, 10, 12, 13, 15, 18, 21]
        .map(f64::from)
        .to_vec();
    let exact = mann_whitney(&x, &y).unwrap().exact.unwrap();
    let found = permutation_p(&x, &y, &mut rng(), 20_000).unwrap();
    assert!(!found.exact);
    assert_eq!(found.total, 20_001);
    // Four times the chance error of 20 000 draws.
    assert_near(found.p_greater, exact.greater, 0.01);
    assert_near(found.p_less, exact.less, 0.01);
    assert_near(found.p, exact.two_sided, 0.012);
}

#[test]
fn permutation_by_chance_is_never_zero() {
    let x: Vec<f64> = (0..11).map(f64::from).collect();
    let far: Vec<f64> = x.iter().map(|v| v + 100.0).collect();
    let found = permutation_p(&far, &x, &mut rng(), 4_000).unwrap();
    assert_eq!((found.count, found.total), (1, 4_001));
    assert_eq!(found.p, 1.0 / 4_001.0);
    assert_eq!(permutation_p(&[], &x, &mut rng(), 10), None);
    assert_eq!(permutation_p(&[f64::NAN], &x, &mut rng(), 10), None);
}

#[test]
fn smallest_provable_ratio_by_the_noncentral_t() {
    // scipy 1.17.1: root of `nct.sf(t, df, delta) - power`, with Welch-Satterthwaite df.
    let rows = [
        (0.03, 5, 0.03, 5, 0.95, 0.8, 1.062615401739983),
        (0.02, 3, 0.15, 5, 0.95, 0.8, 1.285498210592962),
        (0.05, 5, 0.02, 8, 0.99, 0.9, 1.151942262375586),
        (0.1, 2, 0.1, 2, 0.95, 0.8, 1.7600618080445416),
    ];
    for (sd_before, before, sd_after, after, confidence, power, expected) in rows {
        let (variance_before, variance_after) = (f64::powi(sd_before, 2), f64::powi(sd_after, 2));
        let (error, df) = welch_error(variance_before, before, variance_after, after).unwrap();
        let found = smallest_provable_ratio(error, df, confidence, power);
        assert_near(found.unwrap(), expected, 1e-6);
    }
    assert_eq!(smallest_provable_ratio(0.1, 0.0, 0.95, 0.8), None);
    assert_eq!(smallest_provable_ratio(0.0, 8.0, 0.95, 0.8), None);
    assert_eq!(smallest_provable_ratio(0.1, 8.0, 0.95, 1.0), None);
    assert_eq!(smallest_provable_ratio(0.1, 8.0, 1.5, 0.8), None);
    assert_eq!(welch_error(0.01, 1, 0.01, 5), None);
    assert_eq!(welch_error(0.0, 5, 0.0, 5), None);
}

#[test]
fn values_needed_by_the_noncentral_t() {
    // scipy 1.17.1: first n with `nct.sf(t, df, delta) >= power`.
    assert_eq!(values_needed(1.25, 0.05, 0.05, 0.95, 0.8, 100), Some(3));
    assert_eq!(values_needed(1.03, 0.05, 0.05, 0.95, 0.8, 100), Some(46));
    assert_eq!(
        values_needed(1.0 / 1.1, 0.02, 0.15, 0.95, 0.9, 100),
        Some(29)
    );
    assert_eq!(values_needed(1.5, 0.01, 0.01, 0.95, 0.8, 100), Some(2));
    assert_eq!(values_needed(1.03, 0.05, 0.05, 0.95, 0.8, 46), Some(46));
    assert_eq!(values_needed(1.03, 0.05, 0.05, 0.95, 0.8, 45), None);
    assert_eq!(values_needed(1.0, 0.05, 0.05, 0.95, 0.8, 100), None);
    assert_eq!(values_needed(0.0, 0.05, 0.05, 0.95, 0.8, 100), None);
    assert_eq!(values_needed(1.25, 0.05, 0.05, 0.95, 0.8, 1), None);
}

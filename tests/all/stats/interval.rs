use super::{assert_digits, assert_near};
use poolproof::stats::describe::{mean, median};
use poolproof::stats::interval::{
    acceleration, bootstrap_bca, bootstrap_percentile, bootstrap_se,
    bootstrap_two_sample_percentile, jackknife, mean_t,
};

// Efron and Tibshirani, An Introduction to the Bootstrap (1993), table 2.1: mouse data.
const TREATMENT: [f64; 7] = [94.0, 197.0, 16.0, 38.0, 99.0, 141.0, 23.0];
const CONTROL: [f64; 9] = [52.0, 104.0, 146.0, 10.0, 51.0, 30.0, 40.0, 27.0, 46.0];

/// The same book, table 3.1 (number from memory): law school data, LSAT and GPA.
const LAW: [(f64, f64); 15] = [
    (576.0, 3.39),
    (635.0, 3.30),
    (558.0, 2.81),
    (578.0, 3.03),
    (666.0, 3.44),
    (580.0, 3.07),
    (555.0, 3.00),
    (661.0, 3.43),
    (651.0, 3.36),
    (605.0, 3.13),
    (653.0, 3.12),
    (575.0, 2.74),
    (545.0, 2.76),
    (572.0, 2.88),
    (594.0, 2.96),
];

/// The same book, table 14.1 (number from memory): spatial test data, first test.
const SPATIAL: [f64; 26] = [
    48.0, 36.0, 20.0, 29.0, 42.0, 42.0, 20.0, 42.0, 22.0, 41.0, 45.0, 14.0, 6.0, 0.0, 33.0, 28.0,
    34.0, 4.0, 32.0, 24.0, 47.0, 41.0, 24.0, 26.0, 30.0, 41.0,
];

/// Seed of every bootstrap here; the tolerances allow for its chance.
const SEED: u64 = 0x0b00_7577;

fn rng() -> fastrand::Rng {
    fastrand::Rng::with_seed(SEED)
}

fn average(values: &[f64]) -> f64 {
    mean(values).unwrap()
}

fn middle(values: &[f64]) -> f64 {
    median(values).unwrap()
}

fn correlation(pairs: &[(f64, f64)]) -> f64 {
    let n = pairs.len() as f64;
    let x = pairs.iter().map(|p| p.0).sum::<f64>() / n;
    let y = pairs.iter().map(|p| p.1).sum::<f64>() / n;
    let (mut xx, mut yy, mut xy) = (0.0, 0.0, 0.0);
    for (a, b) in pairs {
        xx += (a - x).powi(2);
        yy += (b - y).powi(2);
        xy += (a - x) * (b - y);
    }
    xy / (xx * yy).sqrt()
}

fn plug_in_variance(values: &[f64]) -> f64 {
    let centre = average(values);
    values.iter().map(|v| (v - centre).powi(2)).sum::<f64>() / values.len() as f64
}

#[test]
fn t_interval_of_a_mean() {
    // scipy 1.17.1, `t.interval` of the data in `bootstrap_agrees_with_r`.
    let x = [
        10.0, 12.0, 12.5, 12.5, 13.9, 15.0, 21.0, 22.0, 23.0, 34.0, 50.0, 81.0, 89.0, 121.0, 134.0,
        213.0,
    ];
    let interval = mean_t(&x, 0.95).unwrap();
    assert_digits(interval.low, 22.653616052446782, 10.0);
    assert_digits(interval.high, 85.33388394755322, 10.0);
    assert_eq!(interval.confidence, 0.95);
    assert_eq!(mean_t(&[1.0], 0.95), None);
    assert_eq!(mean_t(&x, 1.0), None);
}

#[test]
fn bootstrap_errors_of_the_mouse_data_meet_the_ideal_ones() {
    // Efron and Tibshirani (1993), table 2.2, infinite resamples: 23.36 and 37.83; in
    // exact arithmetic 23.3635234373 and 37.8346743939. At 20 000 resamples the chance
    // error is about 0.5 %, so 2 % is four of them.
    let of_mean = bootstrap_se(&TREATMENT, average, 20_000, &mut rng()).unwrap();
    let of_median = bootstrap_se(&TREATMENT, middle, 20_000, &mut rng()).unwrap();
    assert_near(of_mean, 23.3635234373, 0.02 * 23.36);
    assert_near(of_median, 37.8346743939, 0.02 * 37.83);
}

#[test]
fn two_sample_acceleration_of_the_mouse_data() {
    // Value and control group of scipy's test `test_BCa_acceleration_against_reference`,
    // where two of the nine read 31 and 50 instead of 30 and 51.
    let control = [10.0, 27.0, 31.0, 40.0, 46.0, 50.0, 52.0, 104.0, 146.0];
    let control_mean = average(&control);
    let treatment_mean = average(&TREATMENT);
    let treated = jackknife(&TREATMENT, |x| average(x) - control_mean).unwrap();
    let untreated = jackknife(&control, |y| treatment_mean - average(y)).unwrap();
    let found = acceleration(&[&treated.leave_one_out, &untreated.leave_one_out]).unwrap();
    assert_digits(found, 0.011008228344026734, 12.0);
}

#[test]
fn jackknife_of_the_law_school_correlation() {
    // The correlation 0.776 is printed in the book; the rest in exact arithmetic from its
    // equations 11.4, 11.5 and 14.15.
    let found = jackknife(&LAW, correlation).unwrap();
    assert_digits(found.estimate, 0.776374491289407, 13.0);
    assert_digits(found.standard_error, 0.142518618602272, 12.0);
    assert_digits(found.bias, -0.00647362304592236, 11.0);
    assert_digits(found.acceleration.unwrap(), -0.0756715649378792, 11.0);
}

#[test]
fn bootstrap_of_the_law_school_correlation() {
    // A run of 200 000 resamples apart from this code: error 0.134, percentile (0.459,
    // 0.962), BCa (0.331, 0.942), each good to about 0.002.
    let error = bootstrap_se(&LAW, correlation, 20_000, &mut rng()).unwrap();
    assert_near(error, 0.134, 0.004);
    let percentile = bootstrap_percentile(&LAW, correlation, 20_000, 0.95, &mut rng()).unwrap();
    assert_near(percentile.low, 0.459, 0.015);
    assert_near(percentile.high, 0.962, 0.005);
    let bca = bootstrap_bca(&LAW, correlation, 20_000, 0.95, &mut rng()).unwrap();
    assert_near(bca.low, 0.331, 0.02);
    assert_near(bca.high, 0.942, 0.005);
}

#[test]
fn bca_of_the_spatial_variance() {
    // Efron and Tibshirani (1993), pages 183-186: acceleration 0.061, 90 % BCa
    // (115.8, 259.6) from 2000 resamples; recomputed with more: 0.0612401198123 and
    // (115.5, 261.3), percentile (97.5, 235.6).
    let knife = jackknife(&SPATIAL, plug_in_variance).unwrap();
    assert_digits(knife.estimate, 171.534023668639, 12.0);
    assert_digits(knife.acceleration.unwrap(), 0.0612401198123, 11.0);
    let bca = bootstrap_bca(&SPATIAL, plug_in_variance, 20_000, 0.90, &mut rng()).unwrap();
    assert_near(bca.low, 115.5, 2.0);
    assert_near(bca.high, 261.3, 3.0);
    let plain = bootstrap_percentile(&SPATIAL, plug_in_variance, 20_000, 0.90, &mut rng()).unwrap();
    assert_near(plain.low, 97.5, 2.0);
    assert_near(plain.high, 235.6, 2.0);
}

#[test]
fn bootstrap_agrees_with_r() {
    // R package boot with 1 000 000 resamples, as quoted by scipy's test
    // `test_bootstrap_against_R`. 1.5 % allows for 20 000 resamples here.
    let x = [
        10.0, 12.0, 12.5, 12.5, 13.9, 15.0, 21.0, 22.0, 23.0, 34.0, 50.0, 81.0, 89.0, 121.0, 134.0,
        213.0,
    ];
    let percentile = bootstrap_percentile(&x, average, 20_000, 0.95, &mut rng()).unwrap();
    assert_near(percentile.low, 28.86, 0.015 * 28.86);
    assert_near(percentile.high, 84.21, 0.015 * 84.21);
    let bca = bootstrap_bca(&x, average, 20_000, 0.95, &mut rng()).unwrap();
    assert_near(bca.low, 32.31, 0.015 * 32.31);
    assert_near(bca.high, 91.43, 0.015 * 91.43);
}

#[test]
fn bca_of_a_symmetric_sample_with_ties_is_the_percentile_interval() {
    // Ten zeros and ten ones: no bias and no acceleration, although a fifth of the
    // replicates equal the estimate. Bounds by the binomial distribution: P(mean <= 0.25)
    // = 0.021 and P(mean <= 0.3) = 0.058.
    let coin = [[0.0; 10], [1.0; 10]].concat();
    let bca = bootstrap_bca(&coin, average, 20_000, 0.95, &mut rng()).unwrap();
    assert_near(bca.low, 0.3, 1e-12);
    assert_near(bca.high, 0.7, 1e-12);
}

#[test]
fn two_samples_are_drawn_apart() {
    // Of a constant first sample only the second can vary: bounds are among its ratios.
    let ratio = |x: &[f64], y: &[f64]| middle(y) / middle(x);
    let found =
        bootstrap_two_sample_percentile(&[2.0; 5], &CONTROL, ratio, 4_000, 0.95, &mut rng());
    // The ideal bootstrap median of 9: P(median* <= x(2)) = 0.0304 and P(<= x(1)) = 0.0014
    // (binomial), so the 2.5 % bound is the second smallest; likewise above.
    let found = found.unwrap();
    assert_eq!((found.low, found.high), (27.0 / 2.0, 104.0 / 2.0));
}

#[test]
fn the_same_seed_gives_the_same_interval() {
    let run = || bootstrap_percentile(&CONTROL, average, 500, 0.9, &mut rng());
    assert_eq!(run(), run());
}

#[test]
fn what_cannot_be_resampled_is_none() {
    let none: [f64; 0] = [];
    assert_eq!(bootstrap_se(&none, average, 100, &mut rng()), None);
    assert_eq!(bootstrap_se(&CONTROL, average, 1, &mut rng()), None);
    assert_eq!(bootstrap_se(&CONTROL, |_| f64::NAN, 100, &mut rng()), None);
    assert_eq!(
        bootstrap_bca(&[3.0; 6], average, 100, 0.95, &mut rng()),
        None
    );
    assert_eq!(
        bootstrap_percentile(&CONTROL, average, 100, 0.0, &mut rng()),
        None
    );
    assert_eq!(jackknife(&[1.0], average), None);
    let ratio = |x: &[f64], y: &[f64]| middle(y) / middle(x);
    let found = bootstrap_two_sample_percentile(&none, &CONTROL, ratio, 100, 0.95, &mut rng());
    assert_eq!(found, None);
}

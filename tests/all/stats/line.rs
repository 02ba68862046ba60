use super::data::{NORRIS_X, NORRIS_Y};
use super::{assert_digits, assert_near};
use poolproof::stats::regression::{Target, line};

/// Progress in percent, read every hour: made up.
const PROGRESS: [f64; 10] = [0.0, 1.9, 4.2, 6.1, 7.7, 10.3, 12.1, 13.8, 16.4, 18.0];

fn hours() -> Vec<f64> {
    (0..10).map(f64::from).collect()
}

#[test]
fn norris_at_500() {
    // statsmodels 0.15 and scipy 1.17.
    let norris = line(&NORRIS_X, &NORRIS_Y).unwrap();
    let mean = norris.at(500.0, Target::Mean, 0.95).unwrap();
    assert_digits(mean.value, 500.796085936453, 14.0);
    assert_digits(mean.interval.low, 500.488196471533, 12.0);
    assert_digits(mean.interval.high, 501.103975401373, 12.0);
    let observation = norris.at(500.0, Target::Observation, 0.95).unwrap();
    assert_eq!(observation.value, mean.value);
    assert_digits(observation.interval.low, 498.971794054183, 12.0);
    assert_digits(observation.interval.high, 502.620377818723, 12.0);
}

#[test]
fn norris_reaches_500() {
    // The ends: where the band of `norris_at_500` has the height 500, by root finding
    // with scipy 1.17.1.
    let norris = line(&NORRIS_X, &NORRIS_Y).unwrap();
    let mean = norris.reaches(500.0, Target::Mean, 0.95).unwrap();
    assert_digits(mean.x, 499.2055956729419, 13.0);
    let interval = mean.interval.unwrap();
    assert_digits(interval.low, 498.8985752708592, 12.0);
    assert_digits(interval.high, 499.51273766925544, 12.0);
    let observation = norris.reaches(500.0, Target::Observation, 0.95).unwrap();
    let interval = observation.interval.unwrap();
    assert_digits(interval.low, 497.3852440945327, 12.0);
    assert_digits(interval.high, 501.02606884558196, 12.0);
}

#[test]
fn finish_time_far_ahead_is_lopsided() {
    // scipy 1.17.1, by root finding on the band.
    let progress = line(&hours(), &PROGRESS).unwrap();
    let done = progress.reaches(100.0, Target::Mean, 0.9).unwrap();
    assert_digits(done.x, 49.68744354110208, 13.0);
    let interval = done.interval.unwrap();
    assert_digits(interval.low, 48.66623554276234, 12.0);
    assert_digits(interval.high, 50.75679017470279, 12.0);
    assert!(interval.high - done.x > done.x - interval.low);
}

#[test]
fn the_interval_ends_where_the_band_has_the_height() {
    let progress = line(&hours(), &PROGRESS).unwrap();
    for target in [Target::Mean, Target::Observation] {
        for height in [-3.0, 9.0, 40.0, 1e4] {
            let ends = progress.reaches(height, target, 0.99).unwrap();
            let ends = ends.interval.unwrap();
            let first = progress.at(ends.low, target, 0.99).unwrap().interval;
            let last = progress.at(ends.high, target, 0.99).unwrap().interval;
            assert_near(first.high, height, 1e-9 * height.abs());
            assert_near(last.low, height, 1e-9 * height.abs());
        }
    }
}

#[test]
fn a_falling_line_has_its_interval_in_order() {
    let falling: Vec<f64> = PROGRESS.iter().map(|p| 100.0 - p).collect();
    let rising = line(&hours(), &PROGRESS).unwrap();
    let rising = rising.reaches(100.0, Target::Mean, 0.9).unwrap();
    let falling = line(&hours(), &falling).unwrap();
    let falling = falling.reaches(0.0, Target::Mean, 0.9).unwrap();
    let (expected, found) = (rising.interval.unwrap(), falling.interval.unwrap());
    assert_digits(found.low, expected.low, 12.0);
    assert_digits(found.high, expected.high, 12.0);
}

#[test]
fn a_line_that_may_be_level_promises_no_finish() {
    let x = [0.0, 1.0, 2.0, 3.0];
    let unsure = line(&x, &[1.0, 3.0, 0.0, 2.5]).unwrap();
    let crossing = unsure.reaches(10.0, Target::Mean, 0.95).unwrap();
    assert!(crossing.x.is_finite());
    assert_eq!(crossing.interval, None);
    let level = line(&x, &[5.0; 4]).unwrap();
    assert_eq!(level.reaches(10.0, Target::Mean, 0.95), None);
    assert_eq!(unsure.reaches(10.0, Target::Mean, 1.0), None);
    assert_eq!(unsure.at(10.0, Target::Mean, 0.0), None);
    let exact = line(&x, &[1.0, 3.0, 5.0, 7.0]).unwrap();
    let crossing = exact.reaches(21.0, Target::Mean, 0.95).unwrap();
    assert_near(crossing.x, 10.0, 1e-12);
    assert_near(crossing.interval.unwrap().high, 10.0, 1e-9);
}

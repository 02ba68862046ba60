use super::assert_digits;
use super::data::{NORRIS_X, NORRIS_Y};
use poolproof::stats::regression::line;
use poolproof::stats::theil_sen::theil_sen;

#[test]
fn worked_example_of_sen() {
    // Sen (1968), JASA 63:1379-1389, as asserted in the tests of scipy 1.17.1: slope 4,
    // 93 % interval (26/7, 35/8), intercept 6 from the median of y - slope x.
    let x = [1.0, 2.0, 3.0, 4.0, 10.0, 12.0, 18.0];
    let y = [9.0, 15.0, 19.0, 20.0, 45.0, 55.0, 78.0];
    let found = theil_sen(&x, &y, 0.93).unwrap();
    assert_eq!(found.slope, 4.0);
    assert_eq!(found.intercept, 6.0);
    let interval = found.interval.unwrap();
    assert_eq!((interval.low, interval.high), (26.0 / 7.0, 35.0 / 8.0));
    assert_eq!(interval.confidence, 0.93);
}

#[test]
fn norris_and_its_ties_in_x() {
    // scipy 1.17.1.
    let found = theil_sen(&NORRIS_X, &NORRIS_Y, 0.95).unwrap();
    assert_digits(found.slope, 1.0021968365553604, 13.0);
    assert_digits(found.intercept, -0.3010984182776848, 12.0);
    let interval = found.interval.unwrap();
    assert_digits(interval.low, 1.0011153245594469, 13.0);
    assert_digits(interval.high, 1.0030534351145037, 13.0);
}

#[test]
fn ties_in_both() {
    // scipy 1.17.1.
    let x = [1.0, 1.0, 2.0, 2.0, 3.0, 3.0, 4.0, 5.0, 5.0, 6.0];
    let y = [2.0, 3.0, 3.0, 5.0, 6.0, 6.0, 9.0, 8.0, 11.0, 12.0];
    let found = theil_sen(&x, &y, 0.9).unwrap();
    assert_eq!((found.slope, found.intercept), (2.0, 0.0));
    let interval = found.interval.unwrap();
    assert_eq!((interval.low, interval.high), (1.5, 2.25));
}

#[test]
fn one_corrupt_reading_does_not_move_it() {
    // By hand; least squares: exact rational arithmetic, 353/55 and -593/55.
    let x: Vec<f64> = (0..10).map(f64::from).collect();
    let mut y: Vec<f64> = x.iter().map(|x| 2.0 * x + 1.0).collect();
    y[9] = 100.0;
    let found = theil_sen(&x, &y, 0.95).unwrap();
    assert_eq!((found.slope, found.intercept), (2.0, 1.0));
    let moved = line(&x, &y).unwrap();
    assert_digits(moved.slope, 353.0 / 55.0, 14.0);
    assert_digits(moved.intercept, -593.0 / 55.0, 14.0);
}

#[test]
fn small_and_undefined_cases() {
    // Slope and intercept: the tests of scipy 1.17.1.
    let found = theil_sen(&[0.0, 1.0, 2.0], &[0.0, 1.0, 1.0], 0.95).unwrap();
    assert_eq!((found.slope, found.intercept), (0.5, 0.0));
    assert_eq!(found.interval, None, "three points prove no slope");
    let level = theil_sen(&[0.0, 1.0, 2.0, 3.0, 4.0], &[7.0; 5], 0.95).unwrap();
    assert_eq!((level.slope, level.intercept), (0.0, 7.0));
    assert_eq!(theil_sen(&[], &[], 0.95), None);
    assert_eq!(theil_sen(&[1.0], &[1.0], 0.95), None);
    assert_eq!(theil_sen(&[3.0, 3.0], &[1.0, 2.0], 0.95), None, "one x");
    assert_eq!(theil_sen(&[1.0, 2.0], &[1.0], 0.95), None);
    assert_eq!(theil_sen(&[1.0, 2.0], &[1.0, f64::NAN], 0.95), None);
    assert_eq!(theil_sen(&[1.0, 2.0], &[1.0, 2.0], 1.0), None);
}

//! The statistics room against published values.
//!
//! "scipy 1.17.1" beside a value means that it was computed once with that version and
//! typed in here.

mod change_point;
mod contrast;
mod coverage;
mod data;
mod describe;
mod interval;
mod line;
mod mixture;
mod proportion;
mod quantile;
mod regression;
mod steady;
mod theil_sen;

/// Number of correct decimal digits (NIST's log relative error), 17 when equal.
fn digits(actual: f64, expected: f64) -> f64 {
    if actual == expected {
        return 17.0;
    }
    let scale = if expected == 0.0 { 1.0 } else { expected.abs() };
    -((actual - expected).abs() / scale).log10()
}

/// Asserts that `actual` has at least `least` correct digits.
#[track_caller]
fn assert_digits(actual: f64, expected: f64, least: f64) {
    let reached = digits(actual, expected);
    assert!(
        reached >= least,
        "{actual} has {reached:.1} digits of {expected}, wanted {least}"
    );
}

/// Asserts that `actual` lies within `tolerance` of `expected`.
#[track_caller]
fn assert_near(actual: f64, expected: f64, tolerance: f64) {
    assert!(
        (actual - expected).abs() <= tolerance,
        "{actual} is not within {tolerance} of {expected}"
    );
}

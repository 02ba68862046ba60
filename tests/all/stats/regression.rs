use super::assert_digits;
use super::data::{LONGLEY_X, LONGLEY_Y, NORRIS_X, NORRIS_Y, PONTIUS_X, PONTIUS_Y};
use poolproof::stats::regression::{Fit, Intercept, least_squares, line};

/// Certified values of one set, and the digits that the fit must reach.
struct Certified<'a> {
    coefficients: &'a [f64],
    standard_errors: &'a [f64],
    residual_sd: f64,
    r_squared: f64,
    sse: f64,
    degrees_of_freedom: usize,
    digits: f64,
}

#[track_caller]
fn assert_fit(fit: &Fit, certified: &Certified) {
    assert_eq!(fit.coefficients.len(), certified.coefficients.len());
    for (found, expected) in fit.coefficients.iter().zip(certified.coefficients) {
        assert_digits(*found, *expected, certified.digits);
    }
    for (found, expected) in fit.standard_errors.iter().zip(certified.standard_errors) {
        assert_digits(*found, *expected, certified.digits);
    }
    assert_digits(fit.residual_sd, certified.residual_sd, certified.digits);
    assert_digits(
        fit.r_squared.unwrap(),
        certified.r_squared,
        certified.digits,
    );
    assert_digits(fit.sse, certified.sse, certified.digits);
    assert_eq!(fit.degrees_of_freedom, certified.degrees_of_freedom);
}

// Sources of all certified values: NIST StRD, Linear Regression.

#[test]
fn norris() {
    let fit = least_squares(&[&NORRIS_X], &NORRIS_Y, Intercept::Fitted).unwrap();
    assert_fit(
        &fit,
        &Certified {
            coefficients: &[-0.262323073774029, 1.00211681802045],
            standard_errors: &[0.232818234301152, 0.429796848199937e-3],
            residual_sd: 0.884796396144373,
            r_squared: 0.999993745883712,
            sse: 26.6173985294224,
            degrees_of_freedom: 34,
            digits: 12.0,
        },
    );
    let line = line(&NORRIS_X, &NORRIS_Y).unwrap();
    assert_eq!(line.intercept, fit.coefficients[0]);
    assert_eq!(line.slope, fit.coefficients[1]);
    assert_digits(line.slope_standard_error, 0.429796848199937e-3, 12.0);
    assert_digits(line.residual_sd, 0.884796396144373, 12.0);
    assert_eq!(line.degrees_of_freedom, 34);
}

#[test]
fn no_int_1_counts_r_squared_about_zero() {
    let x: Vec<f64> = (60..=70).map(f64::from).collect();
    let y: Vec<f64> = (130..=140).map(f64::from).collect();
    // About the mean it would be -0.157.
    assert_fit(
        &least_squares(&[&x], &y, Intercept::Zero).unwrap(),
        &Certified {
            coefficients: &[2.07438016528926],
            standard_errors: &[0.165289256198347e-1],
            residual_sd: 3.56753034006338,
            r_squared: 0.999365492298663,
            sse: 127.272727272727,
            degrees_of_freedom: 10,
            digits: 13.0,
        },
    );
}

#[test]
fn no_int_2() {
    assert_fit(
        &least_squares(&[&[4.0, 5.0, 6.0]], &[3.0, 4.0, 4.0], Intercept::Zero).unwrap(),
        &Certified {
            coefficients: &[0.727272727272727],
            standard_errors: &[0.420827318078432e-1],
            residual_sd: 0.369274472937998,
            r_squared: 0.993348115299335,
            sse: 0.272727272727273,
            degrees_of_freedom: 2,
            digits: 13.0,
        },
    );
}

#[test]
fn pontius_quadratic() {
    let squares: Vec<f64> = PONTIUS_X.iter().map(|x| x * x).collect();
    assert_fit(
        &least_squares(&[&PONTIUS_X, &squares], &PONTIUS_Y, Intercept::Fitted).unwrap(),
        &Certified {
            coefficients: &[
                0.673565789473684e-3,
                0.732059160401003e-6,
                -0.316081871345029e-14,
            ],
            standard_errors: &[
                0.107938612033077e-3,
                0.157817399981659e-9,
                0.486652849992036e-16,
            ],
            residual_sd: 0.205177424076185e-3,
            r_squared: 0.999999900178537,
            sse: 0.155761768796992e-5,
            degrees_of_freedom: 37,
            digits: 11.0,
        },
    );
}

#[test]
fn longley_nearly_collinear() {
    let columns: Vec<&[f64]> = LONGLEY_X.iter().map(|c| &c[..]).collect();
    assert_fit(
        &least_squares(&columns, &LONGLEY_Y, Intercept::Fitted).unwrap(),
        &Certified {
            coefficients: &[
                -3482258.63459582,
                15.0618722713733,
                -0.0358191792925910,
                -2.02022980381683,
                -1.03322686717359,
                -0.0511041056535807,
                1829.15146461355,
            ],
            standard_errors: &[890420.383607373],
            residual_sd: 304.854073561965,
            r_squared: 0.995479004577296,
            sse: 836424.055505915,
            degrees_of_freedom: 9,
            digits: 11.0,
        },
    );
}

#[test]
fn a_column_with_one_value_does_not_cancel() {
    // By hand: only the first value is explained, 2 times 1.5.
    let fit = least_squares(&[&[2.0, 0.0, 0.0]], &[3.0, 1.0, 1.0], Intercept::Zero).unwrap();
    assert_digits(fit.coefficients[0], 1.5, 15.0);
    assert_digits(fit.sse, 2.0, 15.0);
}

#[test]
fn what_cannot_be_fitted_is_none() {
    let x = [1.0, 2.0, 3.0, 4.0];
    let y = [2.0, 4.0, 5.0, 9.0];
    assert_eq!(least_squares(&[], &y, Intercept::Fitted), None);
    assert_eq!(line(&x[..2], &y[..2]), None, "no degrees of freedom");
    assert_eq!(line(&x, &y[..3]), None, "lengths differ");
    assert_eq!(line(&[0.1; 4], &y), None, "all at one x");
    let twice: Vec<f64> = x.iter().map(|v| 0.3 * v + 7.0).collect();
    assert_eq!(least_squares(&[&x, &twice], &y, Intercept::Fitted), None);
    let flat = least_squares(&[&x], &[3.0; 4], Intercept::Fitted).unwrap();
    assert_eq!(flat.r_squared, None);
    assert_eq!(flat.coefficients, [3.0, 0.0]);
}

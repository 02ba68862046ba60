use super::{assert_digits, assert_near};
use poolproof::stats::quantile::{Definition, quantile};

const ALL: [Definition; 3] = [
    Definition::InverseCdf,
    Definition::Weibull,
    Definition::Linear,
];

#[test]
fn handbook_example_by_each_definition() {
    // Source: NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.6.2 (90th percentile
    // 95.1981, by (n+1)p); types 1 and 7 from numpy's `quantile`.
    let mut values = [
        95.1772, 95.1567, 95.1937, 95.1959, 95.1442, 95.0610, 95.1591, 95.1195, 95.1065, 95.0925,
        95.1990, 95.1682,
    ];
    values.sort_unstable_by(f64::total_cmp);
    for (definition, expected) in ALL.into_iter().zip([95.195900, 95.198070, 95.195680]) {
        let found = quantile(&values, 0.9, definition).unwrap();
        assert_near(found, expected, 1e-9);
    }
}

#[test]
fn one_to_ten_by_each_definition() {
    // Source: numpy's `quantile` with the methods inverted_cdf, weibull and linear.
    let values: Vec<f64> = (1..=10).map(f64::from).collect();
    let at = [0.05, 0.10, 0.25, 0.50, 0.75, 0.90, 0.95, 0.99];
    let table = [
        [1.0, 1.0, 3.0, 5.0, 8.0, 9.0, 10.0, 10.0],
        [1.0, 1.1, 2.75, 5.5, 8.25, 9.9, 10.0, 10.0],
        [1.45, 1.9, 3.25, 5.5, 7.75, 9.1, 9.55, 9.91],
    ];
    for (definition, row) in ALL.into_iter().zip(table) {
        for (p, expected) in at.into_iter().zip(row) {
            let found = quantile(&values, p, definition).unwrap();
            assert_digits(found, expected, 14.0);
        }
    }
}

#[test]
fn a_product_that_rounds_up_does_not_skip_a_value() {
    // 0.07 * 100 is 7.000000000000001 in binary; the 7th of 100 values holds 7 % of them.
    let values: Vec<f64> = (1..=100).map(f64::from).collect();
    assert_eq!(quantile(&values, 0.07, Definition::InverseCdf), Some(7.0));
}

#[test]
fn ends_and_undefined() {
    for definition in ALL {
        assert_eq!(quantile(&[1.0, 2.0, 4.0], 0.0, definition), Some(1.0));
        assert_eq!(quantile(&[1.0, 2.0, 4.0], 1.0, definition), Some(4.0));
        assert_eq!(quantile(&[5.0], 0.3, definition), Some(5.0));
        assert_eq!(quantile(&[], 0.5, definition), None);
        assert_eq!(quantile(&[1.0], 1.01, definition), None);
        assert_eq!(quantile(&[1.0], f64::NAN, definition), None);
        assert!(definition.name().contains("Hyndman-Fan type"));
    }
}

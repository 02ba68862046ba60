use super::{assert_digits, assert_near};
use poolproof::stats::interval::{clopper_pearson, none_seen_bound};

#[test]
fn published_examples() {
    // R. G. Newcombe, "Two-sided confidence intervals for the single proportion",
    // Statistics in Medicine 17 (1998), table I, exact method (from memory; scipy 1.17.1
    // agrees).
    let rows = [
        (81, 263, 0.2527, 0.3676),
        (15, 148, 0.0578, 0.1617),
        (0, 20, 0.0, 0.1684),
        (1, 29, 0.0009, 0.1776),
    ];
    for (yes, trials, low, high) in rows {
        let found = clopper_pearson(yes, trials, 0.95).unwrap();
        assert_near(found.low, low, 5.1e-5);
        assert_near(found.high, high, 5.1e-5);
    }
}

#[test]
fn from_few_trials_to_a_million() {
    // scipy 1.17.1, quantiles of the beta distribution.
    let rows = [
        (1, 10, 0.95, 0.0025285785444617865, 0.4450161170281954),
        (5, 10, 0.95, 0.18708602844739855, 0.8129139715526015),
        (15, 100, 0.9, 0.0947940116746474, 0.22153690831851133),
        (
            3,
            100_000,
            0.99,
            3.3786619663850127e-6,
            0.00010977039641065204,
        ),
        (
            500_000,
            1_000_000,
            0.95,
            0.49901951919531184,
            0.5009804808046882,
        ),
    ];
    for (yes, trials, confidence, low, high) in rows {
        let found = clopper_pearson(yes, trials, confidence).unwrap();
        assert_digits(found.low, low, 9.0);
        assert_digits(found.high, high, 9.0);
        let mirrored = clopper_pearson(trials - yes, trials, confidence).unwrap();
        assert_digits(mirrored.low, 1.0 - high, 9.0);
    }
}

#[test]
fn none_and_all() {
    // By hand: the bound solves (1 - p)^10 = 0.025.
    let none = clopper_pearson(0, 10, 0.95).unwrap();
    assert_eq!(none.low, 0.0);
    assert_digits(none.high, 1.0 - 0.025_f64.powf(0.1), 12.0);
    let all = clopper_pearson(10, 10, 0.95).unwrap();
    assert_eq!(all.high, 1.0);
    assert_digits(all.low, 0.025_f64.powf(0.1), 12.0);
    assert_eq!(clopper_pearson(0, 0, 0.95), None);
    assert_eq!(clopper_pearson(3, 2, 0.95), None);
    assert_eq!(clopper_pearson(1, 2, 1.0), None);
}

#[test]
fn rule_of_three() {
    // 3/n of Hanley and Lippman-Hand (1983). As -ln 0.05 is 2.9957, the rule errs to the
    // safe side, by less than 3 % from 60 trials on.
    for trials in [60, 300, 10_000, 1_000_000_000] {
        let found = none_seen_bound(trials, 0.95).unwrap();
        let rule = 3.0 / trials as f64;
        assert!(found < rule && found > 0.97 * rule, "{trials}: {found}");
    }
    // scipy 1.17.1.
    assert_digits(none_seen_bound(10, 0.95).unwrap(), 0.25886555, 7.5);
    let two_sided = clopper_pearson(0, 300, 0.9).unwrap();
    assert_digits(none_seen_bound(300, 0.95).unwrap(), two_sided.high, 10.0);
    assert_eq!(none_seen_bound(0, 0.95), None);
    assert_eq!(none_seen_bound(5, 0.0), None);
}

//! The statistics room on a study's own tables against scipy and statsmodels.

use std::collections::BTreeMap;
use std::fs;

use poolproof::stats::interval::clopper_pearson;
use poolproof::stats::mixture::{Components, Limits, fit};
use poolproof::stats::regression::{Intercept, Target, least_squares, line};
use poolproof::stats::theil_sen::theil_sen;
use poolproof::study::LatencyLog;
use serde_json::Value;

use super::{EXAMPLE, assert_equal, python, reference};

/// Trials whose latencies are fitted: two of which a cache served a tenth, two that it did not.
const MIXED: [&str; 4] = ["1", "3", "17", "125"];

#[test]
fn lines_shares_and_mixtures_are_those_of_scipy_and_statsmodels() {
    let Some(python) = python() else {
        return;
    };
    let args = [&[EXAMPLE][..], &MIXED].concat();
    let told = reference(&python, "tables.py", &args);
    lines(&told);
    shares(&told["shares"]);
    mixtures(&told["mixtures"]);
}

/// The columns of a table of the example, row by row.
fn rows<const N: usize>(table: &str, columns: [&str; N]) -> Vec<[String; N]> {
    let mut table = csv::Reader::from_path(format!("{EXAMPLE}/{table}")).unwrap();
    let heads = table.headers().unwrap().clone();
    let places = columns.map(|name| heads.iter().position(|head| head == name).unwrap());
    let cells = |row: csv::StringRecord| places.map(|place| row[place].to_owned());
    table.records().map(|row| cells(row.unwrap())).collect()
}

fn numbers(told: &Value) -> Vec<f64> {
    let told = told.as_array().unwrap();
    told.iter().map(|value| value.as_f64().unwrap()).collect()
}

#[track_caller]
fn all_equal(what: &str, found: &[f64], told: &Value, tolerance: f64) {
    let expected = numbers(told);
    assert_eq!(found.len(), expected.len(), "{what}");
    for (index, (found, expected)) in found.iter().zip(expected).enumerate() {
        assert_equal(&format!("{what}, {index}"), *found, expected, tolerance);
    }
}

/// Through the readings of the reshape while it ran, their times cut to whole seconds.
fn lines(told: &Value) {
    let readings = rows("progress.csv", ["at", "state", "fraction"]);
    let running = readings.iter().filter(|[_, state, _]| state == "running");
    let (at, y): (Vec<i64>, Vec<f64>) = running
        .map(|[at, _, fraction]| {
            let at: jiff::Timestamp = format!("{}Z", &at[..19]).parse().unwrap();
            (at.as_second(), fraction.parse::<f64>().unwrap())
        })
        .unzip();
    let x: Vec<f64> = at.iter().map(|each| (each - at[0]) as f64).collect();
    assert_eq!(told["readings"], x.len());

    let each = |values: &[f64]| values.iter().step_by(4).copied().collect::<Vec<_>>();
    let robust = theil_sen(&each(&x), &each(&y), 0.95).unwrap();
    let interval = robust.interval.unwrap();
    let found = [robust.slope, robust.intercept, interval.low, interval.high];
    // Medians and ranks of the same slopes: only the rounding of a sum may differ.
    all_equal("Theil-Sen", &found, &told["theil_sen"], 1e-12);

    let fit = least_squares(&[&x], &y, Intercept::Fitted).unwrap();
    let found = [
        fit.coefficients[0],
        fit.coefficients[1],
        fit.standard_errors[1],
        fit.r_squared.unwrap(),
        fit.residual_sd,
    ];
    // QR here, a pseudo-inverse there, seconds in the hundred thousands.
    all_equal("least squares", &found, &told["least_squares"], 1e-9);

    let line = line(&x, &y).unwrap();
    let beyond = 1.5 * x[x.len() - 1];
    let at = |target| line.at(beyond, target, 0.8).unwrap();
    let (one, mean) = (at(Target::Observation), at(Target::Mean));
    let found = [
        one.value,
        one.interval.low,
        one.interval.high,
        mean.interval.low,
        mean.interval.high,
    ];
    all_equal("prediction", &found, &told["prediction"], 1e-9);
}

/// Clopper and Pearson's bounds of the share of slow seconds of each trial.
fn shares(told: &Value) {
    let mut counted: BTreeMap<String, (u64, u64)> = BTreeMap::new();
    for [trial, worst] in rows("windows.csv", ["trial", "max_ns"]) {
        let (slow, all) = counted.entry(trial).or_default();
        *slow += u64::from(worst.parse().is_ok_and(|worst: u64| worst >= 50_000_000));
        *all += 1;
    }
    assert_eq!(told.as_object().unwrap().len(), counted.len());
    let mut between = 0;
    for (trial, (slow, all)) in counted {
        let bounds = clopper_pearson(slow, all, 0.95).unwrap();
        let found = [slow as f64, all as f64, bounds.low, bounds.high];
        all_equal(
            &format!("share of trial {trial}"),
            &found,
            &told[&trial],
            1e-9,
        );
        between += usize::from(slow > 0 && slow < all);
    }
    assert!(between >= 10, "bounds that are neither 0 nor 1: {between}");
}

/// Two log-normals by EM here, by a quasi-Newton search of the likelihood there.
fn mixtures(told: &Value) {
    let log = fs::read(format!("{EXAMPLE}/latency.hlog")).unwrap();
    let log = LatencyLog::parse(&log).unwrap();
    let mut of_two = 0;
    for trial in MIXED {
        let latency = log.get(trial.parse().unwrap()).unwrap().unwrap();
        let values: Vec<(f64, u64)> = latency
            .iter_recorded()
            .map(|value| (value.value_iterated_to() as f64, value.count_at_value()))
            .collect();
        let told = &told[trial];
        assert_eq!(told["count"], latency.len());
        let mixture = fit(&values, &Limits::for_resolution(0.001)).unwrap();
        let [one, two] = numbers(&told["bic"])[..] else {
            panic!("{told}")
        };
        assert_equal(
            &format!("trial {trial}, one part"),
            mixture.bic_one,
            one,
            1e-9,
        );
        let Components::Two {
            fast,
            slow,
            share_fast,
            ..
        } = mixture.components
        else {
            // Of what is not taken for two parts, each search may have met another maximum.
            assert!(told["two"] == false || two >= one, "trial {trial}: {told}");
            continue;
        };
        // Either search may end a little below the top.
        let found = mixture.bic_two;
        assert!(
            (found - two).abs() < 0.01,
            "trial {trial}: {found} here, {two} there"
        );
        of_two += 1;
        assert_eq!(told["two"], true, "trial {trial}");
        let found = [
            share_fast,
            fast.mean_log,
            fast.sd_log,
            slow.mean_log,
            slow.sd_log,
        ];
        // The likelihood is flat at its top: a hundredth of a percent in it is a percent in a width.
        all_equal(
            &format!("parts of trial {trial}"),
            &found,
            &told["parts"],
            0.01,
        );
    }
    assert!(of_two >= 2, "{of_two} fits of two parts");
}

//! `compare --json` against numpy and scipy, figure by figure.

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;

use serde_json::Value;

use super::{EXAMPLE, apart, python, reference};
use crate::support::poolproof;

/// By how much a figure may differ, as a part of it.
fn tolerance(figure: &str) -> f64 {
    match figure {
        // Closed forms in another order of additions; logs and exponentials lose three digits.
        "median_bytes_per_s" | "spread" | "ratio" | "hodges_lehmann" | "low" | "high" | "p"
        | "degrees_of_freedom" | "standard_error_log" => 1e-11,
        // Halved down to nine digits here.
        "smallest_provable" => 1e-8,
        // 2,000 random samples here, 20,000 there; medians of five sittings take few values, and an end may
        // fall on the next one.
        "bootstrap" => 0.025,
        other => panic!("no tolerance is stated for {other}"),
    }
}

/// The figure of a name such as `large-read.after_before.welch.low`; `None` where it is null.
fn figure(comparison: &Value, name: &str) -> Option<f64> {
    let mut words = name.split('.');
    let workload = words.next()?;
    let all = comparison["workloads"].as_array()?;
    let row = all.iter().find(|row| row["workload"] == workload)?;
    words.fold(row, |value, word| &value[word]).as_f64()
}

/// What differs, and the last words of what is null here.
fn differing(comparison: &Value, told: &Value) -> (Vec<String>, BTreeSet<String>) {
    let (mut wrong, mut absent) = (Vec::new(), BTreeSet::new());
    for (name, expected) in told.as_object().unwrap() {
        let (front, last) = name.rsplit_once('.').unwrap();
        let word = if front.ends_with("bootstrap") {
            "bootstrap"
        } else {
            last
        };
        let expected = expected.as_f64().unwrap();
        let Some(found) = figure(comparison, name) else {
            absent.insert(name.rsplit('.').take(2).collect::<Vec<_>>().join(" of "));
            continue;
        };
        // Not a number is never equal.
        if !(found == expected || apart(found, expected) <= tolerance(word)) {
            wrong.push(format!("{name}: {found} here, {expected} there"));
        }
    }
    (wrong, absent)
}

/// The example with other numbers of sittings in `trials.csv`.
fn renumbered(folder: &Path, sitting: fn(u64) -> u64) {
    fs::create_dir(folder.join("facts")).unwrap();
    for from in ["", "facts"] {
        for entry in fs::read_dir(Path::new(EXAMPLE).join(from)).unwrap() {
            let path = entry.unwrap().path();
            if path.is_file() {
                fs::copy(&path, folder.join(from).join(path.file_name().unwrap())).unwrap();
            }
        }
    }
    let table = fs::read_to_string(folder.join("trials.csv")).unwrap();
    let mut lines = table.lines();
    let mut changed = format!("{}\n", lines.next().unwrap());
    for line in lines {
        let [trial, old, rest] = line.splitn(3, ',').collect::<Vec<_>>()[..] else {
            panic!("{line}")
        };
        let new = sitting(old.parse().unwrap());
        changed += &format!("{trial},{new},{rest}\n");
    }
    fs::write(folder.join("trials.csv"), changed).unwrap();
}

/// Compares a study with `sitting` in place of its sittings; the names of what is null.
fn check(sitting: fn(u64) -> u64, figures: usize) -> Option<BTreeSet<String>> {
    let python = python()?;
    let folder = tempfile::tempdir().unwrap();
    renumbered(folder.path(), sitting);
    let study = folder.path().to_str().unwrap();
    let printed = poolproof(&["compare", study, "--json"]);
    let file = folder.path().join("comparison.json");
    fs::write(&file, &printed).unwrap();
    let told = reference(&python, "compared.py", &[study, file.to_str().unwrap()]);
    assert_eq!(told.as_object().unwrap().len(), figures);
    let comparison: Value = serde_json::from_str(&printed).unwrap();
    let (wrong, absent) = differing(&comparison, &told);
    assert_eq!(wrong, Vec::<String>::new());

    // The check can fail: a millionth more in one figure is noticed.
    let mut other = comparison;
    let ratio = &mut other["workloads"][0]["after_before"]["ratio"];
    *ratio = Value::from(ratio.as_f64().unwrap() * (1.0 + 1e-6));
    let (wrong, _) = differing(&other, &told);
    assert!(
        matches!(&wrong[..], [one] if one.contains("after_before.ratio")),
        "{wrong:?}"
    );
    Some(absent)
}

/// Figures of six workloads: four of each of three phases, eleven of each of two contrasts.
const ALL: usize = 6 * (3 * 4 + 2 * 11);

/// Five sittings in each phase: Welch's interval of sitting means; the permutation test is exact.
#[test]
fn figures_of_many_sittings_are_those_of_numpy_and_scipy() {
    if let Some(absent) = check(|sitting| sitting, ALL) {
        assert_eq!(absent, BTreeSet::new());
    }
}

/// Two sittings in each phase: Student's interval, never surer than Welch's.
#[test]
fn figures_of_two_sittings_are_those_of_numpy_and_scipy() {
    if let Some(absent) = check(
        |sitting| (sitting - 1) / 5 * 5 + 1 + (sitting - 1) % 5 / 3,
        ALL,
    ) {
        let too_few = ["high of bootstrap", "low of bootstrap", "p of permutation"];
        assert_eq!(absent, too_few.map(str::to_owned).into());
    }
}

/// Five sittings before and one in each other phase: no surer than the scatter of trials.
#[test]
fn figures_of_a_single_sitting_after_many_are_those_of_numpy_and_scipy() {
    let single = |sitting| {
        if sitting <= 5 {
            sitting
        } else {
            (sitting - 1) / 5 * 5 + 1
        }
    };
    // Without the three that are resampled.
    if let Some(absent) = check(single, ALL - 6 * 2 * 3) {
        assert_eq!(absent, BTreeSet::new());
    }
}

/// One sitting in each phase: trials are the unit.
#[test]
fn figures_of_one_sitting_are_those_of_numpy_and_scipy() {
    if let Some(absent) = check(|sitting| (sitting - 1) / 5 * 5 + 1, ALL) {
        assert_eq!(absent, BTreeSet::new());
    }
}

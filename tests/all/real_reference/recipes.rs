//! README's ways to read a study with other tools, run as they stand there.

use std::fs;
use std::os::unix::fs::symlink;

use serde_json::Value;

use super::{EXAMPLE, HERE, assert_equal, python};
use crate::support::poolproof;

#[test]
fn the_recipes_of_readme_find_what_the_program_says() {
    let Some(python) = python() else {
        return;
    };
    let folder = tempfile::tempdir().unwrap();
    let printed = poolproof(&["compare", EXAMPLE, "--json"]);
    fs::write(folder.path().join("comparison.json"), &printed).unwrap();
    symlink(EXAMPLE, folder.path().join("scans")).unwrap();
    let output = std::process::Command::new(python)
        .arg(format!("{HERE}/recipes.py"))
        .arg(concat!(env!("CARGO_MANIFEST_DIR"), "/README.md"))
        .current_dir(folder.path())
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{said}");
    let told = String::from_utf8(output.stdout).unwrap();
    // What the recipes print comes first.
    let told: Value = serde_json::from_str(told.lines().last().unwrap()).unwrap();
    assert_eq!(told["recipes"], 3);
    tables(&told, &serde_json::from_str(&printed).unwrap());
    histograms(&told["latency"]);
}

/// Medians by both readers are those of `compare --json`, sittings have the trials that `show` tells,
/// and columns have types without being told.
fn tables(told: &Value, comparison: &Value) {
    for reader in ["duckdb", "pandas"] {
        let rows = told[reader].as_array().unwrap();
        assert_eq!(rows.len(), 18, "{reader}: six workloads in three phases");
        for row in rows {
            let (workload, phase) = (row[0].as_str().unwrap(), row[1].as_str().unwrap());
            let all = comparison["workloads"].as_array().unwrap();
            let found = all
                .iter()
                .find(|each| each["workload"] == workload)
                .unwrap();
            let group = &found[phase];
            let what = format!("{reader}, {workload} {phase}");
            let trials = group["trials"].as_array().unwrap().len();
            assert_eq!(row[2], trials, "{what}");
            let median = group["drives"]["median_bytes_per_s"].as_f64().unwrap();
            assert_equal(&what, median, row[3].as_f64().unwrap(), 1e-14);
        }
    }
    let shown = poolproof(&["show", EXAMPLE]);
    let sittings: Vec<u64> = shown
        .lines()
        .filter_map(|line| {
            line.split_once(" trials, of ")?
                .0
                .rsplit(' ')
                .next()?
                .parse()
                .ok()
        })
        .collect();
    assert_eq!(told["trials_by_sitting"], Value::from(sittings));
    let windows = fs::read_to_string(format!("{EXAMPLE}/windows.csv")).unwrap();
    for reader in ["windows", "windows_in_parquet"] {
        assert_eq!(told[reader], windows.lines().count() - 1, "{reader}");
    }
    for (column, kind) in [
        ("started", "UTC"),
        ("simulated", "bool"),
        // Large reads are too few in some trials for this one, which is empty there.
        ("p99_ns", "float64"),
    ] {
        assert_eq!(told["types"][column], kind, "pandas: {column}");
    }
    for (column, kind) in [
        ("started", "TIMESTAMP WITH TIME ZONE"),
        ("steady", "BOOLEAN"),
        ("seconds", "DOUBLE"),
        ("p99_ns", "BIGINT"),
        ("tags", "VARCHAR"),
    ] {
        assert_eq!(told["duckdb_types"][column], kind, "DuckDB: {column}");
    }
}

/// Counts and percentiles that the other implementation finds in `latency.hlog` are, to the
/// nanosecond, those in `trials.csv`.
fn histograms(told: &Value) {
    let mut table = csv::Reader::from_path(format!("{EXAMPLE}/trials.csv")).unwrap();
    let heads = table.headers().unwrap().clone();
    let columns = ["operations", "p50_ns", "p95_ns", "p99_ns", "max_ns"];
    let places = columns.map(|name| heads.iter().position(|head| head == name).unwrap());
    let mut compared = 0;
    for row in table.records() {
        let row = row.unwrap();
        let found = &told[format!("trial-{}", &row[0])];
        for (column, place) in places.into_iter().enumerate() {
            // Of too few operations no percentile is told here.
            let Ok(expected) = row[place].parse::<u64>() else {
                assert!(columns[column].starts_with('p') && row[place].is_empty());
                continue;
            };
            assert_eq!(found[column], expected, "trial {}", &row[0]);
        }
        compared += 1;
    }
    assert_eq!(compared, 180);
    assert_eq!(told.as_object().unwrap().len(), compared);
}

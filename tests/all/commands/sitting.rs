//! What sittings leave, and what becomes of it.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::process::Command;

use super::{NEW, Place, SHORT, start, stderr, wait_for_rows};

#[test]
fn a_sitting_leaves_rows_windows_latencies_and_facts() {
    let place = Place::new();
    place.ok(NEW);
    let summary = place.ok(&format!("{SHORT} --phase before --tag hour=quiet"));
    assert!(summary.contains("small-read-deep"), "{summary}");
    let trials = place.rows("trials.csv");
    let names: BTreeSet<&str> = trials
        .iter()
        .map(|trial| trial["workload"].as_str())
        .collect();
    assert_eq!((trials.len(), names.len()), (6, 6));
    let windows = place.rows("windows.csv");
    for trial in &trials {
        assert_eq!(
            (trial["state"].as_str(), trial["tags"].as_str()),
            ("complete", "hour=quiet")
        );
        assert!(trial["rate_bytes_per_s"].parse::<f64>().unwrap() > 0.0);
        assert_eq!(
            trial["flush_seconds"].is_empty(),
            trial["read_percent"] == "100"
        );
        let facts = place
            .study()
            .join("facts")
            .join(format!("{}.toml", trial["facts"]));
        assert!(facts.is_file());
        let of_trial = windows
            .iter()
            .filter(|window| window["trial"] == trial["trial"]);
        let bytes: u64 = of_trial
            .map(|w| {
                w["read_bytes"].parse::<u64>().unwrap() + w["written_bytes"].parse::<u64>().unwrap()
            })
            .sum();
        assert!(bytes > 0 && bytes <= trial["bytes"].parse().unwrap());
    }
    let log = fs::read_to_string(place.study().join("latency.hlog")).unwrap();
    assert_eq!(
        log.lines()
            .filter(|line| line.starts_with("Tag=trial-")
                && line.split(',').next().unwrap().matches('-').count() == 1)
            .count(),
        6
    );
    let (found, listed) = place.laid_down();
    assert!(listed.is_subset(&found), "{listed:?} {found:?}");
    // The data is there: the next sitting lays nothing down, and goes on where this one stopped.
    let again = place.run(&format!("{SHORT} --phase before --workload large-read"));
    assert!(
        !stderr(&again).contains("laying down"),
        "{}",
        stderr(&again)
    );
    let (first, second) = (&trials, place.rows("trials.csv"));
    let first = first
        .iter()
        .find(|trial| trial["workload"] == "large-read")
        .unwrap();
    assert_eq!(
        second.last().unwrap()["first_operation"],
        first["next_operation"]
    );
}

/// A study as format 3 left it: `study.toml` without a set, `trials.csv` with the names of that time.
#[test]
fn an_older_study_goes_on_with_the_set_that_it_was_begun_with() {
    let place = Place::new();
    place.ok(NEW);
    place.ok(&format!(
        "{SHORT} --phase before --workload small-read-deep"
    ));
    let study = place.study();
    let (toml, csv) = (study.join("study.toml"), study.join("trials.csv"));
    let config = fs::read_to_string(&toml).unwrap();
    let (older, _) = config.split_once("\n[run]").unwrap();
    fs::write(&toml, older.replace("format = 4", "format = 3") + "\n").unwrap();
    let table = fs::read_to_string(&csv)
        .unwrap()
        .replacen("submission", "engine", 2);
    fs::write(&csv, table).unwrap();
    place.ok(&format!(
        "{SHORT} --phase before --workload small-read-deep"
    ));
    let config = fs::read_to_string(&toml).unwrap();
    for line in [
        "format = 4",
        "trials = 5",
        "seconds = 30",
        "depth = 32",
        "block = \"1 MiB\"",
    ] {
        assert!(config.contains(line), "{line}: {config}");
    }
    let rows = place.rows("trials.csv");
    let of = |column: &str| {
        rows.iter()
            .map(|row| row[column].as_str())
            .collect::<Vec<_>>()
    };
    assert_eq!(of("block_bytes"), ["16384", "4096"]);
    assert_eq!(of("depth"), ["24", "32"]);
    assert!(
        of("submission")
            .iter()
            .all(|word| ["ring", "threads"].contains(word))
    );
}

#[test]
fn removed_options_are_refused_with_the_new_one() {
    let place = Place::new();
    place.ok(NEW);
    let why = place.fails("measure scans --phase before --engine ring", 2);
    assert_eq!(
        why.trim(),
        "error: --engine is now --submit, as --submit threads or --submit ring"
    );
}

#[test]
fn what_was_measured_is_shown_compared_reported_and_cleaned() {
    let place = Place::new();
    place.ok(NEW);
    let measure = "measure scans --size 64MiB --seconds 1 --trials 3 --workload small-read";
    place.ok(&format!("{measure} --phase before"));
    place.ok(&format!("{measure} --phase after"));
    assert!(place.ok("show scans").contains("before"));
    assert!(place.ok("compare scans").contains("small-read"));
    let json: serde_json::Value = serde_json::from_str(&place.ok("compare scans --json")).unwrap();
    assert!(json.is_object());
    let csv = place.ok("compare scans --csv");
    let mut reader = csv::Reader::from_reader(csv.as_bytes());
    let row: BTreeMap<String, String> = reader.deserialize().next().unwrap().unwrap();
    let void = row["verdict"] == "void";
    for column in ["ratio", "low", "high"] {
        let cell = &row[&format!("after_before_{column}")];
        match void {
            true => assert!(cell.is_empty(), "{row:?}"),
            false => assert!(cell.parse::<f64>().unwrap() > 0.0, "{row:?}"),
        }
        assert!(row[&format!("during_before_{column}")].is_empty());
    }
    // What it is depends on the machine: its cache may have served so little data, in some trials or all.
    let verdicts = [
        "gain",
        "loss",
        "no provable change",
        "not shown to be the drives'",
        "not believed",
        "not enough trials",
        "void",
    ];
    assert!(verdicts.contains(&row["verdict"].as_str()), "{row:?}");
    let page = place.ok("report scans");
    assert!(page.contains("report.html"), "{page}");
    let html = fs::read_to_string(place.study().join("reports/report.html")).unwrap();
    assert!(html.contains("small-read") && !html.contains("SIMULATED"));

    let cleaned = place.ok("clean scans");
    assert!(cleaned.contains("its folder is gone"), "{cleaned}");
    assert_eq!(fs::read_dir(place.share()).unwrap().count(), 0);
    assert!(
        place.ok("compare scans").contains("small-read"),
        "the study stays"
    );
    assert!(place.ok("clean scans").contains("no test data"));
    // New test data never repeats content that was there before: file numbers go on.
    let before: u64 = 24;
    place.ok(&format!("{measure} --phase after"));
    let (found, _) = place.laid_down();
    let numbers = found
        .iter()
        .filter_map(|name| name.split(['-', '.']).nth(1)?.parse::<u64>().ok());
    assert!(numbers.min().unwrap() >= before, "{found:?}");
}

#[test]
fn more_files_than_the_usual_limit_are_opened() {
    let place = Place::new();
    place.ok(NEW);
    place.ok(&format!("{SHORT} --phase before --workload large-read"));
    let program = env!("CARGO_BIN_EXE_poolproof");
    let line = format!(
        "ulimit -S -n 256; exec {program} measure scans --size 512MiB --seconds 1 --trials 1 --phase before --workload large-read"
    );
    let shell = ["-c", &line];
    let output = Command::new("bash")
        .args(shell)
        .current_dir(place.folder.path())
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
}

/// Whoever asks what is next hears the same, wherever it is asked.
#[test]
fn every_command_names_the_same_next_step() {
    let place = Place::new();
    place.ok(NEW);
    let measured = place.ok(&format!("{SHORT} --phase before --workload small-read"));
    let now = |text: &str| {
        let (_, now) = text.split_once("\nNow\n").expect(text);
        now.split("\n\n").next().unwrap().trim_end().to_owned()
    };
    let next = now(&measured);
    assert!(
        next.starts_with("  · measure before: run `poolproof measure scans --phase before`"),
        "{next}"
    );
    for command in ["scans", "next scans", "compare scans"] {
        assert_eq!(now(&place.ok(command)), next, "{command}");
    }
    let words = |text: &str| text.split_whitespace().collect::<Vec<_>>().join(" ");
    let checked = place.run("check scans").stdout;
    let checked = String::from_utf8(checked).unwrap();
    let step = "Next: measure before: run `poolproof measure scans --phase before`";
    assert!(words(&checked).contains(step), "{checked}");
    // The verdict names it, and its line says how it is done.
    let report = place.ok("report scans");
    let told = words(&report);
    assert!(
        told.contains("Next: measure before (line 10 says how)."),
        "{report}"
    );
    let line = told.split("10 · What to do next: measure before ").nth(1);
    let line = line.unwrap_or_else(|| panic!("{report}"));
    assert!(
        line.contains("Run `poolproof measure scans --phase before`"),
        "{report}"
    );
}

/// A trial that was taken for the time before would spoil what the expansion is held against.
#[test]
fn nothing_is_measured_for_a_phase_that_is_over_by_the_record() {
    let place = Place::new();
    place.ok(NEW);
    place.ok("watch scans --at 40");
    let said = place.fails(&format!("{SHORT} --phase before"), 2);
    assert!(
        said.contains("the reshape began ") && said.contains("give --phase during"),
        "{said}"
    );
    place.ok(&format!("{SHORT} --phase during --workload small-read"));
    place.ok("watch scans --at 100");
    for phase in ["before", "during"] {
        let said = place.fails(&format!("{SHORT} --phase {phase}"), 2);
        assert!(
            said.contains("the reshape ended ") && said.contains("give --phase after"),
            "{phase}: {said}"
        );
    }
    assert_eq!(place.rows("trials.csv").len(), 1);
}

/// What follows the end is no cost of the reshape.
#[test]
fn a_sitting_beside_a_reshape_ends_with_it() {
    let place = Place::new();
    place.ok(NEW);
    place.ok("watch scans --at 40");
    let mut child = start(
        &place,
        "measure scans --size 64MiB --seconds 1 --trials 50 --phase during --workload small-read",
    );
    wait_for_rows(&place, 1);
    place.ok("watch scans --at 100");
    assert_eq!(child.wait().unwrap().code(), Some(0));
    let measured = place.rows("trials.csv").len();
    assert!((1..50).contains(&measured), "{measured}");
}

/// More data than the sittings read would have their trials count no more.
#[test]
fn a_sweep_after_a_sitting_of_a_stated_size_keeps_to_it() {
    let place = Place::new();
    place.ok(NEW);
    place.ok(&format!("{SHORT} --phase before --workload small-read"));
    let laid = || place.laid_down().1.len();
    let before = laid();
    let output = place.run("sweep scans --seconds 1");
    assert!(output.status.success());
    assert!(stderr(&output).contains("as in the sitting before: 64.0 MiB to read"));
    assert_eq!(laid(), before);
    assert!(!place.rows("sweep.csv").is_empty());
}

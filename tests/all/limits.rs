//! Every file of a study damaged in every way that its kind allows: one clear sentence with file, line
//! and column, no panic, and no memory or time for what is larger than any study.

use std::fs::{self, File};
use std::path::{Path, PathBuf};

use tempfile::TempDir;

use crate::support::program;

/// A copy of the example.
fn copy() -> (TempDir, PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    let study = folder.path().join("scans");
    let example = Path::new(env!("CARGO_MANIFEST_DIR")).join("reports/lighthouse-archive");
    fs::create_dir_all(study.join("facts")).unwrap();
    for from in ["", "facts"] {
        for entry in fs::read_dir(example.join(from)).unwrap() {
            let path = entry.unwrap().path();
            if path.is_file() {
                fs::copy(&path, study.join(from).join(path.file_name().unwrap())).unwrap();
            }
        }
    }
    for (name, head) in [
        (
            "checks.csv",
            "noted,done,side,item,result,by,note\n2026-03-02T08:00:00Z,2026-03-01T00:00:00Z,before,scrub,passed,the keeper,fine\n",
        ),
        (
            "progress.csv",
            "at,simulated,source,state,fraction,done,total,counts,speed_bytes_per_s,elapsed_s,probed,members_read_bytes,note\n2026-03-02T08:00:00Z,true,percent,running,0.5,,,,,,,,\n",
        ),
        (
            "probes.csv",
            "at,simulated,kind,reshape_fraction,reshape_fraction_per_h,seconds,period_s,operations,missed_operations,busy_fraction,rate_bytes_per_s,mean_ns,p50_ns,max_ns,next_operation,cause\n2026-03-02T08:00:00Z,true,probe-small,0.3,0.04,30,1.5,20,0,0.01,,4000000,3900000,9000000,20,\n",
        ),
    ] {
        fs::write(study.join(name), head).unwrap();
    }
    (folder, study)
}

/// What `show` says of the study, which cannot be read.
#[track_caller]
fn refused(study: &Path) -> String {
    let output = program()
        .args(["show", "--all"])
        .arg(study)
        .output()
        .unwrap();
    let said = String::from_utf8(output.stderr).unwrap();
    assert_eq!(output.status.code(), Some(3), "{said:.2000}");
    assert!(
        said.starts_with("error: ") && said.lines().count() == 1,
        "{said:.2000}"
    );
    assert!(said.len() < 2000, "{said:.2000}");
    said
}

/// `text` with the cell of `column` in its first row replaced.
fn with_cell(text: &str, column: &str, cell: &str) -> String {
    let mut reader = csv::Reader::from_reader(text.as_bytes());
    let head = reader.headers().unwrap().clone();
    let at = head
        .iter()
        .position(|name| name == column)
        .expect("the column is there");
    let mut writer = csv::Writer::from_writer(Vec::new());
    writer.write_record(&head).unwrap();
    for (index, record) in reader.records().enumerate() {
        let record = record.unwrap();
        let cells = record.iter().enumerate();
        let changed = cells.map(|(column, old)| {
            if index == 0 && column == at {
                cell
            } else {
                old
            }
        });
        writer.write_record(changed).unwrap();
    }
    String::from_utf8(writer.into_inner().unwrap()).unwrap()
}

/// Cells in place of words and dates, of which the column is not told.
const UNPLACED: [&str; 8] = [
    "9999-12-31T00:00:00Z",
    "tomorrow",
    "later",
    "perhaps",
    "burnt",
    "beside",
    "walking",
    "maybe",
];

#[test]
fn a_cell_that_no_study_has_is_told_with_file_line_and_column() {
    let (_folder, study) = copy();
    assert!(
        program()
            .arg("show")
            .arg(&study)
            .output()
            .unwrap()
            .status
            .success()
    );
    let long = "x".repeat(100_000);
    for (table, column, cell) in [
        ("trials.csv", "trial", "18446744073709551615"),
        ("trials.csv", "trial", "18446744073709551616"),
        ("trials.csv", "trial", "-1"),
        ("trials.csv", "seconds", "NaN"),
        ("trials.csv", "rate_bytes_per_s", "inf"),
        ("trials.csv", "rate_bytes_per_s", "-5"),
        ("trials.csv", "block_bytes", "0"),
        ("trials.csv", "depth", "4294967295"),
        ("trials.csv", "streams", "0"),
        ("trials.csv", "read_percent", "200"),
        ("trials.csv", "started", "9999-12-31T00:00:00Z"),
        ("trials.csv", "started", "tomorrow"),
        ("trials.csv", "phase", "later"),
        ("trials.csv", "state", "perhaps"),
        ("trials.csv", "direct", "maybe"),
        ("trials.csv", "p99_ns", "9223372036854775808"),
        ("trials.csv", "notes", &long),
        ("windows.csv", "window", "99999999999999"),
        ("windows.csv", "read_bytes", "18446744073709551615"),
        ("windows.csv", "warmup", "1"),
        ("observations.csv", "value", "1e999"),
        ("observations.csv", "trial", "18446744073709551615"),
        ("observations.csv", "name", &long),
        ("sweep.csv", "rate_bytes_per_s", "NaN"),
        ("sweep.csv", "sweep", "18446744073709551615"),
        ("testdata.csv", "event", "burnt"),
        ("testdata.csv", "folder", &long),
        ("checks.csv", "noted", "0001-01-01T00:00:00Z"),
        ("checks.csv", "side", "beside"),
        ("checks.csv", "note", &long),
        ("progress.csv", "at", "3000-01-01T00:00:00Z"),
        ("progress.csv", "state", "walking"),
        ("progress.csv", "note", &long),
        ("probes.csv", "seconds", "NaN"),
        ("probes.csv", "operations", "18446744073709551615"),
        ("probes.csv", "cause", &long),
    ] {
        let path = study.join(table);
        let text = fs::read_to_string(&path).unwrap();
        fs::write(&path, with_cell(&text, column, cell)).unwrap();
        let said = refused(&study);
        // Of a word or a date that is none, the table's reader tells the line alone.
        let place = match UNPLACED.contains(&cell) {
            true => format!("error: {table} line 2: "),
            false => format!("error: {table} line 2: column {column}: "),
        };
        assert!(said.starts_with(&place), "{said} is not at {place}");
        fs::write(&path, text).unwrap();
    }
}

#[test]
fn rows_heads_and_files_that_no_study_has_are_told() {
    let (_folder, study) = copy();
    for table in [
        "trials.csv",
        "windows.csv",
        "observations.csv",
        "sweep.csv",
        "testdata.csv",
        "checks.csv",
        "progress.csv",
        "probes.csv",
    ] {
        let path = study.join(table);
        let text = fs::read_to_string(&path).unwrap();
        let head = text.lines().next().unwrap();
        let wide = format!("{}x\n", "x,".repeat(300));
        let broad = format!("{head}\n\"{}\"\n", "x\n".repeat(1 << 20));
        let rubbish = format!("{head}\nrubbish\n");
        for (damaged, place) in [
            (rubbish.as_str(), "line 2: "),
            (wide.as_str(), "line 1: "),
            (broad.as_str(), "line 2: "),
        ] {
            fs::write(&path, damaged).unwrap();
            let said = refused(&study);
            assert!(
                said.starts_with(&format!("error: {table} {place}")),
                "{said}"
            );
        }
        fs::write(&path, [head.as_bytes(), b"\n\xff\xfe\n"].concat()).unwrap();
        assert!(refused(&study).contains(&format!("{table} line 2: ")));
        fs::write(&path, text).unwrap();
    }
    for name in [
        "study.toml",
        "trials.csv",
        "windows.csv",
        "observations.csv",
        "sweep.csv",
        "testdata.csv",
        "checks.csv",
        "progress.csv",
        "probes.csv",
        "latency.hlog",
    ] {
        let path = study.join(name);
        let text = fs::read(&path).unwrap();
        // Ten gigabytes that take no room on the disk.
        File::create(&path)
            .unwrap()
            .set_len(10_000_000_000)
            .unwrap();
        let said = refused(&study);
        assert!(
            said.contains(name) && said.contains("more than the"),
            "{said}"
        );
        fs::write(&path, text).unwrap();
    }
}

#[test]
fn other_files_that_no_study_has_are_told_with_their_place() {
    let (_folder, study) = copy();
    let config = study.join("study.toml");
    let text = fs::read_to_string(&config).unwrap();
    // Without its own tables, so that those below are read and not refused for standing there twice.
    let text = &text[..text.find("\n[").unwrap()];
    for (more, place) in [
        ("\nthreshold_percent = ", "line "),
        ("\n[server]\ntimeout_seconds = \"x\"\n", "column 19: "),
        ("\n[reshape]\nsource = \"oracle\"\n", "column 10: "),
        ("\n[[workload]]\nname = \"x\"\n", "column "),
        (
            "\n[pool]\nlevel = \"raid6\"\ndrives = 4294967296\n",
            "line ",
        ),
        ("\n\u{0}", "line "),
        (&"[a]\n[a.b]\n".repeat(10), "line "),
        (&format!("x = {}", "[".repeat(100_000)), "line "),
    ] {
        fs::write(&config, format!("{text}{more}")).unwrap();
        let said = refused(&study);
        assert!(
            said.starts_with("error: study.toml") && said.contains(place),
            "{said}"
        );
    }
    fs::write(&config, text).unwrap();

    let facts = fs::read_dir(study.join("facts"))
        .unwrap()
        .next()
        .unwrap()
        .unwrap()
        .path();
    let name = format!("facts/{}", facts.file_name().unwrap().to_str().unwrap());
    let text = fs::read_to_string(&facts).unwrap();
    fs::write(&facts, text.replace("mtu = ", "mtu = -")).unwrap();
    let said = refused(&study);
    assert!(said.contains(&name) && said.contains("line "), "{said}");
    File::create(&facts)
        .unwrap()
        .set_len(10_000_000_000)
        .unwrap();
    assert!(refused(&study).contains("more than the"));
    fs::write(&facts, text).unwrap();

    let log = study.join("latency.hlog");
    let text = fs::read_to_string(&log).unwrap();
    fs::write(&log, format!("{text}Tag=trial-1,1e999,x,y,z\n")).unwrap();
    assert!(refused(&study).contains("latency.hlog line "));
    // Damage within a line is told when the histogram is asked for, and spoils nothing else.
    fs::write(&log, text.replace("HISTF", "HISTG")).unwrap();
    assert!(
        program()
            .arg("compare")
            .arg(&study)
            .output()
            .unwrap()
            .status
            .success()
    );
}

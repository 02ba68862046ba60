//! `poolproof plan` as a person types it.

use std::fs;
use std::path::Path;
use std::process::Output;

use serde_json::Value;

fn run(words: &str) -> Output {
    run_in(Path::new("."), words)
}

fn run_in(folder: &Path, words: &str) -> Output {
    crate::support::program()
        .arg("plan")
        .args(words.split_whitespace())
        .current_dir(folder)
        .output()
        .unwrap()
}

/// Standard output of a plan that has to be made, its white space drawn together.
#[track_caller]
fn plan(words: &str) -> String {
    let output = run(words);
    assert_eq!(output.status.code(), Some(0), "{words}: {output:?}");
    let text = String::from_utf8(output.stdout).unwrap();
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

#[track_caller]
fn json(words: &str) -> Value {
    let output = run(&format!("{words} --json"));
    serde_json::from_slice(&output.stdout).unwrap()
}

/// The value of one figure.
#[track_caller]
fn figure<'a>(plan: &'a Value, item: &str, case: &str) -> &'a Value {
    let figures = plan["figures"].as_array().unwrap();
    let found = figures
        .iter()
        .find(|figure| figure["item"] == item && figure["case"] == case);
    &found.unwrap_or_else(|| panic!("{item}, {case}"))["value"]
}

/// Ends with `code` and says `why` on standard error, in lines that wrap.
#[track_caller]
fn fails(words: &str, code: i32, why: &str) {
    let output = run(words);
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(code), "{words}: {said}");
    let joined = said.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(joined.contains(why), "{words}: {said}");
    let torn = said.lines().find(|line| line.trim().contains("  "));
    assert_eq!(torn, None, "{words}: a run of spaces inside a line");
}

/// Common practice, no source: 4 TB shows as 3.64 TiB. Computed: RAID 5 of four 4 TB drives is
/// 12 TB = 10.9 TiB, of five 16 TB = 14.6 TiB.
#[test]
fn a_label_is_shown_in_both_units() {
    let text = plan("--pool raid5 --drives 4 --drive-size 4TB");
    for said in [
        "4.00 TB is 3.64 TiB: a unit, not a loss.",
        "12.0 TB 16.0 TB +4.00 TB",
        "10.9 TiB 14.6 TiB",
        "at least 4,000,000,000,000 bytes",
    ] {
        assert!(text.contains(said), "{said}: {text}");
    }
}

#[test]
fn without_a_pool_it_shows_an_example_and_says_so() {
    let output = run("--start 2026-03-06T17:00");
    let text = String::from_utf8(output.stdout).unwrap();
    assert!(
        text.starts_with("Plan: 4 drives in RAID 6 growing to 5"),
        "{text}"
    );
    assert!(String::from_utf8_lossy(&output.stderr).contains("an example"));
    assert!(text.contains("Fri 6 Mar 2026 17:00"), "{text}");
    for line in text.lines() {
        assert!(line.chars().count() <= 80, "{line}");
    }
    assert_eq!(run("--start 2026-03-06T17:00").stdout, text.as_bytes());
}

#[test]
fn what_should_not_be_done_is_refused_with_its_own_code() {
    for (words, why) in [
        (
            "--pool raid0 --drives 3 --drive-size 4TB",
            "should not be grown",
        ),
        (
            "--pool raid10 --drives 4 --drive-size 4TB",
            "RAID 10 grows by pairs",
        ),
        (
            "--pool raid6 --drives 4 --drive-size 6001175126016 --new-size 6001175126015",
            "at least 6001175126016 bytes",
        ),
        (
            "--pool raid6 --drives 4 --drive-size 6TB --external",
            "a single cable",
        ),
        (
            "--pool raid6 --drives 4 --drive-size 6TB --becoming raid5",
            "does not become",
        ),
    ] {
        fails(words, 7, why);
        assert!(run(words).stdout.is_empty(), "{words}");
    }
    let refused = json("--pool raid0 --drives 3 --drive-size 4TB --external");
    let reasons = refused["refused"].as_array().unwrap();
    assert_eq!(reasons.len(), 2);
    assert_eq!(reasons[1]["reason"], "one-cable");
}

#[test]
fn what_makes_no_sense_is_a_slip_of_the_finger() {
    for (words, why) in [
        ("--drives 4 --drive-size 4TB", "--pool"),
        ("--pool raid6 --drives 4", "--drive-size"),
        ("--pool raid6", "--drives"),
        (
            "--pool raid6 --drives 3 --drive-size 4TB",
            "at least 4 drives",
        ),
        (
            "--pool raid6 --drives 4 --drive-size 4TB --adding 0",
            "--adding",
        ),
        (
            "--pool raid6 --drives 99999999999 --drive-size 4TB",
            "more than a pool can have",
        ),
        ("--pool raid6 --drives 4 --drive-size 4T", "no clear unit"),
        ("--pool raid7 --drives 4 --drive-size 4TB", "raidz3"),
        (
            "--pool raid6 --drives 4 --drive-size 4TB --adding 1 --new-size 4TB,4TB",
            "different numbers",
        ),
        ("--used-percent 140", "--used-percent"),
        ("--read-error NaN", "--read-error"),
        ("--start tomorrow", "--start"),
        ("--reshape-share urgent", "from 1% to 100%, as 20%"),
        ("--priority low", "--priority is now --reshape-share"),
        ("--pool layered1", "is now uneven1"),
        ("--csv --json", "cannot be used with"),
    ] {
        fails(words, 2, why);
    }
    fails("no-such-study", 3, "no-such-study");
}

#[test]
fn a_mirror_gains_no_space_and_pairs_do() {
    assert!(plan("--pool raid1 --drives 2 --drive-size 4TB").contains("RAID 1 gains no space"));
    let pairs = json("--pool raid10 --drives 4 --drive-size 4TB --adding 2");
    assert_eq!(figure(&pairs, "usable", "before"), 8_000_000_000_000u64);
    assert_eq!(figure(&pairs, "usable", "after"), 12_000_000_000_000u64);
}

/// zpool-attach(8): old blocks keep their ratio: five-wide RAID-Z2 3 to 2, six-wide 4 to 2.
#[test]
fn layouts_of_unequal_drives_and_old_blocks() {
    let uneven = json("--pool uneven1 --sizes 4TB,4TB,8TB --new-size 8TB");
    let plain = json("--pool raid5 --sizes 4TB,4TB,8TB --new-size 8TB");
    assert_eq!(figure(&uneven, "usable", "after"), 16_000_000_000_000u64);
    assert_eq!(figure(&plain, "usable", "after"), 12_000_000_000_000u64);
    assert_eq!(figure(&plain, "wasted", "after"), 8_000_000_000_000u64);
    let raid_z = json("--pool raidz2 --drives 5 --drive-size 10TB --used-percent 100");
    assert_eq!(figure(&raid_z, "usable", "after"), 36_666_666_666_666u64);
    assert_eq!(
        figure(&raid_z, "usable", "after rewriting old data"),
        40_000_000_000_000u64
    );
}

/// Derived: 1 and 10 GbE carry 117.685 and 1237.553 MB/s of payload, the latter with an MTU of 9000.
#[test]
fn two_lines_tell_the_pool_from_one_user() {
    let slow = plan("--pool raid6 --drives 4 --drive-size 6TB");
    assert!(
        slow.contains("118 MB/s, as before: the link is full"),
        "{slow}"
    );
    let fast = "--pool raid6 --drives 4 --drive-size 6TB --link-gigabits 10 --mtu 9000";
    assert!(!plan(fast).contains("the link is full"));
    let fast = json(fast);
    let payload = figure(&fast, "link payload", "").as_f64().unwrap();
    assert!((payload / 1e6 - 1237.553).abs() < 1e-3, "{payload}");
    assert_eq!(figure(&fast, "large-read ratio", "Chen et al. 1994"), 1.25);
    assert_eq!(figure(&fast, "large-read ratio", "OSTEP ch. 38"), 1.5);
}

/// Common practice, no source: five 4 TB drives in RAID 5 grown by one that made way for its users took 27 h
/// 23 min.
#[test]
fn on_the_machine_of_the_pool_no_link_stands_between() {
    let text = plan("--pool raid5 --drives 4 --drive-size 6GiB --adding 1 --local");
    assert!(text.contains("no link stands between"), "{text}");
    // Small drives take minutes, and drives of the same size give no more space.
    assert!(!text.contains(" 0 h idle"), "{text}");
    assert!(text.contains("(no more space)"), "{text}");
    fails("--local --link-gigabits 10", 2, "--link-gigabits");
}

#[test]
fn the_likely_hours_are_those_of_the_trade() {
    let plan = json(
        "--pool raid5 --drives 5 --drive-size 4TB --reshape-share 20% --start 2026-03-03T09:00",
    );
    let hours = |case| figure(&plan, "expansion", case).as_f64().unwrap();
    let taken = 27.0 + 23.0 / 60.0;
    assert!(hours("best") < taken && taken < hours("worst"));
    assert!(
        (hours("likely") / taken - 1.0).abs() < 0.35,
        "{}",
        hours("likely")
    );
}

#[test]
fn every_assumption_is_listed_with_its_source_and_can_be_set() {
    let default = json("");
    let list = default["assumptions"].as_array().unwrap();
    assert!(list.len() >= 15);
    let help = String::from_utf8(run("--help").stdout).unwrap();
    for entry in list {
        assert_eq!(entry["stated"], false, "{entry}");
        assert!(!entry["source"].as_str().unwrap().is_empty(), "{entry}");
        assert!(help.contains(entry["flag"].as_str().unwrap()), "{entry}");
    }
    let set = json(
        "--drive-rate 210MB --inner-percent 60 --rpm 5400 --drive-operations 70 --link-gigabits 2.5 \
         --mtu 9000 --used-percent 70 --reserve-percent 1 --reshape-share 25% --reshape-rate 60MB \
         --use-hours 6 --use-from 10 --weekends --annual-failure-percent 4 --read-error 1e-15 \
         --power-cuts 2",
    );
    for entry in set["assumptions"].as_array().unwrap() {
        assert_eq!(entry["stated"], true, "{entry}");
    }
}

#[test]
fn csv_has_the_figures_of_json() {
    let output = run("--csv --start 2026-03-06T17:00");
    let mut reader = csv::Reader::from_reader(&output.stdout[..]);
    let rows: Vec<csv::StringRecord> = reader.records().map(Result::unwrap).collect();
    assert_eq!(
        reader.headers().unwrap(),
        vec!["section", "item", "case", "value", "unit", "basis"]
    );
    let plan = json("--start 2026-03-06T17:00");
    let figures = plan["figures"].as_array().unwrap();
    let assumptions = plan["assumptions"].as_array().unwrap();
    assert_eq!(rows.len(), figures.len() + assumptions.len());
    for (row, figure) in rows.iter().zip(figures) {
        assert_eq!(&row[1], figure["item"].as_str().unwrap());
        let value = match &figure["value"] {
            Value::Null => String::new(),
            Value::String(text) => text.clone(),
            number => number.to_string(),
        };
        let same = row[3] == value || row[3].parse::<f64>().ok() == value.parse::<f64>().ok();
        assert!(same, "{row:?} {figure}");
    }
    // No figure has the same name as another.
    let mut names: Vec<String> = rows
        .iter()
        .map(|row| format!("{} {} {} {}", &row[0], &row[1], &row[2], &row[4]))
        .collect();
    names.sort();
    names.dedup();
    assert_eq!(names.len(), rows.len());
}

#[test]
fn a_study_says_what_flags_do_not() {
    let folder = tempfile::tempdir().unwrap();
    fs::create_dir(folder.path().join("share")).unwrap();
    let new = crate::support::program()
        .args("new scans --share share --pool raid6 --drives 4 --adding 1 --drive-size 6TB --rpm 5400".split(' '))
        .current_dir(folder.path())
        .output()
        .unwrap();
    assert_eq!(new.status.code(), Some(0), "{new:?}");
    let json = |words: &str| -> Value {
        let output = run_in(folder.path(), &format!("scans --json {words}"));
        assert_eq!(output.status.code(), Some(0), "{output:?}");
        serde_json::from_slice(&output.stdout).unwrap()
    };
    let stated = |plan: &Value, flag: &str| {
        let list = plan["assumptions"].as_array().unwrap();
        let entry = list.iter().find(|entry| entry["flag"] == flag).unwrap();
        (entry["stated"].as_bool().unwrap(), entry["value"].clone())
    };
    let plan = json("");
    assert_eq!(plan["pool"]["member_bytes"].as_array().unwrap().len(), 4);
    assert_eq!(stated(&plan, "--rpm"), (true, "5400 a minute".into()));
    // The study's own table of the plan, and flags before it.
    let path = folder.path().join("scans/study.toml");
    let text = fs::read_to_string(&path).unwrap();
    let table = "\n[plan]\nscheme = \"raidz2\"\nnew_drive_size = \"8 TB\"\n\n[plan.assume]\nused_percent = 50.0\nlink_gigabits = 10.0\nmtu = 9000\n";
    fs::write(&path, format!("{text}{table}")).unwrap();
    let plan = json("--used-percent 70");
    assert_eq!(plan["pool"]["scheme"], "raidz2");
    assert_eq!(plan["pool"]["new_bytes"][0], 8_000_000_000_000u64);
    assert_eq!(stated(&plan, "--used-percent"), (true, "70 %".into()));
    assert_eq!(stated(&plan, "--mtu"), (true, "9000 bytes".into()));
    fs::write(&path, format!("{text}\n[plan]\nscheme = \"raidz1\"\n")).unwrap();
    assert_eq!(run_in(folder.path(), "scans").status.code(), Some(3));
}

//! `check` and `next` as a person types them.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Output;

use serde_json::Value;
use tempfile::TempDir;

use crate::support::allow;

/// A study of a directory that stands for a share.
struct Place {
    folder: TempDir,
}

impl Place {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        fs::create_dir(folder.path().join("share")).unwrap();
        let place = Self { folder };
        let share = place.path("share");
        place.ok(
            "new",
            &["--share", &share, "--pool", "raid6", "--drives", "4"],
        );
        place
    }

    fn path(&self, name: &str) -> String {
        self.folder.path().join(name).to_str().unwrap().to_owned()
    }

    fn run(&self, command: &str, more: &[&str]) -> Output {
        let study = self.path("scans");
        let words = [&[command, &study], more].concat();
        crate::support::program().args(&words).output().unwrap()
    }

    /// Runs a command, which has to end with `code`; what it printed and what it said.
    #[track_caller]
    fn ends(&self, code: i32, command: &str, more: &[&str]) -> (String, String) {
        let output = self.run(command, more);
        let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
        let (out, err) = (text(&output.stdout), text(&output.stderr));
        assert_eq!(
            output.status.code(),
            Some(code),
            "{command} {more:?}: {out}{err}"
        );
        (out, err)
    }

    #[track_caller]
    fn ok(&self, command: &str, more: &[&str]) -> String {
        self.ends(0, command, more).0
    }

    fn checks(&self) -> String {
        fs::read_to_string(self.path("scans/checks.csv")).unwrap_or_default()
    }

    fn json(&self, code: i32, command: &str) -> Value {
        serde_json::from_str(&self.ends(code, command, &["--json"]).0).unwrap()
    }
}

fn line<'a>(lines: &'a Value, key: &str, word: &str) -> &'a Value {
    let mut lines = lines.as_array().unwrap().iter();
    lines.find(|line| line[key] == word).unwrap()
}

#[test]
fn a_study_without_a_baseline_is_not_ready_and_says_why() {
    let place = Place::new();
    let (text, _) = place.ends(5, "check", &[]);
    assert!(text.starts_with("NOT YET: scans"), "{text}");
    for part in [
        "nothing was measured before the expansion",
        "nobody has answered for it",
        "Never, while it reshapes",
        "The expansion erases the new drive.",
    ] {
        assert!(text.contains(part), "{part} in {text}");
    }
    let found = place.json(5, "check");
    assert_eq!(found["verdict"], "not-yet");
    assert_eq!(line(&found["seen"], "item", "baseline")["state"], "not-yet");
    let share = line(&found["seen"], "item", "share");
    assert_ne!(share["state"], "no", "{share}");
    assert!(share["at"].as_str().unwrap().ends_with('Z'), "{share}");
}

#[test]
fn answers_are_kept_escaped_and_count() {
    let place = Place::new();
    let note = "=HYPERLINK(\"x\"),\r\n\u{1b}[2J<b>";
    let said = place.ok(
        "check",
        &["--attest", "scrub", "--by", "the keeper", "--note", note],
    );
    assert!(
        said.contains("a full scrub came out clean") && said.contains("14 days"),
        "{said}"
    );
    place.ok(
        "check",
        &[
            "--attest",
            "power",
            "--failed",
            "--by",
            "@keeper",
            "--note",
            "flat",
            "--on",
            "2026-01-05",
        ],
    );
    let rows = place.checks();
    let rows: Vec<&str> = rows.lines().collect();
    assert_eq!(rows.len(), 3, "{rows:?}");
    assert_eq!(rows[0], "noted,done,side,item,result,by,note");
    assert!(
        rows[1].ends_with("before,scrub,passed,the keeper,\"'=HYPERLINK(\"\"x\"\"),   [2J<b>\""),
        "{}",
        rows[1]
    );
    assert!(
        rows[2].ends_with("2026-01-05T00:00:00Z,before,power,failed,'@keeper,flat"),
        "{}",
        rows[2]
    );
    let found = place.json(6, "check");
    assert_eq!(found["verdict"], "no");
    assert_eq!(line(&found["attested"], "item", "scrub")["state"], "holds");
    assert_eq!(line(&found["attested"], "item", "power")["state"], "no");
}

#[test]
fn what_makes_no_sense_is_refused_and_nothing_is_kept() {
    let place = Place::new();
    let by = ["--by", "x", "--note", "y"];
    let (_, said) = place.ends(2, "check", &[&["--attest", "scrubbing"], &by[..]].concat());
    for item in [
        "self-test",
        "scrub",
        "restore",
        "power",
        "new-drive",
        "serials",
        "users",
        "freeze",
    ] {
        assert!(said.contains(item), "{item} in {said}");
    }
    let (_, said) = place.ends(2, "next", &["--done", "scrubbing", "--by", "x"]);
    assert!(said.contains("look-30"), "{said}");
    // A look after seven days cannot have been on the first.
    let early = Place::new();
    early.ok("next", &["--done", "reshape", "--by", "x"]);
    let (_, said) = early.ends(2, "next", &["--done", "look-7", "--by", "x"]);
    assert!(said.contains("look-7 counts from "), "{said}");
    place.ends(2, "check", &["--attest", "scrub"]);
    place.ends(
        2,
        "check",
        &["--attest", "scrub", "--by", " \t", "--note", "y"],
    );
    let late = [&["--attest", "scrub", "--on", "9000-01-01"], &by[..]].concat();
    let (_, said) = place.ends(2, "check", &late);
    assert!(said.contains("has not come yet"), "{said}");
    let odd = [&["--attest", "scrub", "--on", "yesterday"], &by[..]].concat();
    place.ends(2, "check", &odd);
    assert_eq!(place.checks(), "");
    let nowhere = Place {
        folder: tempfile::tempdir().unwrap(),
    };
    nowhere.ends(3, "check", &[]);
    nowhere.ends(3, "next", &[]);
}

#[test]
fn next_goes_with_the_job() {
    let place = Place::new();
    let text = place.ok("next", &[]);
    assert!(text.contains("Nothing has been measured yet."), "{text}");
    place.ok("next", &["--done", "started", "--by", "the keeper"]);
    let text = place.ok("next", &[]);
    assert!(
        text.contains("The expansion has begun.") && text.contains("Never, while"),
        "{text}"
    );
    place.ok(
        "next",
        &[
            "--done",
            "reshape",
            "--by",
            "the keeper",
            "--note",
            "at noon",
        ],
    );
    let found = place.json(0, "next");
    assert_eq!(found["stage"], "after");
    assert_eq!(line(&found["steps"], "step", "grow")["state"], "now");
    assert_eq!(line(&found["steps"], "step", "during")["state"], "missed");
    // Once begun, the check says no.
    let found = place.json(6, "check");
    assert_eq!(line(&found["seen"], "item", "not-begun")["state"], "no");
}

fn example() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("reports/lighthouse-archive")
}

/// A copy of the example's files as they were when its baseline was done.
fn baseline_of_the_example() -> Place {
    let place = Place {
        folder: tempfile::tempdir().unwrap(),
    };
    let study = PathBuf::from(place.path("scans"));
    fs::create_dir_all(study.join("facts")).unwrap();
    for name in [
        "study.toml",
        "testdata.csv",
        "windows.csv",
        "observations.csv",
        "latency.hlog",
    ] {
        fs::copy(example().join(name), study.join(name)).unwrap();
    }
    for entry in fs::read_dir(example().join("facts")).unwrap() {
        let entry = entry.unwrap();
        fs::copy(entry.path(), study.join("facts").join(entry.file_name())).unwrap();
    }
    let trials = fs::read_to_string(example().join("trials.csv")).unwrap();
    let kept = trials
        .lines()
        .filter(|line| !line.contains(",during,") && !line.contains(",after,"));
    let kept: String = kept.map(|line| format!("{line}\n")).collect();
    fs::write(study.join("trials.csv"), kept).unwrap();
    place
}

/// `checks.csv` with every item that is asked before the expansion, done on `day`.
fn answers(day: &str) -> String {
    let items = [
        "self-test",
        "scrub",
        "restore",
        "power",
        "new-drive",
        "serials",
        "stop-rules",
        "users",
        "freeze",
        "idle",
    ];
    let row = |item: &str| format!("{day},{day},before,{item},passed,the keeper,seen\n");
    "noted,done,side,item,result,by,note\n".to_owned() + &items.map(row).concat()
}

#[test]
fn everything_answered_is_go_and_a_week_later_it_is_not() {
    let place = baseline_of_the_example();
    let latest = fs::read_to_string(place.path("scans/trials.csv")).unwrap();
    let latest = latest
        .lines()
        .last()
        .unwrap()
        .split(',')
        .nth(4)
        .unwrap()
        .to_owned();
    let day = &latest[..10];
    fs::write(
        place.path("scans/checks.csv"),
        answers(&format!("{day}T00:00:00Z")),
    )
    .unwrap();
    let (text, _) = place.ends(0, "check", &[]);
    assert!(text.starts_with("SIMULATED GO: scans"), "{text}");
    let found = place.json(0, "check");
    assert_eq!(
        (&found["verdict"], &found["simulated"]),
        (&"go".into(), &true.into())
    );
    assert_eq!(place.json(0, "next")["stage"], "ready");
    // The same answers, eight days older: those of a freeze of seven days and of one look are stale.
    let old: jiff::Timestamp = format!("{day}T00:00:00Z").parse().unwrap();
    let old = old - jiff::SignedDuration::from_hours(8 * 24);
    fs::write(place.path("scans/checks.csv"), answers(&old.to_string())).unwrap();
    let found = place.json(5, "check");
    let stale: Vec<&Value> = found["attested"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|line| line["state"] == "not-yet")
        .map(|line| &line["item"])
        .collect();
    assert_eq!(stale, ["freeze", "idle"]);
}

#[test]
fn the_example_tells_its_bytes_by_layer() {
    let text = crate::support::poolproof(&["next", example().to_str().unwrap()]);
    for part in [
        "The new layout is finished. That alone is not the end.",
        "the share shows 18.0 TB (16.4 TiB) in sitting",
        "study.toml: 2 data drives × 6.00 TB, then study.toml: 3 data",
        "SIMULATED Bytes by layer",
    ] {
        assert!(text.contains(part), "{part} in {text}");
    }
}

/// The source of progress that `watch` asks tells `check`, too.
#[test]
fn what_the_source_of_progress_tells_decides_whether_anything_runs() {
    for (command, state, seen) in [
        ("echo 37.5", "not-yet", "37.5 %"),
        ("echo finished", "unknown", "a scrub or rebuild is not told"),
        ("exit 3", "unknown", "asked in vain"),
    ] {
        let place = Place::new();
        let file = place.path("scans/study.toml");
        let text = fs::read_to_string(&file).unwrap();
        let source = format!("[reshape]\nsource = \"percent\"\ncommand = \"{command}\"\n");
        fs::write(&file, format!("{text}\n{source}")).unwrap();
        allow(&place.path("scans"));
        let json = place.json(5, "check");
        let line = line(&json["seen"], "item", "running");
        assert_eq!(line["state"], state, "{line}");
        assert!(line.to_string().contains(seen), "{line}");
    }
}

//! README tells the truth: its output is the program's, and it explains every column and command.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

use crate::support::poolproof;

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).to_owned()
}

fn readme() -> String {
    fs::read_to_string(root().join("README.md")).unwrap()
}

fn example() -> String {
    root()
        .join("reports/lighthouse-archive")
        .to_str()
        .unwrap()
        .to_owned()
}

#[test]
fn the_output_shown_is_what_the_program_prints() {
    let readme = readme();
    let (_, rest) = readme.split_once("```text\n").unwrap();
    let (shown, _) = rest.split_once("```").unwrap();
    let printed = poolproof(&["compare", &example()]);
    let printed: BTreeSet<&str> = printed.lines().collect();
    let made_up: Vec<&str> = shown
        .lines()
        .filter(|line| !printed.contains(line))
        .collect();
    assert_eq!(made_up, Vec::<&str>::new());
    assert!(shown.lines().count() > 20);
}

/// Tables of which the example has some rows.
const TABLES: [&str; 8] = [
    "checks.csv",
    "observations.csv",
    "probes.csv",
    "progress.csv",
    "sweep.csv",
    "testdata.csv",
    "trials.csv",
    "windows.csv",
];

#[test]
fn every_column_is_explained() {
    let readme = readme();
    let header = |text: &str| -> Vec<String> {
        text.lines()
            .next()
            .unwrap()
            .split(',')
            .map(str::to_owned)
            .collect()
    };
    for table in TABLES {
        let text = fs::read_to_string(Path::new(&example()).join(table)).unwrap();
        for column in header(&text) {
            assert!(readme.contains(&format!("`{column}`")), "{table}: {column}");
        }
    }
    // The example was neither read back nor sealed: its columns are the fields of these rows.
    let rows = fs::read_to_string(root().join("src/study/verified.rs")).unwrap();
    let mut fields = 0;
    for row in rows.split("\npub struct ").skip(1) {
        let (row, _) = row.split_once("\n}\n").unwrap();
        let (name, row) = row.split_once(' ').unwrap();
        for field in row.lines().filter_map(|line| line.strip_prefix("    pub ")) {
            let (column, _) = field.split_once(':').unwrap();
            assert!(readme.contains(&format!("`{column}`")), "{name}: {column}");
            fields += 1;
        }
    }
    assert!(fields > 40, "{fields}");
    for column in header(&poolproof(&["compare", &example(), "--csv"])) {
        let phases = [
            "during_before_",
            "after_before_",
            "before_",
            "during_",
            "after_",
        ];
        let bare = phases
            .iter()
            .find_map(|phase| column.strip_prefix(phase))
            .unwrap_or(&column);
        let explained = [
            format!("`{bare}`"),
            format!("`PHASE_{bare}`"),
            format!("`{column}`"),
        ];
        assert!(
            explained.iter().any(|text| readme.contains(text)),
            "compare --csv: {column}"
        );
    }
}

#[test]
fn every_command_and_exit_code_is_named_and_pictures_exist() {
    let readme = readme();
    let help = poolproof(&["--help"]);
    let (_, commands) = help.split_once("Commands:").unwrap();
    let (commands, _) = commands.split_once("Options:").unwrap();
    let commands = commands.lines().filter_map(|line| {
        let word = line.strip_prefix("  ")?.split_whitespace().next()?;
        line.strip_prefix("  ")?
            .starts_with(|c: char| c.is_ascii_lowercase())
            .then_some(word)
    });
    let commands: Vec<&str> = commands.collect();
    assert!(commands.len() >= 7, "{commands:?}");
    for command in commands {
        assert!(readme.contains(&format!("`{command} ")), "{command}");
    }
    for picture in readme.split("](").skip(1) {
        let (target, _) = picture.split_once(')').unwrap();
        assert!(root().join(target).exists(), "{target}");
    }
}

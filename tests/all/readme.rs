//! README tells the truth: its output is the program's, and it explains every column and command.

use std::collections::BTreeSet;
use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};

use crate::docs::commands;
use crate::support::{find, poolproof, program, say};

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

/// What is shown in README as the output of a command on the example, or of a plan: the command, and the lines.
fn shown() -> Vec<(Vec<String>, Vec<String>)> {
    let readme = readme();
    let blocks: Vec<&str> = readme.split("```").collect();
    let mut found = Vec::new();
    for pair in blocks.windows(2) {
        let (before, block) = (pair[0], pair[1]);
        let Some(lines) = block.strip_prefix("text\n") else {
            continue;
        };
        let lead = before.trim_end().rsplit("\n\n").next().unwrap();
        let mut commands = lead
            .split('`')
            .filter(|code| code.starts_with("poolproof "));
        if let Some(command) = commands.rfind(|code| {
            code.contains("lighthouse-archive") || code.starts_with("poolproof plan ")
        }) {
            let words = command.split(' ').skip(1).map(str::to_owned).collect();
            found.push((words, lines.lines().map(str::to_owned).collect()));
        }
    }
    found
}

#[test]
fn the_output_shown_is_what_the_program_prints() {
    let shown = shown();
    let names: Vec<&str> = shown.iter().map(|(words, _)| words[0].as_str()).collect();
    assert_eq!(
        names,
        ["compare", "reports/lighthouse-archive", "why", "plan"]
    );
    for (words, lines) in shown {
        let output = program()
            .args(&words)
            .current_dir(root())
            .env("LC_ALL", "C.UTF-8")
            .env("TZ", "UTC")
            .output()
            .unwrap();
        let printed = String::from_utf8(output.stdout).unwrap();
        let printed: BTreeSet<&str> = printed.lines().collect();
        let made_up: Vec<&String> = lines
            .iter()
            .filter(|line| !printed.contains(line.as_str()))
            .collect();
        assert_eq!(made_up, Vec::<&String>::new(), "{words:?}");
        assert!(lines.len() > 10, "{words:?}");
    }
}

/// The lines of README's blocks for a shell, in their order, without their remarks.
fn typed() -> Vec<String> {
    let readme = readme();
    let blocks = readme
        .split("```")
        .filter_map(|block| block.strip_prefix("sh\n"));
    let lines = blocks.flat_map(str::lines).map(|line| {
        // A remark begins after several blanks.
        let line = line.split("  #").next().unwrap_or(line);
        line.trim().to_owned()
    });
    lines.filter(|line| !line.is_empty()).collect()
}

/// In place of the program where README's lines are run: the program itself, with sittings of a moment
/// and a watch of one reading. `"$@"` are the words of the line.
const BRIEFLY: &str = r#"#!/bin/sh
words=" $* "
case $1 in
  measure)
    case $words in *" --workload "*) ;; *) set -- "$@" --workload small-read ;; esac
    case $words in *" --size "*) ;; *) set -- "$@" --size 64MiB ;; esac
    case $words in *" --trials "*) ;; *" --precision "*) set -- "$@" --trials 3 ;; *) set -- "$@" --trials 1 ;; esac
    case $words in *" --seconds "*) ;; *) set -- "$@" --seconds 1 ;; esac ;;
  watch)
    case $words in
      # Served for a moment, then ended.
      *" --page "*) timeout --preserve-status 3 "$POOLPROOF" "$@"; test $? -eq 143; exit ;;
      *) set -- "$@" --once ;;
    esac ;;
esac
exec "$POOLPROOF" "$@"
"#;

/// The server that README asks by ssh: an array of Linux md in the midst of a reshape, by the form of
/// /proc/mdstat that the kernel's md driver prints.
const SERVER: &str = r#"#!/bin/sh
cat <<'STATUS'
Personalities : [raid6] [raid5] [raid4]
md0 : active raid6 sde1[4] sdd1[3] sdc1[2] sdb1[1] sda1[0]
      11720780800 blocks super 1.2 level 6, 512k chunk, algorithm 2 [5/5] [UUUUU]
      [======>..............]  reshape = 32.8% (1922207744/5860390400) finish=1441.1min speed=45544K/sec

unused devices: <none>
STATUS
"#;

/// Lines of README that are run elsewhere: building and testing in `.ci/run`, the package by
/// `real_package`.
const ELSEWHERE: [&str; 5] = [
    "cargo run --release -- demo",
    "cargo test",
    "cargo install ",
    ".packaging/deb",
    "sudo apt install ",
];

#[test]
fn every_command_shown_runs_from_top_to_bottom() {
    let place = tempfile::tempdir().unwrap();
    let folder = |name: &str| {
        let folder = place.path().join(name);
        fs::create_dir_all(&folder).unwrap();
        folder
    };
    let (bin, home, share) = (folder("bin"), folder("home"), folder("mnt/scans"));
    let lenses = folder("mnt/scans/lenses");
    fs::write(lenses.join("first-order.txt"), "a lens of the first order").unwrap();
    for (name, text) in [("poolproof", BRIEFLY), ("ssh", SERVER)] {
        let file = bin.join(name);
        fs::write(&file, text).unwrap();
        fs::set_permissions(&file, fs::Permissions::from_mode(0o755)).unwrap();
    }
    let path = std::env::var("PATH").unwrap();
    let path = format!("{}:{path}", bin.display());
    let mut ran = 0;
    for line in typed() {
        if ELSEWHERE.iter().any(|start| line.starts_with(start)) {
            continue;
        }
        if line.starts_with("man ") && find("man").is_err() {
            say("skipped: README's `man`: it is not installed");
            continue;
        }
        let here = line.replace("/mnt/scans", share.to_str().unwrap());
        // Whatever port is free.
        let here = here.replace(":8080", ":0");
        let output = std::process::Command::new("sh")
            .args(["-c", &here])
            .current_dir(&home)
            .env("PATH", &path)
            .env("POOLPROOF", env!("CARGO_BIN_EXE_poolproof"))
            .env("XDG_STATE_HOME", home.join("state"))
            .env("MANPAGER", "cat")
            .output()
            .unwrap();
        let code = output.status.code();
        let fine = match line.as_str() {
            // Too little was measured, and not everything is attested.
            "poolproof check scans" => [5, 6].contains(&code.unwrap()),
            _ => code == Some(0),
        };
        let (out, err) = (
            String::from_utf8_lossy(&output.stdout),
            String::from_utf8_lossy(&output.stderr),
        );
        assert!(fine, "`{line}` ended with {code:?}: {err}{out}");
        ran += usize::from(line.starts_with("poolproof"));
    }
    assert!(ran >= 30, "{ran}");
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
    let commands = commands();
    assert!(commands.len() >= 7, "{commands:?}");
    for command in commands {
        assert!(readme.contains(&format!("`{command} ")), "{command}");
    }
    for picture in readme.split("](").skip(1) {
        let (target, _) = picture.split_once(')').unwrap();
        if let Some(anchor) = target.strip_prefix('#') {
            let heading = |line: &str| {
                let words = line.strip_prefix("## ")?.to_lowercase();
                let kept = words
                    .chars()
                    .filter(|c| c.is_alphanumeric() || " -".contains(*c));
                Some(kept.collect::<String>().replace(' ', "-"))
            };
            let there = readme
                .lines()
                .filter_map(heading)
                .any(|name| name == anchor);
            assert!(there, "#{anchor}");
            continue;
        }
        assert!(root().join(target).exists(), "{target}");
    }
}

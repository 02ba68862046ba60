//! What explains the program: help, man pages, shell completions.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use tempfile::TempDir;

use crate::support::{find, poolproof, say};

/// Names of all commands, as the help lists them.
pub(crate) fn commands() -> BTreeSet<String> {
    let help = poolproof(&["--help"]);
    let (_, list) = help.split_once("Commands:").unwrap();
    let (list, _) = list.split_once("Options:").unwrap();
    let words = list.lines().filter_map(|line| {
        let word = line.strip_prefix("  ")?.split_whitespace().next()?;
        let is_name = line.as_bytes().get(2).is_some_and(u8::is_ascii_lowercase);
        is_name.then(|| word.to_owned())
    });
    words.collect()
}

fn docs() -> TempDir {
    let folder = tempfile::tempdir().unwrap();
    poolproof(&["docs", folder.path().to_str().unwrap()]);
    folder
}

fn files(folder: &Path) -> Vec<PathBuf> {
    let mut files: Vec<PathBuf> = fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .collect();
    files.sort();
    files
}

#[test]
fn help_is_short_with_h_and_long_with_help() {
    for command in commands() {
        let (short, long) = (
            poolproof(&[&command, "-h"]),
            poolproof(&[&command, "--help"]),
        );
        assert!(short.lines().count() < long.lines().count(), "{command}");
        let first = format!("poolproof {command}");
        for text in [&short, &long] {
            assert!(text.contains("Example") && text.contains(&first), "{text}");
        }
        assert!(short.contains("--help"), "{short}");
    }
}

#[test]
fn each_command_has_a_man_page_without_faults() {
    let docs = docs();
    let pages = files(&docs.path().join("man1"));
    let names: BTreeSet<String> = pages
        .iter()
        .map(|page| page.file_stem().unwrap().to_str().unwrap().to_owned())
        .collect();
    let expected: BTreeSet<String> = commands()
        .iter()
        .map(|command| format!("poolproof-{command}"))
        .chain(["poolproof".to_owned()])
        .collect();
    assert_eq!(names, expected);
    // man and mandoc are implementations of the language of man pages that know nothing of this program.
    let judges: [(&str, &[&str]); 2] = [
        ("man", &["--warnings", "-E", "UTF-8", "-l", "-Tutf8", "-Z"]),
        ("mandoc", &["-T", "lint", "-W", "error"]),
    ];
    for (judge, words) in judges {
        let there = find(judge).and_then(|path| match judge {
            "man" => find("troff").map(|_| path),
            _ => Ok(path),
        });
        let judge = match there {
            Ok(judge) => judge,
            Err(why) => {
                say(&format!("skipped: man pages by {judge}: {why}"));
                continue;
            }
        };
        for page in &pages {
            let judged = Command::new(&judge)
                .args(words)
                .arg(page)
                .env("LC_ALL", "C.UTF-8")
                .env("MANWIDTH", "80")
                .output()
                .unwrap();
            let said = String::from_utf8_lossy(&judged.stderr);
            assert!(
                judged.status.success() && said.trim().is_empty(),
                "{}: {said}{}",
                page.display(),
                String::from_utf8_lossy(&judged.stdout)
            );
        }
    }
    let page = fs::read_to_string(docs.path().join("man1/poolproof-measure.1")).unwrap();
    for part in [
        ".SH NAME",
        ".SH SYNOPSIS",
        ".SH OPTIONS",
        ".SH EXAMPLES",
        "fresh",
    ] {
        assert!(page.contains(part), "{part} in\n{page}");
    }
}

/// What bash offers after a line that was begun, by the completions and nothing else.
fn offered(completions: &Path, line: &str) -> Vec<String> {
    let script = r#"
        source "$1"
        complete -p poolproof > /dev/null || exit 3
        read -r -a COMP_WORDS <<< "$2"
        COMP_CWORD=$((${#COMP_WORDS[@]} - 1))
        _poolproof poolproof "${COMP_WORDS[COMP_CWORD]}" "${COMP_WORDS[COMP_CWORD-1]}"
        printf '%s\n' "${COMPREPLY[@]}"
    "#;
    let output = Command::new("bash")
        .args(["--norc", "-c", script, "bash"])
        .arg(completions)
        .arg(line)
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success() && said.is_empty(), "{said}");
    let text = String::from_utf8(output.stdout).unwrap();
    text.lines().map(str::to_owned).collect()
}

#[test]
fn completions_load_and_complete() {
    let docs = docs();
    let folder = docs.path().join("completions");
    if find("bash").is_err() {
        say("skipped: completions in bash: bash is not installed");
    } else {
        let bash = folder.join("poolproof.bash");
        assert_eq!(offered(&bash, "poolproof mea"), ["measure"]);
        assert_eq!(
            offered(&bash, "poolproof watch scans --on"),
            ["--once", "--on-alarm"]
        );
    }
    for (shell, file) in [("zsh", "_poolproof"), ("fish", "poolproof.fish")] {
        let file = folder.join(file);
        let text = fs::read_to_string(&file).unwrap();
        for command in commands() {
            assert!(text.contains(&command), "{command} in {}", file.display());
        }
        match find(shell) {
            Err(why) => say(&format!("skipped: completions in {shell}: {why}")),
            Ok(shell) => {
                let read = Command::new(shell).arg("-n").arg(&file).output().unwrap();
                let said = String::from_utf8_lossy(&read.stderr);
                assert!(read.status.success() && said.is_empty(), "{said}");
            }
        }
    }
}

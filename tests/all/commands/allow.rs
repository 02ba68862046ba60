//! A study from somebody else runs nothing until the person on this machine has allowed it.

use std::fs;
use std::io::Write as _;
use std::process::{Command, Stdio};

use super::{NEW, Place};
use crate::support::{STATE, find, say};

/// Every command of `study.toml`, each of which would leave a trace, and prints what is asked for.
fn commands(place: &Place, remark: &str) -> String {
    let trace = |name: &str| place.study().with_file_name(name).display().to_string();
    format!(
        "\n[server]\ndiskstats_command = \"\"\"touch '{}' {remark}\"\"\"\nempty_cache_command = \"touch '{}'\"\nmembers = [\"sda\"]\n\n[reshape]\nsource = \"percent\"\ncommand = \"touch '{}'; echo 37.5\"\n",
        trace("diskstats"),
        trace("cache"),
        trace("reshape"),
    )
}

fn traces(place: &Place) -> Vec<&'static str> {
    let names = ["diskstats", "cache", "reshape"];
    let left = |name: &&str| place.study().with_file_name(name).exists();
    names.into_iter().filter(left).collect()
}

const SITTING: &str =
    "measure scans --phase during --size 64MiB --seconds 1 --trials 1 --workload small-read";

#[test]
fn commands_of_a_study_run_only_after_they_were_allowed_here() {
    let place = Place::new();
    place.ok(NEW);
    let file = place.study().join("study.toml");
    let text = fs::read_to_string(&file).unwrap();
    fs::write(&file, text.clone() + &commands(&place, "# \\u001b[2Kone")).unwrap();

    place.ok("show scans");
    place.run("check scans");
    place.run("next scans");
    let said = place.run(SITTING);
    assert_eq!(said.status.code(), Some(0));
    let said = String::from_utf8(said.stderr).unwrap();
    assert_eq!(
        said.matches("was not allowed on this machine").count(),
        3,
        "{said}"
    );
    assert!(said.contains("poolproof allow scans"), "{said}");
    for command in ["compare scans", "report scans", "why scans", "plan scans"] {
        place.run(command);
    }
    let said = place.fails("watch scans --once", 9);
    assert_eq!(
        said.matches("[reshape] command was not allowed").count(),
        1,
        "{said}"
    );
    assert!(
        said.contains("error: [reshape] command was not allowed"),
        "{said}"
    );
    let shown = place.run("allow scans");
    assert_eq!(shown.status.code(), Some(9));
    let shown = String::from_utf8(shown.stdout).unwrap();
    assert!(
        shown.contains("# \\u{1b}[2Kone") && !shown.contains('\u{1b}'),
        "{shown}"
    );
    assert_eq!(traces(&place), [""; 0]);

    place.ok("allow scans --yes");
    assert_eq!(traces(&place), [""; 0]);
    place.ok(SITTING);
    assert_eq!(traces(&place), ["diskstats", "cache", "reshape"]);
    place.ok("watch scans --once");

    // One letter more is another command.
    for name in traces(&place) {
        fs::remove_file(place.study().with_file_name(name)).unwrap();
    }
    fs::write(&file, text + &commands(&place, "# \\u001b[2Kone.")).unwrap();
    place.run("check scans");
    place.ok(SITTING);
    assert_eq!(traces(&place), ["cache", "reshape"]);
}

#[test]
fn what_is_typed_needs_no_permission() {
    let place = Place::new();
    place.ok(NEW);
    let output = place
        .command("watch scans --once --source percent --command")
        .arg("echo 37.5")
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(0));
    assert_eq!(place.ok("allow scans"), "study.toml holds no commands\n");
}

/// At a terminal, made by script(1), the person is asked once.
#[test]
fn at_a_terminal_each_command_is_asked_about_once() {
    if find("script").is_err() {
        say("skipped: asking at a terminal: script is not installed");
        return;
    }
    let place = Place::new();
    place.ok(NEW);
    let file = place.study().join("study.toml");
    let text = fs::read_to_string(&file).unwrap();
    let source = "\n[reshape]\nsource = \"percent\"\ncommand = \"echo 12.5\"\n";
    fs::write(&file, text + source).unwrap();
    let watch = format!("{} watch scans --once", env!("CARGO_BIN_EXE_poolproof"));
    let answered = |answer: &str| {
        let mut child = Command::new("script")
            .args(["-qec", &watch, "/dev/null"])
            .env("XDG_STATE_HOME", STATE)
            .current_dir(place.folder.path())
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let mut input = child.stdin.take().unwrap();
        input.write_all(answer.as_bytes()).unwrap();
        let output = child.wait_with_output().unwrap();
        drop(input);
        let said = String::from_utf8_lossy(&output.stdout).into_owned();
        (output.status.code(), said)
    };
    let (code, said) = answered("n\n");
    assert_eq!(code, Some(9), "{said}");
    assert!(
        said.contains("echo 12.5") && said.contains("[y/N]"),
        "{said}"
    );
    let (code, said) = answered("y\n");
    assert_eq!(code, Some(0), "{said}");
    let (code, said) = answered("");
    assert!(code == Some(0) && !said.contains("[y/N]"), "{said}");
}

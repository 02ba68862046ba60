//! Commands that only read: beside a sitting, and of a study that cannot be written to.

use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::path::Path;
use std::process::{Command, Output};

use super::{LONG, NEW, Place, SHORT, contents, start, stderr, wait_for_rows};
use crate::support::{find, say};

const READERS: [&str; 6] = [
    "show scans",
    "why scans",
    "why scans --csv",
    "compare scans",
    "compare scans --json",
    "report scans --to page",
];

#[test]
fn everything_is_read_while_a_sitting_runs() {
    let place = Place::new();
    place.ok(NEW);
    let mut child = start(&place, LONG);
    wait_for_rows(&place, 1);
    READERS.iter().for_each(|command| drop(place.ok(command)));
    assert!(
        place
            .ok("report scans")
            .contains("scans/reports/report.html")
    );
    assert!(
        child.try_wait().unwrap().is_none(),
        "the sitting has to run meanwhile"
    );
    child.kill().unwrap();
    child.wait().unwrap();
}

/// Runs the program as somebody who may not write where the permissions do not allow it, which the
/// superuser has to give up first; `None` where that cannot be done.
fn unprivileged(place: &Place, words: &str) -> Option<Output> {
    if !rustix::process::geteuid().is_root() {
        return Some(place.run(words));
    }
    let setpriv = find("setpriv").ok()?;
    let mut command = Command::new(setpriv);
    command
        .arg("--bounding-set=-dac_override")
        .arg(env!("CARGO_BIN_EXE_poolproof"))
        .args(words.split_whitespace())
        .current_dir(place.folder.path());
    command.output().ok()
}

fn set_writable(folder: &Path, writable: bool) {
    let mode = if writable { 0o755 } else { 0o555 };
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            set_writable(&path, writable);
        }
    }
    fs::set_permissions(folder, fs::Permissions::from_mode(mode)).unwrap();
}

#[test]
fn a_study_that_cannot_be_written_to_is_read_and_reported_elsewhere() {
    let place = Place::new();
    place.ok(NEW);
    place.ok(&format!("{SHORT} --phase before --workload small-read"));
    fs::remove_file(place.study().join("lock")).unwrap();
    set_writable(&place.study(), false);
    let before = contents(&place.study());
    let probe = unprivileged(&place, "report scans");
    let Some(refused) = probe.filter(|output| output.status.code() == Some(3)) else {
        set_writable(&place.study(), true);
        say("skipped: reading an unwritable study: this user may write everywhere");
        return;
    };
    let said = stderr(&refused);
    assert!(
        said.contains("cannot be written to") && said.contains("--to DIR"),
        "{said}"
    );
    for command in READERS {
        let output = unprivileged(&place, command).unwrap();
        assert_eq!(
            output.status.code(),
            Some(0),
            "{command}: {}",
            stderr(&output)
        );
    }
    let page = place.folder.path().join("page/report.html");
    assert!(fs::read_to_string(page).unwrap().contains("small-read"));
    set_writable(&place.study(), true);
    assert!(contents(&place.study()) == before && !place.study().join("lock").exists());
}

/// The same for whoever runs this.
#[test]
fn a_page_that_cannot_go_into_the_study_says_where_it_can() {
    let place = Place::new();
    place.ok(NEW);
    fs::write(place.study().join("reports"), "in the way").unwrap();
    assert!(place.fails("report scans", 3).contains("--to DIR"));
    assert!(
        place
            .ok("report scans --to some/where")
            .contains("some/where/report.html")
    );
    assert!(place.folder.path().join("some/where/report.html").is_file());
}

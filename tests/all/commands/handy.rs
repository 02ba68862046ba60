//! Where a study stands, names that were mistyped, loudness, logs, and letters of the terminal.

use std::fs;

use super::{NEW, Place, SHORT, stderr};

#[test]
fn a_folder_alone_tells_where_its_study_stands_and_what_is_next() {
    let place = Place::new();
    let welcome = place.ok("");
    assert!(
        welcome.contains("no study") && welcome.contains("poolproof demo"),
        "{welcome}"
    );
    place.ok(NEW);
    let one = place.ok("scans");
    assert_eq!(one, place.ok("status scans"));
    for part in [
        "Nothing has been measured yet.",
        "`poolproof measure scans --phase before`",
    ] {
        assert!(one.contains(part), "{part} in\n{one}");
    }
    place.ok("new books --share share");
    let both = place.ok("");
    let lines: Vec<&str> = both.lines().filter(|line| !line.starts_with(' ')).collect();
    assert!(
        lines.len() == 2 && lines[0].starts_with("books ") && lines[1].starts_with("scans "),
        "{both}"
    );
    // In the folder of a study it is that one.
    let mut inside = place.command("");
    let here = inside.current_dir(place.study()).output().unwrap();
    let here = String::from_utf8(here.stdout).unwrap();
    assert!(
        here.contains("`poolproof measure . --phase before`"),
        "{here}"
    );
    // One that cannot be read does not hide the other.
    fs::write(place.study().join("study.toml"), "no study").unwrap();
    let both = place.ok("");
    assert!(
        both.contains("books ") && both.contains("scans: "),
        "{both}"
    );
    // A command of that name is the command.
    fs::create_dir(place.folder.path().join("plan")).unwrap();
    assert!(place.ok("plan").contains("Plan: 4 drives"));
}

#[test]
fn names_that_are_close_are_proposed() {
    let place = Place::new();
    place.ok(NEW);
    for (words, code, meant) in [
        ("show scnas", 3, "did you mean scans?"),
        ("scnas", 3, "did you mean scans?"),
        ("shwo scans", 2, "'show'"),
        (
            "measure scans --phase befor",
            2,
            "no phase is named 'befor': did you mean 'before'? choose from before, during, after",
        ),
        (
            "measure scans --phase before --workload lagre-read --size 64MiB",
            2,
            "no workload is named 'lagre-read': did you mean 'large-read'?",
        ),
        (
            "check scans --attest scrup --by k --note n",
            2,
            "no item is named 'scrup': did you mean 'scrub'?",
        ),
        (
            "next scans --done reshap --by k",
            2,
            "did you mean 'reshape'?",
        ),
        (
            "watch scans --source mdstta --once",
            2,
            "did you mean 'mdstat'?",
        ),
    ] {
        let said = place.fails(words, code);
        assert!(said.contains(meant), "{words}: {said}");
    }
    let said = place.fails("show elsewhere", 3);
    assert!(!said.contains("did you mean"), "{said}");
    let deep = place.folder.path().join("scanz");
    let said = place.fails(&format!("show {}", deep.display()), 3);
    assert!(said.contains("scans? Else make one"), "{said}");
    place.ok(&format!("{SHORT} --phase before --workload small-read"));
    let said = place.fails("why scans 7", 3);
    assert!(said.contains("the nearest that is complete is 1"), "{said}");
}

/// The list of items in the help is that of all items.
#[test]
fn the_help_of_check_names_every_item() {
    let place = Place::new();
    let help = place.ok("check --help");
    for item in poolproof::ready::BEFORE {
        assert!(help.contains(item.word), "{} in {help}", item.word);
    }
}

#[test]
fn quiet_says_nothing_and_verbose_more() {
    let place = Place::new();
    place.ok(NEW);
    let sitting = format!("{SHORT} --phase before --workload small-read");
    let usual = stderr(&place.run(&sitting));
    assert!(usual.contains("1/1 small-read"), "{usual}");
    assert!(!usual.contains("submitted"), "{usual}");
    let quiet = place.run(&format!("--quiet {sitting}"));
    assert_eq!(
        (quiet.status.code(), stderr(&quiet).as_str()),
        (Some(0), "")
    );
    assert!(!quiet.stdout.is_empty());
    let verbose = stderr(&place.run(&format!("{sitting} -v")));
    for part in ["1/1 small-read", "submitted by ", "grade "] {
        assert!(verbose.contains(part), "{part} in {verbose}");
    }
    // Errors are no noise.
    assert!(place.fails("-q show elsewhere", 3).starts_with("error: "));
    place.fails("-q -v show scans", 2);
}

#[test]
fn logs_are_there_on_request_only_and_obey_no_terminal() {
    let place = Place::new();
    place.ok(NEW);
    let log = |words: &[&str], filter: Option<&str>| {
        let mut command = place.command("");
        command.args(words).env_remove("RUST_LOG");
        if let Some(filter) = filter {
            command.env("RUST_LOG", filter);
        }
        command.output().unwrap()
    };
    for filter in [None, Some("")] {
        assert_eq!(stderr(&log(&["show", "scans"], filter)), "");
    }
    let sitting: Vec<&str> = SHORT
        .split(' ')
        .chain(["--phase", "before", "--workload", "small-read", "-q"])
        .collect();
    let said = stderr(&log(&sitting, Some("poolproof::store=trace")));
    assert!(
        said.contains("TRACE") && said.contains("trials.csv"),
        "{said}"
    );
    assert!(!said.contains("files are open"), "{said}");
    let said = stderr(&log(&sitting, Some("debug")));
    assert!(said.contains("files are open"), "{said}");
    // Words from outside stand in logs, too.
    let hostile = log(&["show", "a\u{1b}[2J\nERROR forged"], Some("info"));
    let said = stderr(&hostile);
    assert!(
        said.contains(" INFO ")
            && !said.contains('\u{1b}')
            && !said.lines().any(|line| line.starts_with("ERROR forged")),
        "{said}"
    );
    let refused = log(&["show", "scans"], Some("poolproof=loud"));
    assert_eq!(refused.status.code(), Some(2));
    let said = stderr(&refused);
    assert!(
        said.contains("RUST_LOG") && said.contains("as debug"),
        "{said}"
    );
}

#[test]
fn terminals_without_unicode_get_ascii_and_data_stays_as_it_is() {
    let place = Place::new();
    place.ok(NEW);
    place.ok(&format!("{SHORT} --phase before --workload small-read"));
    let run = |words: &str, locale: &str| {
        let output = place.command(words).env("LC_ALL", locale).output().unwrap();
        String::from_utf8(output.stdout).unwrap()
    };
    for words in ["show scans", "why scans", "scans", "compare scans"] {
        let ascii = run(words, "C");
        assert!(ascii.is_ascii() && !ascii.contains('?'), "{ascii}");
        assert!(!run(words, "C.UTF-8").is_ascii(), "{words}");
    }
    for words in [
        "compare scans --json",
        "why scans --json",
        "compare scans --csv",
    ] {
        assert_eq!(run(words, "C"), run(words, "C.UTF-8"), "{words}");
    }
}

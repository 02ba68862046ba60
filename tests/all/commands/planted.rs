//! What others put in the place of test data is neither read, written nor removed.

use std::fs;
use std::os::unix::fs::symlink;
use std::path::Path;

use rustix::fs::{CWD, FileType, Mode, mknodat};

use super::{NEW, Place, SHORT};

static PRECIOUS: [u8; 1 << 20] = [7; 1 << 20];

type Plant = fn(&Path, &Path);

/// Ways to put something at the second path that leads to the precious file at the first.
const PLANTS: [(&str, Plant); 4] = [
    ("link", |precious, at| symlink(precious, at).unwrap()),
    ("hard link", |precious, at| {
        fs::hard_link(precious, at).unwrap()
    }),
    ("pipe", |_, at| {
        mknodat(CWD, at, FileType::Fifo, Mode::RUSR | Mode::WUSR, 0).unwrap()
    }),
    ("folder", |precious, at| {
        fs::create_dir(at).unwrap();
        fs::copy(precious, at.join("precious")).unwrap();
    }),
];

#[test]
fn planted_files_end_sittings_and_cleaning_and_stay() {
    for (kind, plant) in PLANTS {
        let place = Place::new();
        place.ok(NEW);
        place.ok(&format!(
            "{SHORT} --phase before --workload small-write-deep"
        ));
        let precious = place.folder.path().join("precious");
        fs::write(&precious, PRECIOUS).unwrap();
        let (found, listed) = place.laid_down();
        assert!(listed.is_subset(&found));
        let folder = place.data_folder();
        for name in &listed {
            fs::remove_file(folder.join(name)).unwrap();
            plant(&precious, &folder.join(name));
        }
        let measure = format!("{SHORT} --phase after --workload small-write-deep");
        for command in [measure.as_str(), "clean scans"] {
            let said = place.fails(command, 4);
            assert!(
                said.contains("is not a plain file"),
                "{kind}: {command}: {said}"
            );
        }
        assert!(fs::read(&precious).unwrap() == PRECIOUS, "{kind}");
        for name in &listed {
            assert!(
                fs::symlink_metadata(folder.join(name)).is_ok(),
                "{kind}: {name}"
            );
        }
    }
}

#[test]
fn a_planted_folder_is_not_written_into() {
    let place = Place::new();
    place.ok(NEW);
    place.ok(&format!("{SHORT} --phase before --workload small-read"));
    let folder = place.data_folder();
    place.ok("clean scans");
    let outside = place.folder.path().join("outside");
    fs::create_dir(&outside).unwrap();
    symlink(&outside, &folder).unwrap();
    let said = place.fails(&format!("{SHORT} --phase before"), 4);
    assert!(said.contains("is no folder"), "{said}");
    assert!(place.fails("clean scans", 4).contains("is no folder"));
    assert!(folder.is_symlink());
    assert_eq!(fs::read_dir(&outside).unwrap().count(), 0);
}

#[test]
fn pages_are_not_written_through_a_link() {
    let place = Place::new();
    place.ok(NEW);
    let outside = place.folder.path().join("outside");
    fs::create_dir(&outside).unwrap();
    let reports = place.folder.path().join("scans/reports");
    symlink(&outside, &reports).unwrap();
    let said = place.fails("report scans", 3);
    assert!(
        said.contains("is a link") && said.contains("--to"),
        "{said}"
    );
    fs::remove_file(&reports).unwrap();
    fs::create_dir(&reports).unwrap();
    // A page that is a link is replaced, and what it led to stays.
    let precious = outside.join("precious");
    fs::write(&precious, "precious").unwrap();
    symlink(&precious, reports.join("report.html")).unwrap();
    place.ok("report scans");
    assert!(!reports.join("report.html").is_symlink());
    assert_eq!(fs::read_to_string(&precious).unwrap(), "precious");
    assert_eq!(fs::read_dir(&outside).unwrap().count(), 1);
}

//! What others do to test data and studies while poolproof uses them.

use std::fs::{self, File};

use super::{LONG, NEW, Place, SHORT, start, stderr, wait_for_rows};

/// Files of the read set, or of the write set.
fn files(place: &Place, set: &str) -> Vec<std::path::PathBuf> {
    let (found, _) = place.laid_down();
    let of = found.iter().filter(|name| name.starts_with(set));
    of.map(|name| place.data_folder().join(name)).collect()
}

#[test]
fn test_files_that_are_cut_short_within_a_sitting_fail_their_trial() {
    let place = Place::new();
    place.ok(NEW);
    let mut child = start(&place, &format!("{LONG} --workload small-read"));
    wait_for_rows(&place, 1);
    for file in files(&place, "read") {
        File::options()
            .write(true)
            .open(file)
            .unwrap()
            .set_len(4096)
            .unwrap();
    }
    assert_eq!(child.wait().unwrap().code(), Some(4));
    let rows = place.rows("trials.csv");
    let (last, finished) = rows.split_last().unwrap();
    assert!(finished.iter().any(|row| row["state"] == "complete"));
    assert_eq!(last["state"], "failed");
    let cause = &last["cause"];
    let says = [
        "the file ends too early",
        "has not the size that was laid down",
    ];
    assert!(says.iter().any(|says| cause.contains(says)), "{cause}");
    // Between sittings it is seen before anything is read; and `clean` puts it right.
    let measure = format!("{SHORT} --phase after --workload small-read");
    assert!(place.fails(&measure, 4).contains("run `clean`"));
    place.ok("clean scans");
    place.ok(&measure);
}

/// Somebody's file in the place of one of the write set, of the same name and size, between sittings
/// and within one: it is not written to.
#[test]
fn a_file_that_somebody_put_in_the_place_of_a_test_file_is_not_written_to() {
    let place = Place::new();
    place.ok(NEW);
    let writes = "--workload small-write-deep";
    let mut child = start(&place, &format!("{LONG} {writes}"));
    wait_for_rows(&place, 1);
    let precious = vec![7; 4 << 20];
    let replaced = files(&place, "write");
    for file in &replaced {
        assert_eq!(fs::metadata(file).unwrap().len(), 4 << 20);
        let beside = place.share().join("precious");
        fs::write(&beside, &precious).unwrap();
        fs::rename(&beside, file).unwrap();
    }
    assert_eq!(child.wait().unwrap().code(), Some(4));
    let last = place.rows("trials.csv").pop().unwrap();
    assert_eq!(last["state"], "failed");
    let says = "holds what this program has not written";
    assert!(last["cause"].contains(says), "{}", last["cause"]);
    let said = place.fails(&format!("{SHORT} --phase after {writes}"), 4);
    assert!(said.contains(says), "{said}");
    assert!(
        replaced
            .iter()
            .all(|file| fs::read(file).unwrap() == precious)
    );
}

#[test]
fn two_studies_on_one_share_keep_apart() {
    let place = Place::new();
    place.ok(NEW);
    place.ok("new other --share share");
    let mut child = start(&place, LONG);
    wait_for_rows(&place, 1);
    let measure = "measure other --size 64MiB --seconds 1 --trials 1 --phase before";
    place.ok(&format!("{measure} --workload small-write-deep"));
    assert!(place.ok("clean other").contains("its folder is gone"));
    wait_for_rows(&place, place.rows("trials.csv").len() + 1);
    child.kill().unwrap();
    child.wait().unwrap();
    assert!(
        place
            .rows("trials.csv")
            .iter()
            .all(|row| row["state"] == "complete")
    );
    place.ok(&format!("{SHORT} --phase before --workload large-write"));
    assert!(place.ok("clean scans").contains("its folder is gone"));
    assert_eq!(fs::read_dir(place.share()).unwrap().count(), 0);
}

/// Somebody has a folder where the test data is to lie.
#[test]
fn a_folder_of_the_same_name_that_is_somebodys_is_left_alone() {
    let place = Place::new();
    place.ok(NEW);
    place.ok(&format!("{SHORT} --phase before --workload small-read"));
    let folder = place.data_folder();
    place.ok("clean scans");
    fs::create_dir(&folder).unwrap();
    fs::write(folder.join("letters"), "mine").unwrap();
    let output = place.run(&format!("{SHORT} --phase before --workload small-read"));
    assert_eq!(output.status.code(), Some(4));
    assert!(
        stderr(&output).contains("is not ours"),
        "{}",
        stderr(&output)
    );
    place.fails("clean scans", 4);
    assert_eq!(fs::read_dir(&folder).unwrap().count(), 1);
    assert_eq!(fs::read_to_string(folder.join("letters")).unwrap(), "mine");
}

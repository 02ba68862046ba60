//! Shares that are not there, not those of the study, or not large enough.

use std::fs;

use super::{NEW, Place, SHORT};

/// A share that is not mounted shows an empty directory: nothing may be laid under it, and the
/// manifest of what lies on the real one stays.
#[test]
fn test_data_that_is_not_there_is_neither_laid_anew_nor_forgotten() {
    let place = Place::new();
    place.ok(NEW);
    place.ok(&format!("{SHORT} --phase before --workload small-read"));
    let manifest = || fs::read_to_string(place.study().join("testdata.csv")).unwrap();
    let (before, mounted) = (manifest(), place.folder.path().join("mounted"));
    fs::rename(place.share(), &mounted).unwrap();
    fs::create_dir(place.share()).unwrap();
    let measure = format!("{SHORT} --phase after --workload small-read");
    assert!(place.fails(&measure, 4).contains("is the share mounted?"));
    assert!(
        place
            .fails("clean scans", 4)
            .contains("is the share mounted?")
    );
    assert_eq!(fs::read_dir(place.share()).unwrap().count(), 0);
    assert_eq!(manifest(), before);
    fs::remove_dir(place.share()).unwrap();
    fs::rename(&mounted, place.share()).unwrap();
    place.ok(&measure);
    assert!(place.ok("clean scans").contains("its folder is gone"));
}

/// What the study says is mounted there, made to differ from what is.
fn mount_elsewhere(place: &Place) {
    let config = place.study().join("study.toml");
    let text = fs::read_to_string(&config).unwrap();
    let document: toml::Table = text.parse().unwrap();
    let source = document["mount"]["source"].as_str().unwrap();
    let moved = text.replace(
        &format!("source = \"{source}\""),
        "source = \"archive:/scans\" # the NAS",
    );
    assert_ne!(text, moved, "the mount is in study.toml");
    fs::write(&config, moved).unwrap();
}

/// The share of the study is not mounted, and its empty mount point lies on another file system:
/// even the first sitting has to see that.
#[test]
fn another_file_system_than_the_studys_is_refused_untouched() {
    let place = Place::new();
    assert!(place.ok(NEW).contains("mounted at"));
    mount_elsewhere(&place);
    let measure = format!("{SHORT} --phase before --workload small-read");
    for command in [measure.as_str(), "sweep scans --size 64MiB --seconds 1"] {
        let said = place.fails(command, 4);
        for part in ["archive:/scans", "nothing was touched", "--share-moved"] {
            assert!(said.contains(part), "{command}: {said}");
        }
    }
    assert_eq!(fs::read_dir(place.share()).unwrap().count(), 0);
    // Readers do not care.
    place.ok("show scans");

    place.ok(&format!("{measure} --share-moved"));
    let config = fs::read_to_string(place.study().join("study.toml")).unwrap();
    assert!(!config.contains("archive:/scans") && config.starts_with("# A poolproof study"));
    place.ok(&measure);

    mount_elsewhere(&place);
    assert!(place.fails("clean scans", 4).contains("--share-moved"));
    assert!(place.laid_down().0.len() > 16, "nothing was removed");
    assert!(
        place
            .ok("clean scans --share-moved")
            .contains("its folder is gone")
    );
}

#[test]
fn a_study_that_does_not_know_its_mount_is_measured() {
    let place = Place::new();
    place.ok(NEW);
    let config = place.study().join("study.toml");
    let text = fs::read_to_string(&config).unwrap();
    let (before, mount) = text.split_once("[mount]").unwrap();
    let after = mount
        .split_once("\n[")
        .map_or(String::new(), |(_, rest)| format!("[{rest}"));
    fs::write(&config, format!("{before}{after}")).unwrap();
    place.ok(&format!("{SHORT} --phase before --workload small-read"));
}

#[test]
fn a_size_that_cannot_be_is_a_matter_of_usage() {
    let place = Place::new();
    place.ok(NEW);
    for size in ["1MiB", "900PB"] {
        let said = place.fails(&format!("measure scans --phase before --size {size}"), 2);
        assert!(said.contains("--size"), "{said}");
    }
    assert_eq!(fs::read_dir(place.share()).unwrap().count(), 0);
}

/// A start may be cut off between making the folder and its first file.
#[test]
fn cleaning_takes_away_a_folder_that_was_hardly_begun() {
    let place = Place::new();
    place.ok(NEW);
    place.ok(&format!("{SHORT} --phase before --workload small-read"));
    place.ok("clean scans");
    let manifest = place.study().join("testdata.csv");
    let rows = fs::read_to_string(&manifest).unwrap();
    let begun: Vec<&str> = rows.lines().take(2).collect();
    fs::write(&manifest, begun.join("\n") + "\n").unwrap();
    let folder = begun[1].split(',').nth(1).unwrap();
    fs::create_dir(place.share().join(folder)).unwrap();
    assert!(place.ok("clean scans").contains("its folder is gone"));
    assert_eq!(fs::read_dir(place.share()).unwrap().count(), 0);
    assert!(place.ok("clean scans").contains("no test data"));
}

/// Nothing else is said of a share that cannot be looked at.
#[test]
fn a_share_that_is_not_there_is_told_in_one_sentence() {
    let place = Place::new();
    place.ok(NEW);
    fs::remove_dir(place.share()).unwrap();
    let measure = format!("{SHORT} --phase before --workload small-read");
    for command in [
        measure.as_str(),
        "measure scans --phase before --only-plan",
        "sweep scans --size 64MiB --seconds 1",
    ] {
        let said = place.fails(command, 4);
        assert_eq!(said.lines().count(), 1, "{command}: {said}");
        assert!(
            said.contains("cannot be reached") && said.contains("nothing was touched"),
            "{command}: {said}"
        );
    }
}

/// What the manifest lists is looked for before it is said to be reused.
#[test]
fn a_plan_of_a_sitting_looks_whether_test_data_is_there() {
    let place = Place::new();
    place.ok(NEW);
    let plan = "measure scans --phase after --only-plan";
    let told = place.ok(&format!("{plan} --size 64MiB"));
    assert!(told.contains("laying down before them"), "{told}");
    place.ok(&format!("{SHORT} --phase before --workload small-read"));
    let told = place.ok(plan);
    assert!(
        told.starts_with("test data is there and is reused"),
        "{told}"
    );
    assert!(!told.contains("laying down before them"), "{told}");
    let (laid, away) = (place.data_folder(), place.folder.path().join("away"));
    fs::rename(&laid, &away).unwrap();
    let said = place.fails(plan, 4);
    assert!(said.contains("is the share mounted?"), "{said}");
    assert!(said.contains("`poolproof clean scans --forget`"), "{said}");
    assert_eq!(fs::read_dir(place.share()).unwrap().count(), 0);
}

//! Making studies, workloads of one's own, and help.

use std::fs;

use super::{NEW, Place, SHORT};

#[test]
fn a_study_is_made_once_and_apart_from_its_share() {
    let place = Place::new();
    place.ok("new scans --share share --pool raid6 --drives 4 --adding 1 --drive-size 6TB --server-memory 16GiB");
    let config = fs::read_to_string(place.study().join("study.toml")).unwrap();
    for line in [
        "level = \"raid6\"",
        "drives = 4",
        "drive_size = \"6 TB\"",
        "server_memory = \"16 GiB\"",
    ] {
        assert!(config.contains(line), "{config}");
    }
    // What it is measured with is written down, and stays when later versions have another set.
    let run = "[run]\ntrials = 6\nseconds = 25\nprobe_block = \"16 KiB\"\n";
    assert!(config.contains(run), "{config}");
    assert_eq!(config.matches("\n[[workload]]\n").count(), 6, "{config}");
    for (name, figures) in [
        (
            "large-read",
            "read_percent = 100\naccess = \"sequential\"\nblock = \"4 MiB\"\ndepth = 4\n",
        ),
        (
            "small-write-deep",
            "read_percent = 0\naccess = \"random\"\nblock = \"16 KiB\"\ndepth = 24\n",
        ),
        (
            "mixed",
            "read_percent = 75\naccess = \"random\"\nblock = \"16 KiB\"\ndepth = 24\n",
        ),
    ] {
        assert!(
            config.contains(&format!("name = \"{name}\"\n{figures}")),
            "{config}"
        );
    }
    assert!(place.fails(NEW, 3).contains("exists already"));
    assert!(
        place
            .fails("new share/inside --share share", 3)
            .contains("would lie on the share")
    );
    assert!(
        place
            .fails("new other --share nowhere", 4)
            .contains("cannot be found")
    );
    assert!(
        place
            .fails("new other --share scans/study.toml", 4)
            .contains("is no directory")
    );
    assert!(
        place
            .fails("new missing/other --share share", 3)
            .contains("does not exist")
    );
    assert!(
        place
            .fails("new other --share share --pool raid10 --drives 4", 2)
            .contains("pairs")
    );
    assert!(
        place
            .fails("new other --share share --pool raid7 --drives 4", 2)
            .contains("raid6")
    );
    assert!(
        place
            .fails("new other --share share --server-memory 16G", 2)
            .contains("GiB")
    );
    assert!(
        !place.folder.path().join("other").exists(),
        "a refusal leaves nothing behind"
    );
}

#[test]
fn workloads_of_ones_own_are_run_and_wrong_names_are_told() {
    let place = Place::new();
    place.ok(NEW);
    let config = place.study().join("study.toml");
    let mut text = fs::read_to_string(&config).unwrap();
    text += "\n[[workload]]\nname = \"patron\"\nread_percent = 100\naccess = \"random\"\nblock = \"8 KiB\"\ndepth = 4\nstreams = 2\noperations_per_second = 200.0\n";
    fs::write(&config, &text).unwrap();
    place.ok(&format!("{SHORT} --phase before --workload patron"));
    let trial = &place.rows("trials.csv")[0];
    // 200 operations a second for one second, however fast the share is.
    assert_eq!(
        (trial["workload"].as_str(), trial["operations"].as_str()),
        ("patron", "200")
    );
    assert!(
        place
            .fails(&format!("{SHORT} --phase before --workload patrons"), 2)
            .contains("large-read")
    );
    assert!(
        place
            .fails(&format!("{SHORT} --phase later"), 2)
            .contains("choose from before, during, after")
    );
    assert!(
        place
            .fails("measure scans --phase before --tag nonsense", 2)
            .contains("KEY=VALUE")
    );
    fs::write(&config, text.replace("depth = 4", "depth = 0")).unwrap();
    assert!(place.fails("show scans", 3).contains("depth is 1 to 1024"));
    assert!(place.fails("show nothing", 3).contains("is no study"));
}

#[test]
fn help_shows_examples_for_every_command() {
    let place = Place::new();
    for command in [
        "new", "measure", "show", "compare", "report", "clean", "demo",
    ] {
        let help = place.ok(&format!("{command} --help"));
        assert!(help.contains(&format!("poolproof {command}")), "{help}");
        assert!(help.contains("Example"), "{help}");
    }
    assert!(place.ok("--help").contains("Exit codes"));
    place.fails("measure", 2);
}

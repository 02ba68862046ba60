//! The commands as a person types them, on real directories.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::thread::sleep;
use std::time::Duration;

use tempfile::TempDir;

/// A directory that stands for a share, and the name of a study beside it.
struct Place {
    folder: TempDir,
}

impl Place {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        fs::create_dir(folder.path().join("share")).unwrap();
        Self { folder }
    }

    fn share(&self) -> PathBuf {
        self.folder.path().join("share")
    }

    fn study(&self) -> PathBuf {
        self.folder.path().join("scans")
    }

    /// Runs the program beside the share; the study is called `scans` there.
    fn run(&self, words: &str) -> Output {
        self.command(words).output().unwrap()
    }

    fn command(&self, words: &str) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_poolproof"));
        command
            .args(words.split_whitespace())
            .current_dir(self.folder.path());
        command
    }

    /// Runs the program, which has to succeed; what it printed.
    #[track_caller]
    fn ok(&self, words: &str) -> String {
        let output = self.run(words);
        assert_eq!(
            output.status.code(),
            Some(0),
            "{words}: {}",
            stderr(&output)
        );
        String::from_utf8(output.stdout).unwrap()
    }

    /// Runs the program, which has to end with `code`; what it said.
    #[track_caller]
    fn fails(&self, words: &str, code: i32) -> String {
        let output = self.run(words);
        assert_eq!(
            output.status.code(),
            Some(code),
            "{words}: {}",
            stderr(&output)
        );
        stderr(&output)
    }

    fn rows(&self, table: &str) -> Vec<BTreeMap<String, String>> {
        let mut reader = csv::Reader::from_path(self.study().join(table)).unwrap();
        reader.deserialize().map(Result::unwrap).collect()
    }

    /// Names of all files in the test-data folder, and of those that the manifest lists.
    fn laid_down(&self) -> (BTreeSet<String>, BTreeSet<String>) {
        let manifest = fs::read_to_string(self.study().join("testdata.toml")).unwrap();
        let manifest: toml::Table = manifest.parse().unwrap();
        let folder = self.share().join(manifest["folder"].as_str().unwrap());
        let found = fs::read_dir(folder)
            .map(|entries| {
                entries
                    .map(|e| e.unwrap().file_name().into_string().unwrap())
                    .collect()
            })
            .unwrap_or_default();
        let listed = manifest["file"].as_array().unwrap().iter().map(|file| {
            format!(
                "{}-{:05}.blocks",
                file["set"].as_str().unwrap(),
                file["number"].as_integer().unwrap()
            )
        });
        (found, listed.collect())
    }
}

fn stderr(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

const NEW: &str = "new scans --share share";
const SHORT: &str = "measure scans --size 64MiB --seconds 1 --trials 1";

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
fn a_sitting_leaves_rows_windows_latencies_and_facts() {
    let place = Place::new();
    place.ok(NEW);
    let summary = place.ok(&format!("{SHORT} --phase before --tag hour=quiet"));
    assert!(summary.contains("small-read-deep"), "{summary}");
    let trials = place.rows("trials.csv");
    let names: BTreeSet<&str> = trials
        .iter()
        .map(|trial| trial["workload"].as_str())
        .collect();
    assert_eq!((trials.len(), names.len()), (6, 6));
    let windows = place.rows("windows.csv");
    for trial in &trials {
        assert_eq!(
            (trial["state"].as_str(), trial["tags"].as_str()),
            ("complete", "hour=quiet")
        );
        assert!(trial["rate_bytes_per_s"].parse::<f64>().unwrap() > 0.0);
        assert_eq!(
            trial["flush_seconds"].is_empty(),
            trial["read_percent"] == "100"
        );
        let facts = place
            .study()
            .join("facts")
            .join(format!("{}.toml", trial["facts"]));
        assert!(facts.is_file());
        let of_trial = windows
            .iter()
            .filter(|window| window["trial"] == trial["trial"]);
        let bytes: u64 = of_trial
            .map(|w| {
                w["read_bytes"].parse::<u64>().unwrap() + w["written_bytes"].parse::<u64>().unwrap()
            })
            .sum();
        assert!(bytes > 0 && bytes <= trial["bytes"].parse().unwrap());
    }
    let log = fs::read_to_string(place.study().join("latency.hlog")).unwrap();
    assert_eq!(
        log.lines()
            .filter(|line| line.starts_with("Tag=trial-"))
            .count(),
        6
    );
    let (found, listed) = place.laid_down();
    assert!(listed.is_subset(&found), "{listed:?} {found:?}");
    // The data is there: the next sitting lays nothing down, and goes on where this one stopped.
    let again = place.run(&format!("{SHORT} --phase before --workload large-read"));
    assert!(
        !stderr(&again).contains("laying down"),
        "{}",
        stderr(&again)
    );
    let (first, second) = (&trials, place.rows("trials.csv"));
    let first = first
        .iter()
        .find(|trial| trial["workload"] == "large-read")
        .unwrap();
    assert_eq!(
        second.last().unwrap()["first_operation"],
        first["next_operation"]
    );
}

#[test]
fn what_was_measured_is_shown_compared_reported_and_cleaned() {
    let place = Place::new();
    place.ok(NEW);
    let measure = "measure scans --size 64MiB --seconds 1 --trials 3 --workload small-read";
    place.ok(&format!("{measure} --phase before"));
    place.ok(&format!("{measure} --phase after"));
    assert!(place.ok("show scans").contains("before"));
    assert!(place.ok("compare scans").contains("small-read"));
    let json: serde_json::Value = serde_json::from_str(&place.ok("compare scans --json")).unwrap();
    assert!(json.is_object());
    let csv = place.ok("compare scans --csv");
    let mut reader = csv::Reader::from_reader(csv.as_bytes());
    let row: BTreeMap<String, String> = reader.deserialize().next().unwrap().unwrap();
    for column in ["ratio", "low", "high"] {
        assert!(
            row[&format!("after_before_{column}")]
                .parse::<f64>()
                .unwrap()
                > 0.0
        );
        assert!(row[&format!("during_before_{column}")].is_empty());
    }
    assert!(["gain", "loss", "no provable change", "void"].contains(&row["verdict"].as_str()));
    let page = place.ok("report scans");
    assert!(page.contains("report.html"), "{page}");
    let html = fs::read_to_string(place.study().join("reports/report.html")).unwrap();
    assert!(html.contains("small-read") && !html.contains("SIMULATED"));

    let cleaned = place.ok("clean scans");
    assert!(cleaned.contains("its folder is gone"), "{cleaned}");
    assert_eq!(fs::read_dir(place.share()).unwrap().count(), 0);
    assert!(
        place.ok("compare scans").contains("small-read"),
        "the study stays"
    );
    assert!(place.ok("clean scans").contains("no test data"));
    // New test data never repeats content that was there before: file numbers go on.
    let before: u64 = 80;
    place.ok(&format!("{measure} --phase after"));
    let (found, _) = place.laid_down();
    let numbers = found
        .iter()
        .filter_map(|name| name.split(['-', '.']).nth(1)?.parse::<u64>().ok());
    assert!(numbers.min().unwrap() > before / 8, "{found:?}");
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
            .contains("before, during or after")
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

#[test]
fn interrupting_keeps_finished_trials_and_exits_130() {
    let place = Place::new();
    place.ok(NEW);
    let mut child = start(
        &place,
        "measure scans --size 64MiB --seconds 1 --trials 50 --phase before",
    );
    wait_for_rows(&place, 2);
    signal(&child, "INT");
    assert_eq!(child.wait().unwrap().code(), Some(130));
    let states: Vec<String> = place
        .rows("trials.csv")
        .into_iter()
        .map(|row| row["state"].clone())
        .collect();
    assert!(
        states.len() >= 2 && states[..2] == ["complete", "complete"],
        "{states:?}"
    );
    assert!(place.ok("show scans").contains("before"));
}

/// Killed at moments spread over laying down and measuring: every finished trial is there, readers
/// read, the next sitting goes on, and nothing lies on the share that the manifest does not list.
#[test]
fn killing_a_sitting_at_any_point_leaves_a_whole_study() {
    const SEED: u64 = 5;
    let place = Place::new();
    place.ok(NEW);
    let mut chance = fastrand::Rng::with_seed(SEED);
    let mut finished = 0;
    for round in 0..12 {
        let mut child = start(
            &place,
            "measure scans --size 64MiB --seconds 1 --trials 50 --phase before",
        );
        sleep(Duration::from_millis(chance.u64(10..1_800)));
        child.kill().unwrap();
        child.wait().unwrap();
        let at = format!("seed {SEED}, round {round}");
        place.ok("show scans");
        place.ok("compare scans");
        let rows = if place.study().join("trials.csv").exists() {
            place.rows("trials.csv")
        } else {
            Vec::new()
        };
        assert!(rows.len() >= finished, "{at}");
        finished = rows.len();
        if place.study().join("testdata.toml").exists() {
            let (mut found, listed) = place.laid_down();
            found.remove("THIS-BELONGS-TO-POOLPROOF.txt");
            assert!(found.is_subset(&listed), "{at}: {found:?}");
        }
    }
    place.ok(&format!("{SHORT} --phase before"));
    assert!(place.rows("trials.csv").len() >= finished + 6);
    place.ok("clean scans");
    assert_eq!(fs::read_dir(place.share()).unwrap().count(), 0);
}

#[test]
fn a_second_sitting_on_the_same_study_is_refused() {
    let place = Place::new();
    place.ok(NEW);
    let mut child = start(
        &place,
        "measure scans --size 64MiB --seconds 1 --trials 50 --phase before",
    );
    wait_for_rows(&place, 1);
    assert!(
        place
            .fails(&format!("{SHORT} --phase before"), 3)
            .contains("is being written by `measure`")
    );
    place.ok("show scans");
    child.kill().unwrap();
    child.wait().unwrap();
}

#[test]
fn the_same_seed_gives_the_same_demo_and_the_example_is_current() {
    let (one, two) = (Place::new(), Place::new());
    let text = one.ok("demo lighthouse-archive");
    assert!(text.starts_with("SIMULATED"), "{text}");
    two.ok("demo lighthouse-archive");
    let (one, two) = (contents(one.folder.path()), contents(two.folder.path()));
    assert!(one == two, "the same seed gave other bytes");
    let kept = contents(Path::new(concat!(env!("CARGO_MANIFEST_DIR"), "/reports")));
    let differing: Vec<_> = one
        .keys()
        .filter(|name| kept.get(*name) != one.get(*name))
        .collect();
    assert!(
        differing.is_empty() && kept.len() == one.len(),
        "reports/ is not what the program makes now ({differing:?} differ): remove reports/lighthouse-archive and run `cargo run --release -- demo reports/lighthouse-archive`"
    );
}

/// All files below a folder but locks, by name.
fn contents(folder: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let mut found = BTreeMap::new();
    let mut folders = vec![folder.to_owned()];
    while let Some(next) = folders.pop() {
        for entry in fs::read_dir(next).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else if path.file_name() != Some("lock".as_ref()) {
                found.insert(
                    path.strip_prefix(folder).unwrap().to_owned(),
                    fs::read(&path).unwrap(),
                );
            }
        }
    }
    found
}

fn start(place: &Place, words: &str) -> Child {
    place
        .command(words)
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap()
}

fn wait_for_rows(place: &Place, rows: usize) {
    for _ in 0..600 {
        let table = fs::read_to_string(place.study().join("trials.csv")).unwrap_or_default();
        if table.lines().count() > rows {
            return;
        }
        sleep(Duration::from_millis(50));
    }
    panic!("no {rows} trials after 30 s");
}

fn signal(child: &Child, name: &str) {
    let process = child.id().to_string();
    assert!(
        Command::new("kill")
            .args(["-s", name, &process])
            .status()
            .unwrap()
            .success()
    );
}

/// A share that is not mounted shows an empty directory: nothing may be laid under it, and the
/// manifest of what lies on the real one stays.
#[test]
fn test_data_that_is_not_there_is_neither_laid_anew_nor_forgotten() {
    let place = Place::new();
    place.ok(NEW);
    place.ok(&format!("{SHORT} --phase before --workload small-read"));
    let manifest = || fs::read_to_string(place.study().join("testdata.toml")).unwrap();
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

#[test]
fn more_files_than_the_usual_limit_are_opened() {
    let place = Place::new();
    place.ok(NEW);
    place.ok(&format!("{SHORT} --phase before --workload large-read"));
    let program = env!("CARGO_BIN_EXE_poolproof");
    let line = format!(
        "ulimit -S -n 256; exec {program} measure scans --size 512MiB --seconds 1 --trials 1 --phase before --workload large-read"
    );
    let shell = ["-c", &line];
    let output = Command::new("bash")
        .args(shell)
        .current_dir(place.folder.path())
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
}

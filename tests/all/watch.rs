//! `poolproof watch` as a person types it: texts of servers in files, commands that fail, restarts.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::thread::sleep;
use std::time::Duration;

use tempfile::TempDir;

/// linux-raid, 28 October 2019: a reshape that stands, with a finish time of twenty years.
const STALLED: &str = "md0 : active raid6 sdac[0] sdf[21] sdh[17]
      74232661248 blocks super 1.1 level 6, 64k chunk, algorithm 2 [20/20] [UUUUUUUUUUUUUUUUUUUU]
      [===================>.]  reshape = 97.5% (4024886912/4124036736) finish=10844512.0min speed=0K/sec
      bitmap: 5/31 pages [20KB], 65536KB chunk
";
/// A public forum: RAID 5 from three drives to four.
const MOVING: &str = "Personalities : [raid1] [raid6] [raid5] [raid4]
md0 : active raid5 sde[4] sdc[3] sda[0] sdb[1]
      3906764800 blocks super 1.2 level 5, 512k chunk, algorithm 2 [4/4] [UUUU]
      [>....................]  reshape =  0.1% (3172876/1953382400) finish=2407.8min speed=13498K/sec
      bitmap: 0/15 pages [0KB], 65536KB chunk

unused devices: <none>
";
/// Prints a percentage that grows by `step` with each call, `finished` at the end, and now and then
/// nothing but an error.
const COUNTER: &str = "n=$(cat count 2>/dev/null || echo 0)
n=$((n + 1)); echo $n > count
[ -e broken ] && { echo the way is blocked >&2; exit 7; }
[ $((n * STEP)) -lt 100 ] && echo $((n * STEP)) || echo finished
";

struct Place(TempDir);

impl Place {
    fn new() -> Self {
        let place = Self(tempfile::tempdir().unwrap());
        fs::create_dir(place.path("share")).unwrap();
        place.ends(
            "new scans --share share --pool raid6 --drives 4 --drive-size 6TB",
            0,
        );
        place
    }

    fn path(&self, name: &str) -> PathBuf {
        self.0.path().join(name)
    }

    fn command(&self, words: &str) -> Command {
        let mut command = crate::support::program();
        command
            .args(words.split_whitespace())
            .current_dir(self.0.path());
        command
    }

    /// Runs the program, which has to end with `code`.
    #[track_caller]
    fn ends(&self, words: &str, code: i32) -> Output {
        let output = self.command(words).output().unwrap();
        assert_eq!(
            output.status.code(),
            Some(code),
            "{words}: {}",
            said(&output)
        );
        output
    }

    fn rows(&self, table: &str) -> Vec<BTreeMap<String, String>> {
        rows(&self.path("scans").join(table))
    }

    fn write(&self, name: &str, text: &str) {
        fs::write(self.path(name), text).unwrap();
    }

    /// Starts a watch that asks the counter every second.
    fn watch(&self, step: u32, more: &str) -> Child {
        self.write("counter", &COUNTER.replace("STEP", &step.to_string()));
        self.command(&format!("watch scans --source percent --every 1s {more}"))
            .args(["--command", "sh counter"])
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap()
    }

    /// Waits until the study has so many readings.
    fn wait_for(&self, readings: usize) {
        for _ in 0..600 {
            if self.path("scans/progress.csv").exists()
                && self.rows("progress.csv").len() >= readings
            {
                return;
            }
            sleep(Duration::from_millis(50));
        }
        panic!("no {readings} readings within half a minute");
    }
}

fn rows(path: &Path) -> Vec<BTreeMap<String, String>> {
    let mut reader = csv::Reader::from_path(path).unwrap();
    // A line may be half written when it is looked at.
    reader.deserialize().filter_map(Result::ok).collect()
}

fn printed(output: &Output) -> String {
    let text = String::from_utf8_lossy(&output.stdout);
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

fn said(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

#[test]
fn a_stalled_array_ends_with_eight_and_says_what_to_do() {
    let place = Place::new();
    place.write("mdstat", STALLED);
    let text = printed(&place.ends("watch scans --source mdstat --file mdstat --once", 8));
    for part in [
        "stalled since",
        "4.12 TB of 4.22 TB of each drive",
        "restart nothing before: the reshape stands at 97.6 %",
        "finish not known while it does not move",
    ] {
        assert!(text.contains(part), "{part}: {text}");
    }
    assert!(!text.contains("10844512"), "{text}");
    let rows = place.rows("progress.csv");
    let row = &rows[0];
    assert_eq!(
        (row["state"].as_str(), row["speed_bytes_per_s"].as_str()),
        ("running", "0.0")
    );
    assert_eq!(
        (row["counts"].as_str(), row["simulated"].as_str()),
        ("drive", "false")
    );
}

#[test]
fn a_moving_array_ends_with_nought_and_a_cut_text_with_eight() {
    let place = Place::new();
    place.write("mdstat", MOVING);
    let text = printed(&place.ends("watch scans --source mdstat --file mdstat --once", 0));
    assert!(
        text.contains("state moving") && text.contains("not known yet"),
        "{text}"
    );
    place.write("mdstat", &MOVING[..200]);
    for _ in 0..2 {
        place.ends("watch scans --source mdstat --file mdstat --once", 0);
    }
    let text = printed(&place.ends("watch scans --source mdstat --file mdstat --once", 8));
    assert!(
        text.contains("lost since") && text.contains("the text is cut off"),
        "{text}"
    );
}

#[test]
fn readings_by_hand_are_kept_and_a_hundred_ends_it() {
    let place = Place::new();
    for percent in ["10", "20.5", "31"] {
        place.ends(&format!("watch scans --at {percent}"), 0);
    }
    let text = printed(&place.ends("watch scans --at 100", 0));
    assert!(
        text.contains("finished since") && text.contains("what follows"),
        "{text}"
    );
    let fractions: Vec<String> = place
        .rows("progress.csv")
        .iter()
        .map(|row| row["fraction"].clone())
        .collect();
    assert_eq!(fractions, ["0.1", "0.205", "0.31", "1.0"]);
    for words in [
        "watch scans --at 1e9",
        "watch scans --at nan",
        "watch scans",
        "watch scans --every 0s",
    ] {
        place.ends(words, 2);
    }
    let output = place.ends("watch scans --source btrfs", 2);
    assert!(
        said(&output).contains("--command or --file"),
        "{}",
        said(&output)
    );
}

#[test]
fn a_watch_that_is_killed_goes_on_and_one_at_a_time_follows() {
    let place = Place::new();
    let mut first = place.watch(10, "--no-probes");
    place.wait_for(3);
    let output = place.ends("watch scans --at 50", 3);
    assert!(
        said(&output).contains("`watch`, process"),
        "{}",
        said(&output)
    );
    first.kill().unwrap();
    first.wait().unwrap();
    let output = place.watch(10, "--no-probes").wait_with_output().unwrap();
    assert_eq!(output.status.code(), Some(0), "{}", said(&output));
    let rows = place.rows("progress.csv");
    assert_eq!(rows.len(), 10, "each call of the counter has its row");
    let starts = rows
        .iter()
        .filter(|row| row["elapsed_s"].is_empty())
        .count();
    assert_eq!(starts, 2);
    let told = printed(&output);
    assert!(told.contains("state finished"), "{told}");
}

#[test]
fn a_failing_command_raises_the_alarm_and_its_command_and_ctrl_c_ends_it() {
    let place = Place::new();
    place.write("broken", "");
    let alarm = "echo \"$POOLPROOF_STATE $POOLPROOF_ALARM\" >> alarms";
    place.write("counter", &COUNTER.replace("STEP", "1"));
    let child = place
        .command("watch scans --source percent --every 1s --no-probes --command")
        .arg("sh counter")
        .args(["--on-alarm", alarm])
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    place.wait_for(4);
    let interrupt = Command::new("kill")
        .args(["-INT", &child.id().to_string()])
        .status();
    assert!(interrupt.unwrap().success());
    let output = child.wait_with_output().unwrap();
    assert_eq!(output.status.code(), Some(130), "{}", said(&output));
    let alarms = fs::read_to_string(place.path("alarms")).unwrap();
    assert_eq!(alarms.lines().count(), 1, "{alarms}");
    assert!(
        alarms.starts_with("lost look whether the server can be reached: since "),
        "{alarms}"
    );
    assert!(alarms.contains("the way is blocked"), "{alarms}");
}

#[test]
fn probes_take_turns_and_lie_beside_the_readings() {
    let place = Place::new();
    place.ends(
        "measure scans --phase before --size 64MiB --seconds 1 --trials 1 --workload small-read",
        0,
    );
    place.write("counter", &COUNTER.replace("STEP", "20"));
    let output = place
        .command("watch scans --source percent --every 2s --command")
        .arg("sh counter")
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(0), "{}", said(&output));
    let probed: Vec<String> = place
        .rows("progress.csv")
        .iter()
        .map(|row| row["probed"].clone())
        .collect();
    assert!(
        probed.contains(&"true".into()) && probed.contains(&"false".into()),
        "{probed:?}"
    );
    let probes = place.rows("probes.csv");
    assert!(!probes.is_empty());
    assert!(
        probes
            .iter()
            .all(|row| row["cause"].is_empty() && !row["reshape_fraction"].is_empty()),
        "{probes:?}"
    );
    // Without test data it says so and follows all the same.
    let place = Place::new();
    let output = place.watch(50, "").wait_with_output().unwrap();
    assert_eq!(output.status.code(), Some(0), "{}", said(&output));
    assert!(
        said(&output).contains("no test data is laid down"),
        "{}",
        said(&output)
    );
}

#[test]
fn trials_measured_during_the_reshape_know_where_it_is() {
    let place = Place::new();
    place.write("mdstat", MOVING);
    let config = fs::read_to_string(place.path("scans/study.toml")).unwrap();
    let file = place.path("mdstat").display().to_string();
    place.write(
        "scans/study.toml",
        &format!("{config}\n[reshape]\nsource = \"mdstat\"\ncommand = \"cat '{file}'\"\n"),
    );
    place.ends("allow scans --yes", 0);
    let short = "--size 64MiB --seconds 1 --trials 1 --workload small-read";
    place.ends(&format!("measure scans --phase before {short}"), 0);
    place.ends(&format!("measure scans --phase during {short}"), 0);
    let seen: Vec<(String, String, f64)> = place
        .rows("observations.csv")
        .iter()
        .filter(|row| row["name"].starts_with("reshape_"))
        .map(|row| {
            (
                row["trial"].clone(),
                row["name"].clone(),
                row["value"].parse().unwrap(),
            )
        })
        .collect();
    // 3172876 of 1953382400 KiB, at 13498 KiB/s.
    let expected = [
        (
            "2".to_owned(),
            "reshape_bytes_per_s".to_owned(),
            13498.0 * 1024.0,
        ),
        (
            "2".to_owned(),
            "reshape_fraction".to_owned(),
            3172876.0 / 1953382400.0,
        ),
    ];
    assert_eq!(seen, expected);
    // Before a position was read, one is of the time before.
    let none = "Personalities : [raid5]\nmd0 : active raid5 sda[0] sdb[1] sdc[2]\n      3906764800 blocks super 1.2 level 5, 512k chunk, algorithm 2 [3/3] [UUU]\n\nunused devices: <none>\n";
    place.write("mdstat", none);
    place.ends("watch scans --once", 0);
    let output = place.ends(&format!("measure scans --phase during {short}"), 2);
    let said_early = said(&output);
    assert!(
        said_early.contains("nothing reshapes yet") && said_early.contains("--phase before"),
        "{said_early}"
    );
    // Once it is over, a trial is of the time after, whatever somebody calls it.
    place.ends("next scans --done reshape --by me", 0);
    let output = place.ends(&format!("measure scans --phase during {short}"), 2);
    let said = said(&output);
    assert!(
        said.contains("the reshape ended") && said.contains("--phase after"),
        "{said}"
    );
}

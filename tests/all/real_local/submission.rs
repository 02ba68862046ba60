//! Measuring a real folder: rings that are refused, room that runs out, schedules, and a repetition
//! that finds nothing.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Child, Stdio};
use std::thread::sleep;
use std::time::{Duration, Instant};

use poolproof::compare::{Rules, compare};
use poolproof::judge::judge_all;
use poolproof::plan::Set;
use poolproof::store;
use poolproof::study::{State, Study};

use super::ext4::{Ext4, text};
use super::refuse::without_rings;
use crate::real_pool::limits::Limits;
use crate::real_pool::pool::Home;
use crate::support::{poolproof, real, run, say};

/// The exit code of a share that cannot be used or on which trials failed, as README says.
const SHARE: Option<i32> = Some(4);
/// What should come within seconds is given up after so long.
const PATIENCE: Duration = Duration::from_secs(120);

/// Makes a study, told `more` than where the share is.
fn study_of(ext4: &Ext4, more: &str) {
    poolproof(&["new", text(&ext4.study()), "--share", text(&ext4.share())]);
    let config = ext4.study().join("study.toml");
    let head = fs::read_to_string(&config).unwrap();
    fs::write(&config, format!("{head}\n{more}")).unwrap();
}

/// The words that measure `workload`.
fn words(study: &str, workload: &str, size: &str, trials: u32, seconds: u32) -> Vec<String> {
    let (trials, seconds) = (trials.to_string(), seconds.to_string());
    let words = [
        "measure",
        study,
        "--phase",
        "before",
        "--workload",
        workload,
    ];
    let words = words
        .into_iter()
        .chain(["--size", size, "--trials", &trials]);
    words
        .chain(["--seconds", &seconds])
        .map(str::to_owned)
        .collect()
}

fn borrowed(words: &[String]) -> Vec<&str> {
    words.iter().map(String::as_str).collect()
}

fn read(ext4: &Ext4) -> Study {
    store::read(&ext4.study()).unwrap()
}

fn states(study: &Study) -> Vec<State> {
    study.trials.iter().map(|trial| trial.state).collect()
}

#[test]
fn threads_measure_where_the_kernel_refuses_rings() {
    let Some(ext4) = real("refused rings", || Ext4::build("noatime")) else {
        return;
    };
    study_of(&ext4, "");
    let words = words(text(&ext4.study()), "small-read-deep", "128MiB", 1, 2);
    let ended = without_rings(&borrowed(&words)).unwrap();
    let said = String::from_utf8_lossy(&ended.stderr);
    assert!(ended.status.success(), "{said}");
    // A workload keeps its submission, so that its trials can stand beside each other, unless it is told.
    poolproof(&borrowed(&words));
    let mut told = words.clone();
    told.extend(["--submit", "ring"].map(str::to_owned));
    poolproof(&borrowed(&told));
    let study = read(&ext4);
    let submissions: Vec<&str> = study.trials.iter().map(|t| t.submission.as_str()).collect();
    assert_eq!(submissions, ["threads", "threads", "ring"]);
    let reasons = study.trials.iter().map(|t| t.submission_reason.as_str());
    let reasons: Vec<&str> = reasons.collect();
    assert!(reasons[0].contains("no io_uring ring here"), "{reasons:?}");
    assert_eq!(reasons[1..], ["as trial 1", "asked for"]);
    let notes = &study.trials[0].notes;
    assert!(notes.contains("no io_uring ring here"), "{notes}");
    assert!(study.trials.iter().all(|trial| trial.direct == Some(true)));
}

#[test]
fn room_that_runs_out_within_a_trial_fails_it_and_keeps_the_others() {
    let Some(ext4) = real("thin ext4", Ext4::thin) else {
        return;
    };
    study_of(&ext4, "");
    let words = words(text(&ext4.study()), "large-write", "64MiB", 2, 1);
    poolproof(&borrowed(&words));
    let data = read(&ext4).data;
    // The later half of what is written to: the trial meets it in its midst.
    let written: Vec<PathBuf> = data
        .of(Set::Write)
        .map(|file| ext4.share().join(&data.folder).join(file.name()))
        .collect();
    ext4.withdraw(&written[written.len() / 2..]).unwrap();
    let ended = crate::support::program()
        .args(borrowed(&words))
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&ended.stderr);
    assert_eq!(ended.status.code(), SHARE, "{said}");
    let sentence = said.lines().last().unwrap_or_default();
    assert!(
        sentence.starts_with("error: trial 3 failed: writing file "),
        "{said}"
    );
    assert!(sentence.contains("No space left on device"), "{said}");
    assert!(sentence.ends_with("; finished trials are kept"), "{said}");
    let study = read(&ext4);
    assert_eq!(
        states(&study),
        [State::Complete, State::Complete, State::Failed]
    );
    assert!(study.trials[2].cause.contains("No space left on device"));
}

/// The program at work, which is ended when the test fails.
struct Working(Option<Child>);

impl Working {
    fn start(words: &[String]) -> Self {
        let mut command = crate::support::program();
        let command = command
            .args(words)
            .stdout(Stdio::piped())
            .stderr(Stdio::piped());
        Self(Some(command.spawn().unwrap()))
    }

    /// Its exit code and what it said.
    fn end(mut self) -> (Option<i32>, String) {
        let ended = self.0.take().unwrap().wait_with_output().unwrap();
        let said = String::from_utf8_lossy(&ended.stderr).into_owned();
        (ended.status.code(), said)
    }
}

impl Drop for Working {
    fn drop(&mut self) {
        if let Some(child) = &mut self.0 {
            drop(child.kill());
            drop(child.wait());
        }
    }
}

/// Waits until the table of trials has a row.
fn wait_for_a_trial(study: &Path) {
    let started = Instant::now();
    let rows = || fs::read_to_string(study.join("trials.csv")).unwrap_or_default();
    while rows().lines().count() < 2 {
        assert!(started.elapsed() < PATIENCE, "no trial has ended");
        sleep(Duration::from_millis(50));
    }
}

#[test]
fn a_share_that_others_fill_ends_the_sitting_before_it_is_full() {
    let Some(ext4) = real("filling ext4", || Ext4::build("noatime")) else {
        return;
    };
    study_of(&ext4, "");
    let words = words(text(&ext4.study()), "small-read", "64MiB", 50, 2);
    let working = Working::start(&words);
    wait_for_a_trial(&ext4.study());
    // Others leave 100 MiB of 2 GiB, less than a tenth.
    let others: PathBuf = ext4.share().join("holidays");
    let bytes = (ext4.available() - (100 << 20)).to_string();
    run("fallocate", &["-l", &bytes, text(&others)]).unwrap();
    let (code, said) = working.end();
    assert_eq!(code, SHARE, "{said}");
    assert!(
        said.contains("less than a tenth of the share is free"),
        "{said}"
    );
    assert!(said.contains("finished trials are kept"), "{said}");
    let study = read(&ext4);
    let states = states(&study);
    assert!(
        states.len() < 50 && states[0] == State::Complete,
        "{states:?}"
    );
    // It may have been between two trials.
    let cause = &study.trials[states.len() - 1].cause;
    assert!(cause.is_empty() || cause.contains("a tenth"), "{cause}");
}

#[test]
fn a_schedule_is_kept_and_what_it_misses_counts_with_its_wait() {
    const SECONDS: u32 = 3;
    let Some(ext4) = real("paced ext4", || Ext4::build("noatime")) else {
        return;
    };
    let paced = |name: &str, rate: u32| {
        format!(
            "[[workload]]\nname = \"{name}\"\nread_percent = 100\naccess = \"random\"\nblock = \"4 KiB\"\ndepth = 1\noperations_per_second = {rate}.0\n"
        )
    };
    // Far below what any disk can do, and far above.
    study_of(
        &ext4,
        &format!("{}{}", paced("stroll", 20), paced("rush", 2_000_000)),
    );
    for workload in ["stroll", "rush"] {
        let words = words(text(&ext4.study()), workload, "64MiB", 1, SECONDS);
        poolproof(&borrowed(&words));
    }
    let study = read(&ext4);
    let [stroll, rush] = &study.trials[..] else {
        panic!("{:?}", states(&study));
    };
    say(&format!(
        "real local: {} late and {} missed of 60; {} late and {} missed of 6,000,000, median {:?} ns",
        stroll.late_operations,
        stroll.missed_operations,
        rush.late_operations,
        rush.missed_operations,
        rush.p50_ns
    ));
    // All that were due stand in the latencies, once each: started or not.
    assert_eq!((stroll.operations, rush.operations), (60, 6_000_000));
    assert!(stroll.late_operations + stroll.missed_operations <= 60);
    assert!(rush.missed_operations > 0);
    assert!(rush.late_operations > 0);
    // Half of all were due before the middle, and none of those that are left was begun: their
    // median wait from the intended start is long, whatever a read takes.
    let (median, slowest) = (rush.p50_ns.unwrap(), rush.max_ns.unwrap());
    assert!(median > 1_000_000_000, "{median}");
    assert!(slowest <= 4_000_000_000, "{slowest}");
}

#[test]
fn measuring_the_same_twice_shows_no_provable_change() {
    /// Slow enough that nothing but the device limits it, in bytes per second.
    const RATE: u64 = 20_000_000;
    let prepared = real("held ext4", || {
        let home = Home::lock()?;
        let limits = Limits::join()?;
        let ext4 = Ext4::build("noatime")?;
        Ok((ext4, limits, home))
    });
    let Some((ext4, limits, _home)) = prepared else {
        return;
    };
    study_of(&ext4, "");
    // In small pieces: 4 MiB at this rate are so few in a trial that all trials move the same number.
    let config = ext4.study().join("study.toml");
    let set = std::fs::read_to_string(&config).unwrap();
    std::fs::write(&config, set.replace("\"4 MiB\"", "\"1 MiB\"")).unwrap();
    // Laid down before the device is held, which takes a trial.
    poolproof(&borrowed(&words(
        text(&ext4.study()),
        "large-read",
        "128MiB",
        1,
        1,
    )));
    limits.hold(&ext4.number(), RATE).unwrap();
    for phase in ["before", "after"] {
        let mut words = words(text(&ext4.study()), "large-read", "128MiB", 4, 5);
        words[3] = phase.to_owned();
        poolproof(&borrowed(&words));
    }
    limits.lift(&ext4.number()).unwrap();
    let mut study = read(&ext4);
    // The first sitting was faster on purpose.
    study.trials.retain(|trial| trial.sitting > 1);
    let judgements = judge_all(&study);
    let comparison = compare(&study, &judgements, Rules::of(&study));
    let text = poolproof::report::comparison_text(&comparison, &judgements, 100);
    say(&format!("real local: {text}"));
    assert!(text.contains("no provable change"), "{text}");
}

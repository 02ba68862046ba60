//! The program killed at random points, again and again, in whatever it does.
//!
//! `POOLPROOF_KILLS` says how often (10 without it), `POOLPROOF_SEED` where:
//! `POOLPROOF_KILLS=200 cargo test --test all kills -- --nocapture`.

use std::collections::BTreeMap;
use std::fs::{self, File};
use std::process::{Child, Command, Stdio};
use std::thread::sleep;
use std::time::{Duration, Instant};

use poolproof::store;

use super::{NEW, Place, SHORT, WATCH, stderr};
use crate::support::say;

/// What is killed: every command that writes to study or share belongs here.
const KILLED: [&str; 9] = [
    "measure scans --size 64MiB --seconds 1 --trials 50 --phase during",
    // Laying down more, in another phase, after whatever was there.
    "measure scans --size 96MiB --seconds 1 --trials 50 --phase after --workload large-write",
    "measure scans --size 64MiB --seconds 1 --trials 50 --phase during --workload small-read --workload mixed",
    WATCH,
    WATCH,
    "sweep scans --size 64MiB --seconds 1",
    "clean scans",
    "verify scans --limit 20MB",
    "verify scans --from-start",
];

/// Tables that only grow, and the next start of which command mends them.
const TABLES: [(&str, Mender); 12] = [
    ("trials.csv", Mender::Writer),
    ("windows.csv", Mender::Writer),
    ("observations.csv", Mender::Writer),
    ("latency.hlog", Mender::Writer),
    ("testdata.csv", Mender::Writer),
    ("sweep.csv", Mender::Writer),
    ("checks.csv", Mender::Writer),
    ("passes.csv", Mender::Writer),
    ("verified.csv", Mender::Writer),
    ("damage.csv", Mender::Writer),
    ("progress.csv", Mender::Follower),
    ("probes.csv", Mender::Follower),
];

#[derive(Clone, Copy, PartialEq)]
enum Mender {
    Writer,
    Follower,
}

/// What lies in a table now.
fn table(place: &Place, name: &str) -> Vec<u8> {
    fs::read(place.study().join(name)).unwrap_or_default()
}

/// Its whole lines: what a reader of it relies on.
fn lines(bytes: &[u8]) -> &[u8] {
    let end = bytes.iter().rposition(|byte| *byte == b'\n');
    &bytes[..end.map_or(0, |end| end + 1)]
}

/// The process that does the work, of the two that a command is.
fn worker(child: &Child) -> Option<u32> {
    let id = child.id();
    let children = fs::read_to_string(format!("/proc/{id}/task/{id}/children")).ok()?;
    children.split_whitespace().next()?.parse().ok()
}

fn number(name: &str, otherwise: u64) -> u64 {
    let told = std::env::var(name).ok();
    told.map_or(otherwise, |told| told.parse().expect("it is a number"))
}

/// When and whom to kill.
struct Aim {
    after: Duration,
    /// So long after the next row that is written.
    as_it_writes: Option<Duration>,
    only_worker: bool,
}

impl Aim {
    /// Waits for the moment.
    fn wait(&self, place: &Place) {
        sleep(self.after);
        let Some(more) = self.as_it_writes else {
            return;
        };
        let written = || -> u64 {
            let length = |name| fs::metadata(place.study().join(name)).map_or(0, |file| file.len());
            TABLES.iter().map(|(name, _)| length(name)).sum()
        };
        let (before, begun) = (written(), Instant::now());
        while written() == before && begun.elapsed() < Duration::from_secs(2) {
            sleep(Duration::from_micros(100));
        }
        sleep(more);
    }
}

/// What became of all the kills.
#[derive(Debug, Default)]
struct Figures {
    killed: BTreeMap<&'static str, u64>,
    worker: u64,
    ended_by_itself: u64,
    while_laying_down: u64,
    cut_off_trials: u64,
    torn: u64,
}

/// Every row that a reader saw before a kill is there after it; readers read; nothing lies on the share
/// that the manifest does not list; the next start says what it found and goes on.
#[test]
fn kills_at_random_points_lose_nothing_acknowledged_and_leave_nothing_astray() {
    let (kills, seed) = (number("POOLPROOF_KILLS", 10), number("POOLPROOF_SEED", 5));
    let place = Place::new();
    place.ok(NEW);
    // On a slow machine none of the sittings may get as far as its first row: there is something to lose
    // from the start.
    place.ok(&format!("{SHORT} --phase before"));
    fs::write(place.folder.path().join("percent"), "37.5").unwrap();
    let mut chance = fastrand::Rng::with_seed(seed);
    let mut figures = Figures::default();
    for round in 0..kills {
        let command = KILLED[chance.usize(..KILLED.len())];
        let at = format!("seed {seed}, round {round}: {command}");
        let aim = Aim {
            // Half of them in the first quarter.
            after: Duration::from_secs_f64(0.005 + 5.0 * chance.f64().powi(2)),
            as_it_writes: chance
                .bool()
                .then(|| Duration::from_micros(chance.u64(..4_000))),
            only_worker: chance.u8(..4) == 0,
        };
        kill(&place, command, aim, &mut figures, &at);
        look(&place, &mut figures, &at);
    }
    let acknowledged = |table: &str| place.rows(table).len();
    say(&format!(
        "kill loop: seed {seed}: {figures:?}; {} trials, {} readings and {} steps of the manifest acknowledged, none lost",
        acknowledged("trials.csv"),
        acknowledged("progress.csv"),
        acknowledged("testdata.csv"),
    ));
    let before = acknowledged("trials.csv");
    place.ok(&format!("{SHORT} --phase during"));
    assert_eq!(acknowledged("trials.csv"), before + 6);
    place.ok("compare scans");
    place.ok("clean scans");
    assert_eq!(fs::read_dir(place.share()).unwrap().count(), 0);
}

/// Starts a command and kills it when it is time. What was in the tables just before is there
/// afterwards.
fn kill(place: &Place, command: &'static str, aim: Aim, figures: &mut Figures, at: &str) {
    let mut child = place
        .command(command)
        .stdout(Stdio::null())
        .stderr(File::create(place.folder.path().join("said")).unwrap())
        .spawn()
        .unwrap();
    aim.wait(place);
    let before = TABLES.map(|(name, _)| table(place, name));
    if let Some(status) = child.try_wait().unwrap() {
        let said = fs::read_to_string(place.folder.path().join("said")).unwrap();
        let nothing_there = said.contains("has nothing to read back");
        assert!(status.success() || nothing_there, "{at}: {status}: {said}");
        figures.ended_by_itself += 1;
    }
    match worker(&child).filter(|_| aim.only_worker) {
        Some(worker) => {
            figures.worker += 1;
            let killed = Command::new("kill")
                .args(["-KILL", &worker.to_string()])
                .status();
            killed.unwrap();
        }
        None => child.kill().unwrap(),
    }
    child.wait().unwrap();
    let word = command.split(' ').next().unwrap();
    *figures.killed.entry(word).or_default() += 1;
    for ((name, _), before) in TABLES.iter().zip(before) {
        let after = table(place, name);
        assert!(after.starts_with(lines(&before)), "{at}: {name}");
    }
}

/// Reads, looks at the share, and starts again.
fn look(place: &Place, figures: &mut Figures, at: &str) {
    let study = store::read(&place.study()).unwrap_or_else(|error| panic!("{at}: {error}"));
    let planned = study.data.files.iter().filter(|file| !file.complete);
    figures.while_laying_down += u64::from(planned.count() > 0);
    let (mut found, listed) = place.laid_down();
    found.remove("THIS-BELONGS-TO-POOLPROOF.txt");
    assert!(found.is_subset(&listed), "{at}: {found:?}");
    for entry in fs::read_dir(place.share()).unwrap() {
        let name = entry.unwrap().file_name().into_string().unwrap();
        assert_eq!(name, study.data.folder, "{at}");
    }
    let last = study.trials.last().map_or(0, |trial| trial.trial);
    let cut_off = study.windows.trials().any(|trial| trial > last);
    figures.cut_off_trials += u64::from(cut_off);
    let before = TABLES.map(|(name, _)| table(place, name));
    let restarts = [
        (
            Mender::Writer,
            "check scans --attest users --by keeper --note told",
        ),
        (Mender::Follower, "watch scans --at 37.5"),
    ];
    for (mender, command) in restarts {
        let output = place.run(command);
        let said = stderr(&output);
        assert_eq!(output.status.code(), Some(0), "{at}: {command}: {said}");
        for ((name, _), before) in TABLES
            .iter()
            .zip(&before)
            .filter(|((_, of), _)| *of == mender)
        {
            let torn = lines(before).len() < before.len();
            figures.torn += u64::from(torn);
            let told = said.contains(&format!("{name} ended in a torn line"));
            assert_eq!(told, torn, "{at}: {name}: {said}");
        }
        if mender == Mender::Writer {
            assert_eq!(
                said.contains("a trial was cut off"),
                cut_off,
                "{at}: {said}"
            );
        }
    }
}

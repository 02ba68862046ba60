//! The program against a real pool that really grows.
//!
//! RAID 5 over three drives, each held to one rate. Its parity rotates, so large reads come from
//! all three drives at once, and from all four after the expansion: the true gain is 4/3. While the
//! data is being spread, reads have to share the drives with that, so there is a loss.

pub(crate) mod limits;
pub(crate) mod pool;
mod watched;

use std::collections::BTreeMap;
use std::path::Path;

use poolproof::stats::precise::half_width_at_look;
use poolproof::store;

use crate::support::{poolproof, real, say};
use pool::{DRIVES, Pool, text};

/// Drives after over drives before.
const TRUE_GAIN: f64 = (DRIVES + 1) as f64 / DRIVES as f64;
/// How far off the gain of the pool itself may be, as a part of it: where others keep the processors busy,
/// four drives are kept a little less busy than three, and what was built is not quite what is counted.
const BUSY_MACHINE: f64 = 0.01;
/// Sittings of a phase. The kernel holds a drive to its rate within about 1 %, for one stretch of time
/// a little above and for the next a little below, so it takes several to know how well it does.
const SITTINGS: usize = 3;
const WORKLOAD: &str = "large-read";
/// The workload as `new` writes it down.
const USUAL: &str = "block = \"4 MiB\"\ndepth = 4\n";
/// The workload, with so much in flight that no drive ever waits for the others: with a few operations
/// over more drives more of them are idle by chance, and the gain is less than that of the drives.
const DEEP: &str = "block = \"1 MiB\"\ndepth = 16\n";

/// A pool, and a study of its share.
struct Scene {
    pool: Pool,
    study: String,
}

impl Scene {
    /// `None` when this machine cannot have one, or was not asked to.
    fn set() -> Option<Self> {
        let pool = real("real pool", Pool::build)?;
        let (study, share) = (text(&pool.study()), text(&pool.share()));
        let drives = DRIVES.to_string();
        let grown = ["--pool", "raid5", "--drives", &drives, "--adding", "1"];
        let mut new = vec!["new", &study, "--share", &share];
        new.extend(grown);
        new.extend(["--drive-size", "5GiB"]);
        poolproof(&new);
        let config = Path::new(&study).join("study.toml");
        let text = std::fs::read_to_string(&config).unwrap();
        // It stands first.
        assert!(text.find(USUAL) > text.find("name = \"large-read\""));
        std::fs::write(&config, text.replacen(USUAL, DEEP, 1)).unwrap();
        Some(Self { pool, study })
    }

    fn measure(&self, phase: &str, [size, seconds, trials]: [&str; 3]) {
        let mut measure = vec!["measure", &self.study, "--phase", phase];
        measure.extend(["--workload", WORKLOAD, "--size", size]);
        // All 16 are in flight at once: threads wait for one of two cores in between, so that four drives are
        // kept a little less busy than three.
        measure.extend(["--seconds", seconds, "--trials", trials, "--submit", "ring"]);
        poolproof(&measure);
    }

    /// Measures in as many sittings as it takes.
    fn measure_well(&self, phase: &str, size: &str) {
        for _ in 0..SITTINGS {
            self.measure(phase, [size, "4", "2"]);
        }
    }

    /// Measures, expands, measures meanwhile and afterwards: what changed after and during.
    fn measured_expansion(&self) -> [Change; 2] {
        // The balance of so much has to outlast the trials meanwhile.
        let size = "3GiB";
        self.measure_well("before", size);
        self.pool.expand().unwrap();
        // A balance reads for a while and writes for a while, and only its reading costs reads their
        // speed: many short trials make sure that both are met.
        self.measure("during", [size, "3", "10"]);
        let (balancing, words) = self.pool.balancing().unwrap();
        assert!(balancing, "the balance ended before the trials: {words}");
        self.pool.wait_for_balance().unwrap();
        self.measure_well("after", size);
        say(&poolproof(&["compare", &self.study]));
        let row = self.compare();
        ["after", "during"].map(|phase| Change::of(&row, phase))
    }

    /// What the comparison says of the workload, by name of column.
    fn compare(&self) -> BTreeMap<String, String> {
        let table = poolproof(&["compare", &self.study, "--csv"]);
        let mut reader = csv::Reader::from_reader(table.as_bytes());
        let mut rows = reader.deserialize::<BTreeMap<String, String>>();
        rows.find_map(|row| row.ok().filter(|row| row["workload"] == WORKLOAD))
            .unwrap_or_else(|| panic!("no row for {WORKLOAD} in:\n{table}"))
    }
}

/// A phase over `before`, as the program found it.
struct Change {
    ratio: f64,
    low: f64,
    high: f64,
    verdict: String,
}

impl Change {
    /// Reads the change from a row, and shows it.
    fn of(row: &BTreeMap<String, String>, phase: &str) -> Self {
        let cell = |column: &str| row[&format!("{phase}_before_{column}")].clone();
        let number = |column: &str| -> f64 {
            let cell = cell(column);
            cell.parse()
                .unwrap_or_else(|_| panic!("{phase}_before_{column} is no number: {row:#?}"))
        };
        let change = Self {
            ratio: number("ratio"),
            low: number("low"),
            high: number("high"),
            verdict: cell("verdict"),
        };
        let Self {
            ratio,
            low,
            high,
            verdict,
        } = &change;
        say(&format!(
            "real pool: {WORKLOAD} {phase} over before: {ratio:.4}, interval {low:.4} to {high:.4}: {verdict}"
        ));
        change
    }

    fn holds(&self, ratio: f64) -> bool {
        (self.low..=self.high * (1.0 + BUSY_MACHINE)).contains(&ratio)
    }
}

#[test]
fn a_real_expansion_shows_its_gain_and_what_it_cost_meanwhile() {
    let Some(scene) = Scene::set() else { return };
    let [after, during] = scene.measured_expansion();
    assert_eq!(after.verdict, "gain");
    assert_eq!(during.verdict, "loss");
    assert!(during.high < 1.0, "a loss whose interval reaches 1");
    if after.holds(TRUE_GAIN) {
        return;
    }
    drop(scene);
    // A 95 % interval misses one time in twenty, whatever is measured; twice in a row it should not.
    say("real pool: the interval misses the true gain; one more expansion tells whether by chance");
    let again = Scene::set().expect("there was a pool before");
    let [after, _] = again.measured_expansion();
    assert!(
        after.holds(TRUE_GAIN),
        "the interval {} to {} does not hold the true gain of {TRUE_GAIN}, and that before did not",
        after.low,
        after.high
    );
}

#[test]
fn a_pool_that_did_not_grow_shows_no_provable_change() {
    let Some(scene) = Scene::set() else { return };
    for phase in ["before", "after"] {
        scene.measure_well(phase, "1GiB");
    }
    let change = Change::of(&scene.compare(), "after");
    assert_eq!(change.verdict, "no provable change");
}

/// The sitting ends because it knows enough; how long its trials took is shown.
#[test]
fn a_sitting_on_a_real_pool_ends_when_it_is_as_precise_as_asked() {
    const ASKED: f64 = 0.03;

    let Some(scene) = Scene::set() else { return };
    poolproof(&[
        "measure",
        &scene.study,
        "--phase",
        "before",
        "--workload",
        WORKLOAD,
        "--size",
        "2GiB",
        "--submit",
        "ring",
        "--precision",
        "3%",
    ]);
    let study = store::read(scene.study.as_ref()).unwrap();
    let rates = study
        .trials
        .iter()
        .filter_map(|trial| trial.rate_bytes_per_s);
    let logs: Vec<f64> = rates.map(f64::ln).collect();
    let lengths: Vec<f64> = study.trials.iter().map(|trial| trial.seconds).collect();
    let half_width = half_width_at_look(&logs).expect("three trials are the fewest");
    say(&format!(
        "real pool: {WORKLOAD} known to {:.2} % after trials of {lengths:.1?} s, in place of 6 of 25 s",
        half_width * 100.0
    ));
    assert!(half_width <= ASKED, "{half_width} of {logs:?}");
    assert_eq!(logs.len(), study.trials.len(), "a trial without a rate");
}

#[test]
fn cleaning_gives_the_space_back() {
    /// Room for what the file system writes about itself.
    const OWN_BOOKS: u64 = 16 << 20;
    const SIZE: u64 = 512 << 20;

    let Some(scene) = Scene::set() else { return };
    let free = scene.pool.available().unwrap();
    scene.measure("before", ["512MiB", "1", "1"]);
    let laid_down = scene.pool.available().unwrap();
    assert!(
        laid_down + SIZE <= free + OWN_BOOKS,
        "{free} bytes were free before {SIZE} were laid down, and {laid_down} after"
    );

    poolproof(&["clean", &scene.study]);
    let cleaned = scene.pool.available().unwrap();
    assert!(
        cleaned + OWN_BOOKS >= free,
        "{free} bytes were free at first, and {cleaned} after cleaning"
    );
    assert_eq!(entries(&scene.pool.share()), Vec::<String>::new());
}

/// Names in a folder.
fn entries(folder: &Path) -> Vec<String> {
    let entries = std::fs::read_dir(folder).unwrap();
    entries.map(|entry| text(&entry.unwrap().path())).collect()
}

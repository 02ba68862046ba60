//! What each cell showed, run by run, and whether that is what is listed.
//!
//! A cell is *green* when the program was right in three of three runs, *red* when it was wrong in three
//! of three, else *unsteady*, which counts as red. `expected.csv` lists red and unsteady cells by name: who mends
//! one takes it from the list, or the test fails.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::time::Instant;

use crate::tool::{run, say};

/// Chooses what runs: `gate` a subset, `full` all.
const LAB: &str = "POOLPROOF_LAB";
/// Runs only the parts whose names begin so.
const PART: &str = "POOLPROOF_LAB_PART";
/// Runs that decide a colour; `POOLPROOF_LAB_RUNS` asks for fewer, so that all cells can have one before any has three.
const RUNS: usize = 3;
/// See [`RUNS`].
const ASKED_RUNS: &str = "POOLPROOF_LAB_RUNS";

/// How much of the laboratory is to run.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Extent {
    /// What the gate has time for: a subset of the cells, once unless something is unexpected.
    Gate,
    /// All cells, three times each.
    Full,
}

/// The extent that was asked for; the gate's where nobody asked.
pub(crate) fn extent() -> Extent {
    match std::env::var(LAB).as_deref() {
        Ok("full") => Extent::Full,
        Ok("gate") | Err(_) => Extent::Gate,
        Ok(other) => panic!("{LAB} is `gate` or `full`, not `{other}`"),
    }
}

/// One statement of the program beside what happened.
#[derive(Clone, Debug)]
pub(crate) struct Finding {
    /// The cell's name.
    pub(crate) cell: String,
    /// What happened, counted outside of the program.
    pub(crate) truth: String,
    /// What the program said.
    pub(crate) said: String,
    /// Whether that is right.
    pub(crate) right: bool,
}

/// What a cell is, by its runs.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Colour {
    Green,
    Red,
    Unsteady,
}

impl Colour {
    fn word(self) -> &'static str {
        match self {
            Self::Green => "green",
            Self::Red => "red",
            Self::Unsteady => "unsteady",
        }
    }

    fn of(runs: &[Finding]) -> Self {
        match runs.iter().filter(|finding| finding.right).count() {
            0 => Self::Red,
            right if right == runs.len() => Self::Green,
            _ => Self::Unsteady,
        }
    }
}

/// Runs `once` as often as it takes to know the colours of the cells it returns, prints truth beside
/// statement, and holds the colours to the list.
///
/// In the gate a run that shows what is listed is enough; what differs is tried twice more, and fails when it
/// differs each time.
///
/// Returns a sentence for each cell that has another colour than it is listed with, and for a run that could
/// not be made: whoever holds several parts asserts once all are run.
#[must_use]
pub(crate) fn hold(
    part: &str,
    mut once: impl FnMut(usize) -> Result<Vec<Finding>, String>,
) -> Vec<String> {
    if std::env::var(PART).is_ok_and(|asked| !part.starts_with(&asked)) {
        left_out(part, &format!("{PART} asks for another part"));
        return Vec::new();
    }
    let listed = listed();
    let ledger = Ledger::open();
    let mut runs: BTreeMap<String, Vec<Finding>> = BTreeMap::new();
    let mut differing = Vec::new();
    let mut made = BTreeSet::new();
    for (number, finding) in ledger.of(part) {
        made.insert(number);
        runs.entry(finding.cell.clone()).or_default().push(finding);
    }
    let runs_asked = std::env::var(ASKED_RUNS).map_or(RUNS, |asked| {
        let number = asked
            .parse()
            .ok()
            .filter(|number| (1..=RUNS).contains(number));
        number.unwrap_or_else(|| panic!("{ASKED_RUNS} is 1 to {RUNS}, not `{asked}`"))
    });
    for number in (1..=runs_asked).filter(|number| !made.contains(number)) {
        let as_listed = |(cell, runs): (&String, &Vec<Finding>)| {
            let expected = listed.get(cell).copied().unwrap_or(Colour::Green);
            expected == Colour::Unsteady || Colour::of(runs) == expected
        };
        if extent() == Extent::Gate && !runs.is_empty() && runs.iter().all(as_listed) {
            break;
        }
        let started = Instant::now();
        let findings = match once(number) {
            Ok(findings) => findings,
            Err(why) => {
                let told = format!("{part}, run {number} could not be made: {why}");
                say(&told);
                differing.push(told);
                continue;
            }
        };
        let seconds = started.elapsed().as_secs();
        say(&format!("{part}, run {number}: {seconds} s"));
        for finding in findings {
            let mark = if finding.right { "right" } else { "WRONG" };
            let Finding {
                cell, truth, said, ..
            } = &finding;
            say(&format!(
                "  {mark}  {cell}\n         truth: {truth}\n         said:  {said}"
            ));
            ledger.append(part, number, &finding);
            runs.entry(cell.clone()).or_default().push(finding);
        }
    }
    // In the gate one run that could be made is enough.
    if extent() == Extent::Gate && !runs.is_empty() {
        differing.clear();
    }
    for (cell, runs) in &runs {
        let colour = Colour::of(runs);
        let expected = listed.get(cell).copied().unwrap_or(Colour::Green);
        // Where the gate's runs disagree it is noise, or news for the full run.
        let open = extent() == Extent::Gate
            && (colour == Colour::Unsteady || expected == Colour::Unsteady);
        if colour != expected && !open {
            differing.push(format!(
                "{cell} is {}, and tests/lab/expected.csv has it {}",
                colour.word(),
                expected.word()
            ));
        }
    }
    differing
}

/// Ends a test that has held its parts.
///
/// # Panics
/// With what differs from the list.
#[track_caller]
pub(crate) fn as_listed(differing: &[String]) {
    assert!(differing.is_empty(), "{}", differing.join("; "));
}

/// Says that a cell is left out, by name.
pub(crate) fn left_out(cell: &str, why: &str) {
    say(&format!("not run: {cell}: {why}"));
}

/// Red and unsteady cells.
fn listed() -> BTreeMap<String, Colour> {
    let rows = crate::proof::rows(include_str!("expected.csv")).expect("expected.csv is a table");
    rows.into_iter()
        .map(|row| {
            let colour = match row["colour"].as_str() {
                "red" => Colour::Red,
                "unsteady" => Colour::Unsteady,
                other => panic!("expected.csv: `{other}` is no colour of the list"),
            };
            (row["cell"].clone(), colour)
        })
        .collect()
}

/// One finding of a run that was written down.
pub(crate) struct Entry {
    /// What tells this program's source from others.
    pub(crate) build: String,
    pub(crate) commit: String,
    pub(crate) date: String,
    part: String,
    run: usize,
    pub(crate) finding: Finding,
}

/// All that was written down on this machine, oldest first.
pub(crate) fn entries() -> Vec<Entry> {
    let text = std::fs::read_to_string(file()).unwrap_or_default();
    let rows = crate::proof::rows(&text).expect("the ledger is a table");
    rows.into_iter()
        .map(|mut row| {
            let mut take = |name| row.remove(name).unwrap_or_default();
            Entry {
                build: take("build"),
                commit: take("commit"),
                date: take("date"),
                part: take("part"),
                run: take("run").parse().unwrap_or(0),
                finding: Finding {
                    cell: take("cell"),
                    truth: take("truth"),
                    said: take("said"),
                    right: take("right") == "true",
                },
            }
        })
        .collect()
}

/// Where findings are written down; `POOLPROOF_LAB_LEDGER` names another place.
fn file() -> PathBuf {
    std::env::var_os("POOLPROOF_LAB_LEDGER").map_or_else(
        || PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join("lab.csv"),
        PathBuf::from,
    )
}

/// All files below a folder, in the order of their names.
fn sources(folder: &Path) -> Vec<PathBuf> {
    let mut entries: Vec<PathBuf> = std::fs::read_dir(folder)
        .expect("the source is there")
        .map(|entry| entry.expect("the source can be listed").path())
        .collect();
    entries.sort();
    entries
        .into_iter()
        .flat_map(|path| {
            if path.is_dir() {
                sources(&path)
            } else {
                vec![path]
            }
        })
        .collect()
}

/// Findings of this build that were made before, so that a full run can be taken up where it ended.
struct Ledger {
    build: String,
}

impl Ledger {
    fn open() -> Self {
        let root = Path::new(env!("CARGO_MANIFEST_DIR"));
        let mut hasher = blake3::Hasher::new();
        for file in sources(&root.join("src"))
            .iter()
            .chain([&root.join("Cargo.lock")])
        {
            hasher.update(&std::fs::read(file).expect("the source is there"));
        }
        Self {
            build: hasher.finalize().to_hex()[..16].to_owned(),
        }
    }

    /// Findings of a part by their run, of this very program. The gate looks anew each time.
    fn of(&self, part: &str) -> Vec<(usize, Finding)> {
        if extent() == Extent::Gate {
            return Vec::new();
        }
        entries()
            .into_iter()
            .filter(|entry| entry.build == self.build && entry.part == part)
            .map(|entry| (entry.run, entry.finding))
            .collect()
    }

    fn append(&self, part: &str, run_number: usize, finding: &Finding) {
        let new = !file().exists();
        let file = std::fs::File::options()
            .create(true)
            .append(true)
            .open(file())
            .expect("the ledger can be written");
        let mut writer = csv::Writer::from_writer(file);
        if new {
            writer
                .write_record([
                    "build", "commit", "date", "part", "run", "cell", "truth", "said", "right",
                ])
                .expect("the ledger can be written");
        }
        let told =
            |tool, arguments: &[&str]| run(tool, arguments).unwrap_or_default().trim().to_owned();
        let commit = told("git", &["rev-parse", "--short=10", "HEAD"]);
        let date = told("date", &["-u", "+%Y-%m-%d"]);
        let number = run_number.to_string();
        let right = finding.right.to_string();
        writer
            .write_record([
                &self.build,
                &commit,
                &date,
                part,
                &number,
                &finding.cell,
                &finding.truth,
                &finding.said,
                &right,
            ])
            .and_then(|()| writer.flush().map_err(Into::into))
            .expect("the ledger can be written");
    }
}

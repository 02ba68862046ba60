//! A study as it stands on disk, read without a lock.

use std::collections::{BTreeMap, BTreeSet};
use std::io::Read;
use std::path::Path;
use std::sync::Arc;
use std::thread::scope;

use serde::de::DeserializeOwned;

use super::{Disk, FolderDisk, StoreError, names};
use crate::facts::Facts;
use crate::plan::TestData;
use crate::study::tables::{self, Cells, ReadError, whole};
use crate::study::{
    Config, DataRow, FORMAT, LatencyLog, ObservationRow, Pack, Packed, ProgressRow, Study, Trial,
    WindowRow, Windows, manifest, placed,
};

/// Whether the folder `root` holds a study.
pub fn is_study(root: &Path) -> bool {
    root.join(names::CONFIG).is_file()
}

/// A folder is looked through so far for studies.
const LOOKED_THROUGH: usize = 10_000;

/// Names of the studies in `folder`, in order; none where it cannot be listed. Names that are no UTF-8
/// are passed over.
pub fn studies(folder: &Path) -> Vec<String> {
    let entries = std::fs::read_dir(folder).into_iter().flatten();
    let entries = entries.take(LOOKED_THROUGH).flatten();
    let mut found: Vec<String> = entries
        .filter(|entry| is_study(&entry.path()))
        .filter_map(|entry| entry.file_name().into_string().ok())
        .collect();
    found.sort_unstable();
    found
}

/// Reads the study in the folder `root`.
///
/// # Errors
/// When there is none, or a file is damaged beyond a torn end.
pub fn read(root: &Path) -> Result<Study, StoreError> {
    snapshot(&FolderDisk::new(root), name(root)?)
}

/// The name of the study in the folder `root`.
fn name(root: &Path) -> Result<String, StoreError> {
    if !is_study(root) {
        return Err(StoreError::NoStudy(root.to_owned()));
    }
    let name = root.canonicalize().ok().and_then(|path| {
        path.file_name()
            .map(|name| name.to_string_lossy().into_owned())
    });
    Ok(name.unwrap_or_else(|| "study".to_owned()))
}

/// Reads what is said of the study in the folder `root` as a whole and of its `latest` sittings. Of
/// trials before those nothing but their rows is read; readings of the reshape and probes are not read at
/// all, and what is damaged in what is not read is not found.
///
/// # Errors
/// As [`read`].
pub fn read_latest(root: &Path, latest: usize) -> Result<Study, StoreError> {
    snapshot_of(&FolderDisk::new(root), name(root)?, Some(latest))
}

/// Reads what the person said of the study in the folder `root`, and nothing else of it.
///
/// # Errors
/// When there is none, or it is damaged.
pub fn read_config(root: &Path) -> Result<Config, StoreError> {
    if !is_study(root) {
        return Err(StoreError::NoStudy(root.to_owned()));
    }
    config(&FolderDisk::new(root))
}

/// Reads the readings of the reshape of the study in the folder `root`.
///
/// # Errors
/// When they cannot be read.
pub fn progress(root: &Path) -> Result<Packed<ProgressRow>, StoreError> {
    table(&FolderDisk::new(root), names::PROGRESS, &mut Vec::new())
}

fn config(disk: &impl Disk) -> Result<Config, StoreError> {
    Ok(Config::parse(
        &text(disk, names::CONFIG)?.unwrap_or_default(),
    )?)
}

/// Reads the study named `name` from `disk`.
pub(super) fn snapshot(disk: &impl Disk, name: String) -> Result<Study, StoreError> {
    snapshot_of(disk, name, None)
}

/// The same, or what [`read_latest`] reads of it.
fn snapshot_of(disk: &impl Disk, name: String, latest: Option<usize>) -> Result<Study, StoreError> {
    let config = config(disk)?;
    let mut remarks = Vec::new();
    if !config.writable() {
        let format = config.format;
        remarks.push(format!(
            "the study has format {format}, newer than format {FORMAT} of this version: what is new in it is not shown"
        ));
    }
    let trials: Vec<Trial> = table(disk, names::TRIALS, &mut remarks)?;
    let mut study = Study {
        trials,
        ..Study::new(name, config)
    };
    let first = latest.map_or(0, |latest| study.first_of_latest(latest));
    let wanted: Option<BTreeSet<u64>> = (first > 0).then(|| {
        let of_latest = study.trials.iter().filter(|trial| trial.sitting >= first);
        of_latest.map(|trial| trial.trial).collect()
    });
    let wants = |trial: u64| wanted.as_ref().is_none_or(|some| some.contains(&trial));
    // Windows are most of a large study: they are read beside all the rest.
    let source = open(disk, names::WINDOWS)?;
    let (windows, rest) = scope(|scope| {
        let windows = scope.spawn(|| windows(source, &wants));
        let whole = latest.is_none();
        let rest = fill(&mut study, disk, whole, &wants);
        (windows.join().expect("reading ends"), rest)
    });
    let (windows, torn) = windows?;
    study.windows = windows;
    // What was laid down has the sizes that the set asked for.
    let begun = !study.trials.is_empty() || !study.data.files.is_empty();
    study.config.complete_set(begun);
    remark_torn(names::WINDOWS, torn, &mut remarks);
    remarks.extend(rest?);
    study.remarks = remarks;
    Ok(study)
}

/// The windows of `source`, and the length of its torn end.
fn windows(
    source: Option<Box<dyn Read + Send + '_>>,
    wants: &(impl Fn(u64) -> bool + Sync),
) -> Result<(Windows, usize), StoreError> {
    let mut windows = Windows::default();
    let torn = match source {
        Some(source) => {
            let pack = |row: WindowRow| windows.push(&row);
            rows(names::WINDOWS, source, wants, pack)?
        }
        None => 0,
    };
    Ok((windows, torn))
}

/// Reads into `study` what stands in other tables than those of trials and windows, the reshape only where
/// the `whole` is wanted; what is to be remarked of them.
fn fill(
    study: &mut Study,
    disk: &impl Disk,
    whole_study: bool,
    wants: &impl Fn(u64) -> bool,
) -> Result<Vec<String>, StoreError> {
    let mut remarks = Vec::new();
    let mut known = BTreeSet::<Arc<str>>::new();
    let put = |row: ObservationRow| {
        let of_trial = study.observations.entry(row.trial).or_default();
        match known.get(row.name.as_str()) {
            Some(name) => of_trial.put(name.clone(), row.value),
            None => {
                let name = Arc::<str>::from(row.name);
                known.insert(name.clone());
                of_trial.put(name, row.value);
            }
        }
    };
    each(disk, names::OBSERVATIONS, &mut remarks, wants, put)?;
    study.sweeps = table(disk, names::SWEEP, &mut remarks)?;
    study.checks = table(disk, names::CHECKS, &mut remarks)?;
    if whole_study {
        study.progress = table(disk, names::PROGRESS, &mut remarks)?;
        study.probes = table(disk, names::PROBES, &mut remarks)?;
    }
    study.passes = table(disk, names::PASSES, &mut remarks)?;
    study.verified = table(disk, names::VERIFIED, &mut remarks)?;
    study.damage = table(disk, names::DAMAGE, &mut remarks)?;
    study.seals = table(disk, names::SEALS, &mut remarks)?;
    study.sealed_checks = table(disk, names::SEALED_CHECKS, &mut remarks)?;
    let log = bytes(disk, names::LATENCY)?.unwrap_or_default();
    remark_torn(names::LATENCY, whole(&log).torn.len(), &mut remarks);
    study.latency = LatencyLog::parse_some(&log, wants)?;
    study.data = if study.config.format < FIRST_WITH_ROWS {
        old_data(disk)?
    } else {
        let rows: Vec<DataRow> = table(disk, names::DATA, &mut remarks)?;
        manifest::fold(names::DATA, &rows)?
    };
    study.facts = facts(disk)?;
    Ok(remarks)
}

/// The format from which on the manifest of test data is a table.
pub(super) const FIRST_WITH_ROWS: u32 = 2;

/// The manifest of test data in format 1.
pub(super) fn old_data(disk: &impl Disk) -> Result<TestData, StoreError> {
    Ok(toml(disk, names::OLD_DATA)?.unwrap_or_default())
}

fn facts(disk: &impl Disk) -> Result<BTreeMap<String, Facts>, StoreError> {
    let listed = disk
        .list(names::FACTS)
        .map_err(|error| StoreError::io("listing", names::FACTS, error))?;
    let mut facts = BTreeMap::new();
    for file in listed {
        if let Some(id) = file.strip_suffix(".toml")
            && let Some(content) = toml(disk, &format!("{}/{file}", names::FACTS))?
        {
            facts.insert(id.to_owned(), content);
        }
    }
    Ok(facts)
}

/// The bytes of a file; `None` when there is none.
pub(super) fn bytes(disk: &impl Disk, name: &str) -> Result<Option<Vec<u8>>, StoreError> {
    disk.read(name)
        .map_err(|error| StoreError::io("reading", name, error))
}

pub(super) fn text(disk: &impl Disk, name: &str) -> Result<Option<String>, StoreError> {
    let text = bytes(disk, name)?.map(String::from_utf8).transpose();
    text.map_err(|_| StoreError::Toml {
        name: name.to_owned(),
        why: "it is not text".into(),
    })
}

fn toml<T: DeserializeOwned>(disk: &impl Disk, name: &str) -> Result<Option<T>, StoreError> {
    let Some(text) = text(disk, name)? else {
        return Ok(None);
    };
    let read = toml::from_str(&text).map_err(|error: toml::de::Error| StoreError::Toml {
        name: name.to_owned(),
        why: placed(&text, error.span(), error.message()),
    });
    read.map(Some)
}

/// What the rows of a table are gathered in.
trait Table {
    type Row: Cells;
}

impl<Row: Cells> Table for Vec<Row> {
    type Row = Row;
}

impl<Row: Cells + Pack> Table for Packed<Row> {
    type Row = Row;
}

fn table<Rows: Default + Extend<Rows::Row> + Table>(
    disk: &impl Disk,
    name: &str,
    remarks: &mut Vec<String>,
) -> Result<Rows, StoreError> {
    let mut all = Rows::default();
    each(disk, name, remarks, &|_| true, |row| all.extend([row]))?;
    Ok(all)
}

/// Hands each row of a table on whose leading number is `wanted`, where the rows have one.
fn each<Row: Cells>(
    disk: &impl Disk,
    name: &str,
    remarks: &mut Vec<String>,
    wanted: &dyn Fn(u64) -> bool,
    hand: impl FnMut(Row),
) -> Result<(), StoreError> {
    if let Some(source) = open(disk, name)? {
        remark_torn(name, rows(name, source, wanted, hand)?, remarks);
    }
    Ok(())
}

pub(super) fn open<'a>(
    disk: &'a impl Disk,
    name: &str,
) -> Result<Option<Box<dyn Read + Send + 'a>>, StoreError> {
    let fail = |error| StoreError::io("reading", name, error);
    disk.stream(name).map_err(fail)
}

/// The same of the table `name` that `source` holds; the length of its torn end.
fn rows<Row: Cells>(
    name: &str,
    source: impl Read,
    wanted: &dyn Fn(u64) -> bool,
    hand: impl FnMut(Row),
) -> Result<usize, StoreError> {
    tables::read(name, source, wanted, hand).map_err(|error| match error {
        ReadError::Table(error) => error.into(),
        ReadError::Io(error) => StoreError::io("reading", name, error),
    })
}

fn remark_torn(name: &str, torn: usize, remarks: &mut Vec<String>) {
    if torn > 0 {
        remarks.push(format!(
            "{name} ends in a torn line of {torn} bytes, which is passed over (it is being written, or a power cut hit it)"
        ));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::judge::judge_some;

    #[test]
    fn the_latest_sittings_are_read_as_of_the_whole_study() {
        let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("reports/lighthouse-archive");
        let whole = read(&root).unwrap();
        let latest = read_latest(&root, 3).unwrap();
        let first = whole.first_of_latest(3);
        assert_eq!(first, latest.first_of_latest(3));
        assert_eq!((&latest.trials, &latest.data), (&whole.trials, &whole.data));
        let (mut wanted, mut others) = (0, 0);
        for trial in &whole.trials {
            let number = trial.trial;
            if trial.sitting < first {
                assert_eq!(latest.windows.of(number), []);
                assert!(!latest.observations.contains_key(&number));
                assert_eq!(latest.latency.get(number).unwrap(), None);
                others += 1;
            } else {
                assert_eq!(latest.windows.of(number), whole.windows.of(number));
                assert_eq!(
                    latest.observations.get(&number),
                    whole.observations.get(&number)
                );
                assert_eq!(latest.latency.get(number), whole.latency.get(number));
                wanted += 1;
            }
        }
        assert!(wanted > 0 && others > 0, "{wanted} {others}");
        assert_eq!(
            judge_some(&latest, first).len(),
            judge_some(&whole, first).len()
        );
    }
}

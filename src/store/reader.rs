//! A study as it stands on disk, read without a lock.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::sync::Arc;

use serde::de::DeserializeOwned;

use super::{Disk, FolderDisk, StoreError, names};
use crate::facts::Facts;
use crate::plan::TestData;
use crate::study::tables::{self, Cells, ReadError, whole};
use crate::study::{
    Config, FORMAT, LatencyLog, ObservationRow, ProgressRow, Study, Trial, WindowRow, manifest,
    placed,
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
pub fn progress(root: &Path) -> Result<Vec<ProgressRow>, StoreError> {
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
    let pack = |row: WindowRow| study.windows.push(&row);
    each(disk, names::WINDOWS, &mut remarks, &wants, pack)?;
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
    each(disk, names::OBSERVATIONS, &mut remarks, &wants, put)?;
    study.sweeps = table(disk, names::SWEEP, &mut remarks)?;
    study.checks = table(disk, names::CHECKS, &mut remarks)?;
    if latest.is_none() {
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
        manifest::fold(names::DATA, &table(disk, names::DATA, &mut remarks)?)?
    };
    study.facts = facts(disk)?;
    study.remarks = remarks;
    Ok(study)
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

fn table<Row: Cells>(
    disk: &impl Disk,
    name: &str,
    remarks: &mut Vec<String>,
) -> Result<Vec<Row>, StoreError> {
    let mut rows = Vec::new();
    each(disk, name, remarks, &|_| true, |row| rows.push(row))?;
    Ok(rows)
}

/// Hands each row of a table on whose leading number is `wanted`, where the rows have one.
fn each<Row: Cells>(
    disk: &impl Disk,
    name: &str,
    remarks: &mut Vec<String>,
    wanted: &dyn Fn(u64) -> bool,
    hand: impl FnMut(Row),
) -> Result<(), StoreError> {
    let fail = |error| StoreError::io("reading", name, error);
    let Some(source) = disk.stream(name).map_err(fail)? else {
        return Ok(());
    };
    let torn = tables::read(name, source, wanted, hand).map_err(|error| match error {
        ReadError::Table(error) => error.into(),
        ReadError::Io(error) => fail(error),
    })?;
    remark_torn(name, torn, remarks);
    Ok(())
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

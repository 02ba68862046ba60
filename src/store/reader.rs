//! A study as it stands on disk, read without a lock.

use std::collections::BTreeMap;
use std::path::Path;

use serde::de::DeserializeOwned;

use super::{Disk, FolderDisk, StoreError, names};
use crate::facts::Facts;
use crate::plan::TestData;
use crate::record::Observations;
use crate::study::tables::{Cells, parse, whole};
use crate::study::{
    Config, FORMAT, LatencyLog, ObservationRow, ProgressRow, Study, WindowRow, manifest, placed,
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
    if !is_study(root) {
        return Err(StoreError::NoStudy(root.to_owned()));
    }
    let name = root.canonicalize().ok().and_then(|path| {
        path.file_name()
            .map(|name| name.to_string_lossy().into_owned())
    });
    snapshot(
        &FolderDisk::new(root),
        name.unwrap_or_else(|| "study".to_owned()),
    )
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
    let config = config(disk)?;
    let mut remarks = Vec::new();
    if !config.writable() {
        let format = config.format;
        remarks.push(format!(
            "the study has format {format}, newer than format {FORMAT} of this version: what is new in it is not shown"
        ));
    }
    let trials = table(disk, names::TRIALS, &mut remarks)?;
    let mut windows = BTreeMap::<u64, Vec<WindowRow>>::new();
    for row in table::<WindowRow>(disk, names::WINDOWS, &mut remarks)? {
        windows.entry(row.trial).or_default().push(row);
    }
    let mut observations = BTreeMap::<u64, Observations>::new();
    for row in table::<ObservationRow>(disk, names::OBSERVATIONS, &mut remarks)? {
        observations
            .entry(row.trial)
            .or_default()
            .put(row.name, row.value);
    }
    let sweeps = table(disk, names::SWEEP, &mut remarks)?;
    let checks = table(disk, names::CHECKS, &mut remarks)?;
    let progress = table(disk, names::PROGRESS, &mut remarks)?;
    let probes = table(disk, names::PROBES, &mut remarks)?;
    let passes = table(disk, names::PASSES, &mut remarks)?;
    let verified = table(disk, names::VERIFIED, &mut remarks)?;
    let damage = table(disk, names::DAMAGE, &mut remarks)?;
    let seals = table(disk, names::SEALS, &mut remarks)?;
    let sealed_checks = table(disk, names::SEALED_CHECKS, &mut remarks)?;
    let log = bytes(disk, names::LATENCY)?.unwrap_or_default();
    remark_torn(names::LATENCY, &log, &mut remarks);
    let data = if config.format < FIRST_WITH_ROWS {
        old_data(disk)?
    } else {
        manifest::fold(names::DATA, &table(disk, names::DATA, &mut remarks)?)?
    };
    Ok(Study {
        name,
        config,
        data,
        trials,
        windows,
        observations,
        sweeps,
        checks,
        progress,
        probes,
        passes,
        verified,
        damage,
        seals,
        sealed_checks,
        latency: LatencyLog::parse(&log)?,
        facts: facts(disk)?,
        remarks,
    })
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
    let bytes = bytes(disk, name)?.unwrap_or_default();
    remark_torn(name, &bytes, remarks);
    Ok(parse(name, &bytes)?)
}

fn remark_torn(name: &str, bytes: &[u8], remarks: &mut Vec<String>) {
    let torn = whole(bytes).torn.len();
    if torn > 0 {
        remarks.push(format!(
            "{name} ends in a torn line of {torn} bytes, which is passed over (it is being written, or a power cut hit it)"
        ));
    }
}

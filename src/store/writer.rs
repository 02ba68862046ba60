//! The one writer of a study.

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;

use jiff::Timestamp;
use serde::Serialize;

use super::reader::{bytes, snapshot};
use super::{Disk, FolderDisk, StoreError, names};
use crate::facts::Facts;
use crate::plan::TestData;
use crate::record::{Observations, Recording, Summary};
use crate::study::tables::{render, whole};
use crate::study::{
    Config, FORMAT, ObservationRow, Study, SweepRow, Trial, WindowRow, render_latency,
};

/// A study that is locked for writing, and what stands in it.
#[derive(Debug)]
pub struct Writer<D: Disk = FolderDisk> {
    disk: D,
    study: Study,
    /// Tables that have their head already.
    begun: BTreeSet<&'static str>,
    /// What an earlier writer left half done and where it is now: a sentence each.
    recovered: Vec<String>,
}

impl Writer {
    /// Makes the folder `root` with the study that `config` describes, and locks it.
    ///
    /// # Errors
    /// When `root` exists, or cannot be made.
    pub fn create(root: &Path, config: &Config, owner: &str) -> Result<Self, StoreError> {
        let name = root.display().to_string();
        fs::create_dir(root).map_err(|error| match error.kind() {
            std::io::ErrorKind::AlreadyExists => StoreError::Exists(root.to_owned()),
            _ => StoreError::io("making the folder", &name, error),
        })?;
        let mut disk = FolderDisk::new(root);
        disk.replace(names::CONFIG, config.render().as_bytes())
            .map_err(|error| StoreError::io("writing", names::CONFIG, error))?;
        Self::open(root, owner, config.created)
    }

    /// Locks the study in the folder `root`. Torn ends of tables, as a power cut leaves them, are
    /// moved into files of their own.
    ///
    /// # Errors
    /// When another process writes to it, its format is newer than this version's, or it is
    /// damaged beyond a torn end.
    pub fn open(root: &Path, owner: &str, now: Timestamp) -> Result<Self, StoreError> {
        let study = super::read(root)?;
        Self::lock(FolderDisk::new(root), study.name, owner, now)
    }
}

impl<D: Disk> Writer<D> {
    /// Locks the study named `name` on `disk`; see [`Writer::open`].
    ///
    /// # Errors
    /// As there.
    pub fn lock(
        mut disk: D,
        name: String,
        owner: &str,
        now: Timestamp,
    ) -> Result<Self, StoreError> {
        // A newer study is not touched at all, not even its lock.
        let found = snapshot(&disk, name.clone())?.config;
        if !found.writable() {
            return Err(StoreError::Newer {
                found: found.format,
                known: FORMAT,
            });
        }
        match disk.lock(names::LOCK, owner) {
            Ok(Ok(())) => {}
            Ok(Err(owner)) => return Err(StoreError::Locked { owner }),
            Err(error) => return Err(StoreError::io("locking", names::LOCK, error)),
        }
        let mut recovered = Vec::new();
        let mut begun = BTreeSet::new();
        for table in TABLES {
            recovered.extend(set_aside(&mut disk, table, now)?);
            if bytes(&disk, table)?.is_some_and(|bytes| !bytes.is_empty()) {
                begun.insert(table);
            }
        }
        let study = snapshot(&disk, name)?;
        let last_row = study.trials.last().map_or(0, |trial| trial.trial);
        if study.windows.keys().any(|trial| *trial > last_row) {
            recovered.push(
                "a trial was cut off before its row was written; what it left in windows.csv is passed over"
                    .to_owned(),
            );
        }
        Ok(Self {
            disk,
            study,
            begun,
            recovered,
        })
    }

    /// The study as it stands, with everything that was added.
    pub fn study(&self) -> &Study {
        &self.study
    }

    /// What an earlier writer left half done.
    pub fn recovered(&self) -> &[String] {
        &self.recovered
    }

    /// Adds a trial; when this returns, it is on disk to stay.
    ///
    /// # Errors
    /// When it may not be. The study should not be written to any more then.
    pub fn add_trial(
        &mut self,
        trial: Trial,
        recording: &Recording,
        summary: &Summary,
        observations: &Observations,
    ) -> Result<(), StoreError> {
        let windows = WindowRow::rows(trial.trial, recording, summary);
        self.append_rows(names::WINDOWS, &windows)?;
        let observed = ObservationRow::rows(trial.trial, observations);
        self.append_rows(names::OBSERVATIONS, &observed)?;
        let new_log = self.begun.insert(names::LATENCY);
        let seconds = recording.windows.len() as f64;
        let line = render_latency(
            trial.trial,
            trial.started,
            seconds,
            &summary.latency,
            new_log,
        );
        self.append(names::LATENCY, line.as_bytes())?;
        // The row makes the trial count, so it comes last.
        self.append_rows(names::TRIALS, std::slice::from_ref(&trial))?;
        self.study.windows.insert(trial.trial, windows);
        self.study
            .observations
            .insert(trial.trial, observations.clone());
        self.study.latency.insert(trial.trial, &line);
        self.study.trials.push(trial);
        Ok(())
    }

    /// Adds a working set of a sweep.
    ///
    /// # Errors
    /// When it may not be on disk.
    pub fn add_sweep(&mut self, row: SweepRow) -> Result<(), StoreError> {
        self.append_rows(names::SWEEP, std::slice::from_ref(&row))?;
        self.study.sweeps.push(row);
        Ok(())
    }

    /// Keeps a fingerprint; returns its name.
    ///
    /// # Errors
    /// When it cannot be written.
    pub fn put_facts(&mut self, facts: Facts) -> Result<String, StoreError> {
        let id = facts.id();
        if !self.study.facts.contains_key(&id) {
            self.put_toml(&format!("{}/{id}.toml", names::FACTS), &facts)?;
            self.study.facts.insert(id.clone(), facts);
        }
        Ok(id)
    }

    /// Keeps the manifest of test data.
    ///
    /// # Errors
    /// When it cannot be written; the old one is still there then.
    pub fn put_data(&mut self, data: TestData) -> Result<(), StoreError> {
        self.put_toml(names::DATA, &data)?;
        self.study.data = data;
        Ok(())
    }

    /// Puts a rendered file under `reports`; returns its name in the study.
    ///
    /// # Errors
    /// When it cannot be written.
    pub fn put_report(&mut self, name: &str, content: &str) -> Result<String, StoreError> {
        let name = format!("{}/{name}", names::REPORTS);
        self.disk
            .replace(&name, content.as_bytes())
            .map_err(|error| StoreError::io("writing", &name, error))?;
        Ok(name)
    }

    fn put_toml(&mut self, name: &str, value: &impl Serialize) -> Result<(), StoreError> {
        let text = toml::to_string_pretty(value).map_err(|error| StoreError::Toml {
            name: name.to_owned(),
            why: error.to_string(),
        })?;
        self.disk
            .replace(name, text.as_bytes())
            .map_err(|error| StoreError::io("writing", name, error))
    }

    fn append_rows<Row: Serialize>(
        &mut self,
        name: &'static str,
        rows: &[Row],
    ) -> Result<(), StoreError> {
        if rows.is_empty() {
            return Ok(());
        }
        let text = render(rows, self.begun.insert(name));
        self.append(name, text.as_bytes())
    }

    fn append(&mut self, name: &str, bytes: &[u8]) -> Result<(), StoreError> {
        let fail = |doing| move |error| StoreError::io(doing, name, error);
        self.disk.append(name, bytes).map_err(fail("writing"))?;
        self.disk.sync(name).map_err(fail("flushing"))
    }
}

/// The tables of a study, the one that makes a trial count last.
const TABLES: [&str; 5] = [
    names::SWEEP,
    names::WINDOWS,
    names::OBSERVATIONS,
    names::LATENCY,
    names::TRIALS,
];

/// Moves the torn end of a table into a file of its own; a sentence about it.
pub(super) fn set_aside(
    disk: &mut impl Disk,
    table: &str,
    now: Timestamp,
) -> Result<Option<String>, StoreError> {
    let content = bytes(disk, table)?.unwrap_or_default();
    let parts = whole(&content);
    if parts.torn.is_empty() {
        return Ok(None);
    }
    let aside = format!(
        "{}/{table}-{}",
        names::ASIDE,
        now.strftime("%Y%m%dT%H%M%SZ")
    );
    let fail = |name: &str| {
        let name = name.to_owned();
        move |error| StoreError::io("setting aside the torn end of", &name, error)
    };
    disk.replace(&aside, parts.torn).map_err(fail(&aside))?;
    disk.replace(table, parts.lines).map_err(fail(table))?;
    let length = parts.torn.len();
    Ok(Some(format!(
        "{table} ended in a torn line of {length} bytes; it is now in {aside}"
    )))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::{Direction, Workload};
    use crate::record::summarize;
    use crate::seed::Seed;
    use crate::study::{Identity, State};
    use crate::units::Nanos;

    fn config() -> Config {
        Config {
            format: FORMAT,
            id: Identity(1),
            created: now(),
            seed: Seed(1),
            simulated: false,
            share: "/mnt/scans".into(),
            server_memory: None,
            threshold_percent: 3.0,
            pool: None,
            link_gigabits: None,
            server: None,
            reshape: None,
            workloads: Vec::new(),
        }
    }

    fn now() -> Timestamp {
        "2026-03-02T08:00:00Z".parse().unwrap()
    }

    fn add(writer: &mut Writer, number: u64) {
        let mut recording = Recording::new(6, 3);
        for second in 0..6 {
            recording.record(
                Direction::Read,
                1 << 20,
                Nanos(second * 1_000_000_000),
                Nanos(5000),
            );
        }
        let summary = summarize(&recording, None);
        let workload = Workload::standard().remove(0);
        let trial = Trial::begin(number, 1, crate::plan::Phase::Before, now(), &workload);
        let trial = Trial {
            state: State::Complete,
            ..trial.with_summary(&summary, &recording)
        };
        let observed = [("members".to_owned(), 4.0)].into_iter().collect();
        writer
            .add_trial(trial, &recording, &summary, &observed)
            .unwrap();
    }

    #[test]
    fn trials_are_there_for_the_next_reader() {
        let folder = tempfile::tempdir().unwrap();
        let root = folder.path().join("study");
        let mut writer = Writer::create(&root, &config(), "test").unwrap();
        add(&mut writer, 1);
        add(&mut writer, 2);
        let study = super::super::read(&root).unwrap();
        assert_eq!(study.trials, writer.study().trials);
        assert_eq!(study.windows, writer.study().windows);
        assert_eq!(study.latency, writer.study().latency);
        assert_eq!((study.next_trial(), study.remarks.len()), (3, 0));
        assert!(matches!(
            Writer::create(&root, &config(), "test"),
            Err(StoreError::Exists(_))
        ));
    }

    #[test]
    fn a_second_writer_is_told_who_the_first_is() {
        let folder = tempfile::tempdir().unwrap();
        let root = folder.path().join("study");
        let first = Writer::create(&root, &config(), "the first").unwrap();
        let error = Writer::open(&root, "the second", now()).unwrap_err();
        assert!(error.to_string().contains("the first"), "{error}");
        drop(first);
        Writer::open(&root, "the second", now()).unwrap();
    }

    #[test]
    fn tables_cut_off_anywhere_are_read_and_mended() {
        let folder = tempfile::tempdir().unwrap();
        let root = folder.path().join("study");
        let mut writer = Writer::create(&root, &config(), "test").unwrap();
        add(&mut writer, 1);
        let first: Vec<Vec<u8>> = read_all(&root);
        add(&mut writer, 2);
        drop(writer);
        let both = read_all(&root);
        // The second trial is cut off after n bytes, in the order in which its bytes were written.
        let lengths = |table: usize| (first[table].len(), both[table].len());
        for table in 0..TABLES.len() {
            for cut in (lengths(table).0..lengths(table).1).step_by(7) {
                for (index, name) in TABLES.iter().enumerate() {
                    let end = match index.cmp(&table) {
                        std::cmp::Ordering::Less => lengths(index).1,
                        std::cmp::Ordering::Equal => cut,
                        std::cmp::Ordering::Greater => lengths(index).0,
                    };
                    fs::write(root.join(name), &both[index][..end]).unwrap();
                }
                assert_eq!(super::super::read(&root).unwrap().trials.len(), 1);
                let mut writer = Writer::open(&root, "test", now()).unwrap();
                assert_eq!(writer.study().trials.len(), 1);
                assert_eq!(
                    writer.recovered().is_empty(),
                    table == 1 && cut == lengths(1).0
                );
                let next = writer.study().next_trial();
                add(&mut writer, next);
                assert_eq!(super::super::read(&root).unwrap().trials.len(), 2);
            }
        }
    }

    fn read_all(root: &Path) -> Vec<Vec<u8>> {
        TABLES
            .iter()
            .map(|name| fs::read(root.join(name)).unwrap_or_default())
            .collect()
    }
}

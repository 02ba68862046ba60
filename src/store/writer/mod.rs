//! The one writer of a study.

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;

use jiff::Timestamp;
use serde::Serialize;

use super::reader::{FIRST_WITH_ROWS, bytes, old_data, snapshot, text};
use super::tables::{append, claim, mend, widen};
use super::{Disk, FolderDisk, StoreError, names};
use crate::facts::Facts;
use crate::record::{Observations, Recording, Summary};
use crate::study::tables::render;
use crate::study::{
    CheckRow, Config, ConfigError, DamageRow, DataRow, FORMAT, Mounted, ObservationRow, PassRow,
    Place, SealRow, SealedCheckRow, Study, SweepRow, Trial, VerifiedRow, WindowRow, manifest,
    render_latency, with_format, with_mount,
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
        tracing::debug!(
            ?root,
            trials = study.trials.len(),
            "opening the study to write"
        );
        Self::lock(
            FolderDisk::of_study(root, study.config.simulated),
            study.name,
            owner,
            now,
        )
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
        claim(&mut disk, &found, names::LOCK, owner)?;
        if found.format < FIRST_WITH_ROWS {
            move_manifest(&mut disk, &found)?;
        } else if found.format < FORMAT {
            amend(&mut disk, |text| with_format(text, &found))?;
        }
        let (mut begun, mut recovered) = mend(&mut disk, &TABLES, now)?;
        let study = snapshot(&disk, name)?;
        if !widen(&mut disk, names::TRIALS, &study.trials)? {
            begun.remove(names::TRIALS);
        }
        let last_row = study.trials.last().map_or(0, |trial| trial.trial);
        if study.windows.trials().any(|trial| trial > last_row) {
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

    /// Lets the commands at these places of `study.toml` run, as the person has allowed.
    pub fn allow(&mut self, places: &[Place]) {
        self.study.config.allow(places);
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
        tracing::debug!(
            trial = trial.trial,
            state = trial.state.word(),
            "keeping a trial"
        );
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
            &recording.controls,
            new_log,
        );
        self.append(names::LATENCY, line.as_bytes())?;
        // The row makes the trial count, so it comes last.
        self.append_rows(names::TRIALS, std::slice::from_ref(&trial))?;
        self.study.windows.insert(trial.trial, &windows);
        self.study
            .observations
            .insert(trial.trial, observations.clone());
        self.study.latency.insert(&line);
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

    /// Adds an answer of a person.
    ///
    /// # Errors
    /// When it may not be on disk.
    pub fn add_check(&mut self, row: CheckRow) -> Result<(), StoreError> {
        let row = row.in_lines();
        self.append_rows(names::CHECKS, std::slice::from_ref(&row))?;
        self.study.checks.push(row);
        Ok(())
    }

    /// Adds that a pass of reading back has begun or ended.
    ///
    /// # Errors
    /// When it may not be on disk.
    pub fn add_pass(&mut self, row: PassRow) -> Result<(), StoreError> {
        self.append_rows(names::PASSES, std::slice::from_ref(&row))?;
        self.study.passes.push(row);
        Ok(())
    }

    /// Adds what was read back of the test data. Damage comes before the rows that count it.
    ///
    /// # Errors
    /// When it may not be on disk.
    pub fn add_verified(&mut self, rows: Vec<VerifiedRow>) -> Result<(), StoreError> {
        self.append_rows(names::VERIFIED, &rows)?;
        self.study.verified.extend(rows);
        Ok(())
    }

    /// Adds damage that was found.
    ///
    /// # Errors
    /// When it may not be on disk.
    pub fn add_damage(&mut self, rows: Vec<DamageRow>) -> Result<(), StoreError> {
        self.append_rows(names::DAMAGE, &rows)?;
        self.study.damage.extend(rows);
        Ok(())
    }

    /// Adds what is remembered of files of the person's own.
    ///
    /// # Errors
    /// When it may not be on disk.
    pub fn add_seals(&mut self, rows: Vec<SealRow>) -> Result<(), StoreError> {
        self.append_rows(names::SEALS, &rows)?;
        self.study.seals.extend(rows);
        Ok(())
    }

    /// Adds how such files were found again.
    ///
    /// # Errors
    /// When it may not be on disk.
    pub fn add_sealed_checks(&mut self, rows: Vec<SealedCheckRow>) -> Result<(), StoreError> {
        self.append_rows(names::SEALED_CHECKS, &rows)?;
        self.study.sealed_checks.extend(rows);
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

    /// Adds steps to the manifest of test data; when this returns, they are on disk to stay.
    ///
    /// # Errors
    /// When they may not be. The study should not be written to any more then.
    ///
    /// # Panics
    /// When a step does not fit to those before it, as [`manifest::apply`] tells.
    pub fn add_data(&mut self, rows: &[DataRow]) -> Result<(), StoreError> {
        for row in rows {
            manifest::apply(&mut self.study.data, row).expect("steps follow each other");
        }
        self.append_rows(names::DATA, rows)
    }

    /// Keeps that `mount` is what the share is mounted from now.
    ///
    /// # Errors
    /// When `study.toml` cannot be written; the old one is still there then.
    pub fn put_mount(&mut self, mount: Mounted) -> Result<(), StoreError> {
        amend(&mut self.disk, |text| with_mount(text, &mount))?;
        self.study.config.mount = Some(mount);
        Ok(())
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
        append(&mut self.disk, name, bytes)
    }
}

/// The tables of a study, the one that makes a trial count last.
const TABLES: [&str; 12] = [
    names::CHECKS,
    names::DATA,
    names::PASSES,
    names::DAMAGE,
    names::VERIFIED,
    names::SEALS,
    names::SEALED_CHECKS,
    names::SWEEP,
    names::WINDOWS,
    names::OBSERVATIONS,
    names::LATENCY,
    names::TRIALS,
];

/// Changes `study.toml`.
fn amend(
    disk: &mut impl Disk,
    change: impl FnOnce(&str) -> Result<String, ConfigError>,
) -> Result<(), StoreError> {
    let changed = change(&text(disk, names::CONFIG)?.unwrap_or_default())?;
    disk.replace(names::CONFIG, changed.as_bytes())
        .map_err(|error| StoreError::io("writing", names::CONFIG, error))
}

/// Makes a study of format 1 one of this version's: its manifest becomes a table. Until the format
/// is changed the old manifest counts, so this can be cut off anywhere and begun again.
fn move_manifest(disk: &mut impl Disk, found: &Config) -> Result<(), StoreError> {
    let rows = manifest::rows(&old_data(disk)?);
    disk.replace(names::DATA, render(&rows, true).as_bytes())
        .map_err(|error| StoreError::io("writing", names::DATA, error))?;
    amend(disk, |text| with_format(text, found))?;
    if bytes(disk, names::OLD_DATA)?.is_some() {
        let moved = format!("# The manifest of test data is in {} now.\n", names::DATA);
        disk.replace(names::OLD_DATA, moved.as_bytes())
            .map_err(|error| StoreError::io("writing", names::OLD_DATA, error))?;
    }
    Ok(())
}

#[cfg(test)]
mod tests;

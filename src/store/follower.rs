//! The one who follows the reshape: appends readings and probes while others write trials.

use std::collections::BTreeSet;
use std::fs::TryLockError;
use std::path::Path;

use jiff::Timestamp;
use serde::Serialize;

use super::reader::{bytes, snapshot};
use super::tables::{append, claim, mend, set_aside};
use super::{Disk, FolderDisk, StoreError, names};
use crate::study::tables::render;
use crate::study::{Place, ProbeRow, ProgressRow, Study};
use crate::sys::OFlags;

/// A study whose reshape nobody else follows.
#[derive(Debug)]
pub struct Follower<D: Disk = FolderDisk> {
    disk: D,
    study: Study,
    /// Tables whose last row is known to be whole, so that they need not be read again for the next.
    sound: BTreeSet<&'static str>,
    recovered: Vec<String>,
}

impl Follower {
    /// Takes the place of the follower of the study in the folder `root`. Torn ends of its tables
    /// are moved into files of their own.
    ///
    /// # Errors
    /// When another process follows the reshape, the study's format is newer than this version's, or
    /// it is damaged beyond a torn end.
    pub fn open(root: &Path, owner: &str, now: Timestamp) -> Result<Self, StoreError> {
        let study = super::read(root)?;
        let disk = FolderDisk::of_study(root, study.config.simulated);
        Self::lock(disk, study.name, owner, now)
    }

    /// Whether a sitting, or another writer of trials, is at work just now.
    pub fn sitting_at_work(&self) -> bool {
        let Ok(file) = self.disk.open(names::LOCK, OFlags::RDONLY) else {
            return false;
        };
        // A lock that is got is let go again with the file.
        matches!(file.try_lock_shared(), Err(TryLockError::WouldBlock))
    }
}

impl<D: Disk> Follower<D> {
    /// Takes the place of the follower of the study named `name` on `disk`; see [`Follower::open`].
    ///
    /// # Errors
    /// As there.
    pub fn lock(
        mut disk: D,
        name: String,
        owner: &str,
        now: Timestamp,
    ) -> Result<Self, StoreError> {
        let config = snapshot(&disk, name.clone())?.config;
        claim(&mut disk, &config, names::FOLLOWER, owner)?;
        let (_, recovered) = mend(&mut disk, &[names::PROGRESS, names::PROBES], now)?;
        Ok(Self {
            study: snapshot(&disk, name)?,
            disk,
            sound: BTreeSet::new(),
            recovered,
        })
    }

    /// The study as it stood when this was opened, with the readings and probes that were added.
    pub fn study(&self) -> &Study {
        &self.study
    }

    /// Lets the commands at these places of `study.toml` run, as the person has allowed.
    pub fn allow(&mut self, places: &[Place]) {
        self.study.config.allow(places);
    }

    /// What an earlier follower left half done.
    pub fn recovered(&self) -> &[String] {
        &self.recovered
    }

    /// Adds a reading; when this returns, it is on disk to stay.
    ///
    /// # Errors
    /// When it may not be. It may be tried again.
    pub fn add_reading(&mut self, row: ProgressRow) -> Result<(), StoreError> {
        self.append(names::PROGRESS, row.at, &row)?;
        self.study.progress.push(row);
        Ok(())
    }

    /// Adds a probe; when this returns, it is on disk to stay.
    ///
    /// # Errors
    /// When it may not be. It may be tried again.
    pub fn add_probe(&mut self, row: ProbeRow) -> Result<(), StoreError> {
        self.append(names::PROBES, row.at, &row)?;
        self.study.probes.push(row);
        Ok(())
    }

    fn append(
        &mut self,
        table: &'static str,
        at: Timestamp,
        row: &impl Serialize,
    ) -> Result<(), StoreError> {
        // What an append that failed half-way may have left would spoil the next line; and a row whose
        // flush failed, with its head, may be there all the same.
        let header = match self.sound.remove(table) {
            true => false,
            false => {
                let torn = set_aside(&mut self.disk, table, at)?;
                self.recovered.extend(torn);
                bytes(&self.disk, table)?.is_none_or(|bytes| bytes.is_empty())
            }
        };
        let text = render(std::slice::from_ref(row), header);
        append(&mut self.disk, table, text.as_bytes())?;
        self.sound.insert(table);
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::super::{Writer, read};
    use super::*;
    use crate::reshape::{Reading, Reported, Source, Word};
    use std::path::PathBuf;

    fn row(seconds: i64) -> ProgressRow {
        let at = Timestamp::from_second(1_772_438_400 + seconds).unwrap();
        let reading = Reading::of(at, Reported::bare(Word::Absent, ""));
        ProgressRow::of(&reading, Source::Percent, false)
    }

    fn study(folder: &Path) -> PathBuf {
        let root = folder.join("scans");
        let text = "format = 1\nid = \"00000000000000000000000000000001\"\nseed = \"1\"\nshare = \"/mnt/scans\"\ncreated = \"2026-03-02T08:00:00Z\"\n";
        let config = crate::study::Config::parse(text).unwrap();
        drop(Writer::create(&root, &config, "test").unwrap());
        root
    }

    #[test]
    fn it_follows_beside_a_sitting_and_alone() {
        let folder = tempfile::tempdir().unwrap();
        let root = study(folder.path());
        let now = row(0).at;
        let mut follower = Follower::open(&root, "the first", now).unwrap();
        assert!(!follower.sitting_at_work());
        let writer = Writer::open(&root, "a sitting", now).unwrap();
        assert!(follower.sitting_at_work());
        follower.add_reading(row(0)).unwrap();
        follower.add_reading(row(300)).unwrap();
        let error = Follower::open(&root, "the second", now).unwrap_err();
        assert!(error.to_string().contains("the first"), "{error}");
        drop(writer);
        assert!(!follower.sitting_at_work());
        assert_eq!(
            Vec::from_iter(&read(&root).unwrap().progress),
            [row(0), row(300)]
        );
    }

    #[test]
    fn a_torn_line_is_set_aside_and_the_rest_goes_on() {
        let folder = tempfile::tempdir().unwrap();
        let root = study(folder.path());
        let mut follower = Follower::open(&root, "test", row(0).at).unwrap();
        follower.add_reading(row(0)).unwrap();
        drop(follower);
        let path = root.join(names::PROGRESS);
        let mut bytes = std::fs::read(&path).unwrap();
        bytes.extend(b"2026-03-02T08:0");
        std::fs::write(&path, bytes).unwrap();
        let mut follower = Follower::open(&root, "test", row(0).at).unwrap();
        assert_eq!(follower.recovered().len(), 1);
        follower.add_reading(row(300)).unwrap();
        assert_eq!(
            Vec::from_iter(&read(&root).unwrap().progress),
            [row(0), row(300)]
        );
    }
}

//! Which commands of which studies the person on this machine has allowed.
//!
//! The record lies outside of every study, in the person's own state folder, so that a study cannot
//! bring its own permission. It keeps the exact text rather than a digest of it: nothing can collide,
//! and the person can read it and strike out lines.

use std::collections::BTreeSet;
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};

use crate::study::tables::{Cells, guarded, parse, render};
use crate::study::{Identity, Place, ShellCommand};
use crate::sys;

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

/// Name of the record in the state folder.
const NAME: &str = "allowed.csv";
/// The most bytes of it.
const MOST: u64 = 4 << 20;

/// The record.
#[derive(Debug)]
pub struct Allowed {
    path: PathBuf,
    rows: BTreeSet<(String, String, String)>,
    begun: bool,
}

#[derive(Debug, Serialize, Deserialize)]
struct Row {
    #[serde(with = "guarded")]
    study: String,
    #[serde(with = "guarded")]
    place: String,
    /// With line breaks and backslashes escaped, so that a row is a line.
    #[serde(with = "guarded")]
    command: String,
    allowed: Timestamp,
}

impl Cells for Row {}

impl Allowed {
    /// Reads the record in the state folder `folder`, which need not exist.
    ///
    /// # Errors
    /// When it cannot be read, or somebody else could have written it.
    pub fn read(folder: &Path) -> io::Result<Self> {
        let path = folder.join(NAME);
        let file = match sys::open_unfollowed(&path) {
            Ok(file) => file,
            Err(error) if error.kind() == io::ErrorKind::NotFound => {
                return Ok(Self {
                    path,
                    rows: BTreeSet::new(),
                    begun: false,
                });
            }
            Err(error) => return Err(error),
        };
        let told = file.metadata()?;
        if !told.is_file() || !sys::is_mine_alone(&told) {
            return Err(io::Error::other(
                "others could have written it: remove it, and allow the commands again",
            ));
        }
        let mut bytes = Vec::new();
        file.take(MOST + 1).read_to_end(&mut bytes)?;
        if bytes.len() as u64 > MOST {
            return Err(io::Error::other("it is too long: remove what is old in it"));
        }
        let rows: Vec<Row> = parse(NAME, &bytes).map_err(io::Error::other)?;
        Ok(Self {
            path,
            begun: !bytes.is_empty(),
            rows: rows
                .into_iter()
                .map(|row| (row.study, row.place, row.command))
                .collect(),
        })
    }

    /// Where the record is.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Whether this text was allowed in this place of this study.
    pub fn holds(&self, study: Identity, place: Place, command: &ShellCommand) -> bool {
        self.rows.contains(&key(study, place, command))
    }

    /// Keeps that a command was allowed; when this returns, it is on disk.
    ///
    /// # Errors
    /// When it cannot be kept.
    pub fn add(
        &mut self,
        study: Identity,
        place: Place,
        command: &ShellCommand,
        now: Timestamp,
    ) -> io::Result<()> {
        let (study, place, command) = key(study, place, command);
        let row = Row {
            study: study.clone(),
            place: place.clone(),
            command: command.clone(),
            allowed: now,
        };
        if let Some(folder) = self.path.parent() {
            sys::make_private_folder(folder)?;
        }
        let mut file = sys::append_privately(&self.path)?;
        file.write_all(render(&[row], !self.begun).as_bytes())?;
        file.sync_all()?;
        self.begun = true;
        self.rows.insert((study, place, command));
        Ok(())
    }
}

fn key(study: Identity, place: Place, command: &ShellCommand) -> (String, String, String) {
    let text = command.text().escape_default().to_string();
    (study.to_string(), place.to_string(), text)
}

/// The person's state folder of this program, in the system's place for such; `None` when that is not
/// known.
pub fn state_folder() -> Option<PathBuf> {
    Some(sys::state_base()?.join("poolproof"))
}

#[cfg(test)]
mod tests {
    use std::fs;
    use std::os::unix::fs::{MetadataExt, PermissionsExt, symlink};

    use super::*;

    fn command(text: &str) -> ShellCommand {
        ShellCommand::try_from(text.to_owned()).unwrap()
    }

    #[test]
    fn what_was_allowed_is_just_this_text_in_this_place_of_this_study() {
        let folder = tempfile::tempdir().unwrap();
        let state = folder.path().join("deep/state");
        let mut allowed = Allowed::read(&state).unwrap();
        let (study, now) = (Identity(7), Timestamp::UNIX_EPOCH);
        let text = "ssh archive 'cat \"x\"'\n# zweite, Zeile é";
        assert!(!allowed.holds(study, Place::Reshape, &command(text)));
        allowed
            .add(study, Place::Reshape, &command(text), now)
            .unwrap();
        allowed
            .add(study, Place::Diskstats, &command("=a"), now)
            .unwrap();
        let read = Allowed::read(&state).unwrap();
        for allowed in [&allowed, &read] {
            assert!(allowed.holds(study, Place::Reshape, &command(text)));
            assert!(allowed.holds(study, Place::Diskstats, &command("=a")));
            assert!(!allowed.holds(study, Place::Diskstats, &command(text)));
            assert!(!allowed.holds(Identity(8), Place::Reshape, &command(text)));
            assert!(!allowed.holds(study, Place::Reshape, &command(&format!("{text} "))));
        }
        let mode = |path: &Path| fs::metadata(path).unwrap().mode() & 0o777;
        assert_eq!((mode(read.path()), mode(&state)), (0o600, 0o700));
    }

    #[test]
    fn a_record_that_others_could_write_is_not_believed() {
        let folder = tempfile::tempdir().unwrap();
        let mut allowed = Allowed::read(folder.path()).unwrap();
        let now = Timestamp::UNIX_EPOCH;
        allowed
            .add(Identity(7), Place::Reshape, &command("a"), now)
            .unwrap();
        let path = allowed.path().to_owned();
        fs::set_permissions(&path, fs::Permissions::from_mode(0o620)).unwrap();
        assert!(
            Allowed::read(folder.path())
                .unwrap_err()
                .to_string()
                .contains("others")
        );
        fs::remove_file(&path).unwrap();
        let elsewhere = folder.path().join("elsewhere");
        fs::write(&elsewhere, "study,place,command,allowed\n").unwrap();
        symlink(&elsewhere, &path).unwrap();
        assert!(Allowed::read(folder.path()).is_err());
        assert!(
            allowed
                .add(Identity(7), Place::Reshape, &command("b"), now)
                .is_err()
        );
    }
}

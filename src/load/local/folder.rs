//! The study's folder on the share: the only place where this program writes there.
//!
//! Everything is opened relative to the folder's handle and without following links, so that
//! nothing planted in its place can lead out of it.

use std::ffi::OsString;
use std::io;
use std::os::fd::OwnedFd;
use std::os::unix::ffi::OsStringExt;
use std::path::Path;

use rustix::fs::{
    AtFlags, Dir, FileType, Mode, OFlags, ResolveFlags, fsync, mkdirat, open, openat2, statat,
    unlinkat,
};
use rustix::io::{Errno, read, write};

use crate::load::LoadError;
use crate::plan::DataFile;
use crate::study::Identity;

/// The file that says whose folder it is.
const MARKER: &str = "THIS-BELONGS-TO-POOLPROOF.txt";

/// An open test-data folder that belongs to the study.
#[derive(Debug)]
pub(super) struct Folder {
    share: OwnedFd,
    handle: OwnedFd,
    name: String,
}

impl Folder {
    /// Opens the folder `name` on the share, or makes it.
    ///
    /// # Errors
    /// When it cannot be made, or what is there belongs to somebody else.
    pub(super) fn open_or_make(
        share: &Path,
        name: &str,
        study: Identity,
    ) -> Result<Self, LoadError> {
        if let Some(folder) = Self::open(share, name, study)? {
            return Ok(folder);
        }
        let root = open_share(share)?;
        let fail = |error: Errno| LoadError::io("making the folder", name, error.into());
        match mkdirat(&root, name, Mode::RWXU) {
            // An empty folder of the name is left by a start that was cut off.
            Ok(()) | Err(Errno::EXIST) => {}
            Err(error) => return Err(fail(error)),
        }
        let handle = enter(&root, name).map_err(fail)?;
        let folder = Self {
            share: root,
            handle,
            name: name.to_owned(),
        };
        if !folder.names()?.is_empty() {
            return Err(folder.foreign(name, "a folder of this name is there and is not ours"));
        }
        folder.write_marker(study)?;
        Ok(folder)
    }

    /// Opens the folder `name` on the share; `None` when there is none, or it is empty.
    ///
    /// # Errors
    /// When what is there belongs to somebody else.
    pub(super) fn open(
        share: &Path,
        name: &str,
        study: Identity,
    ) -> Result<Option<Self>, LoadError> {
        if name.is_empty() {
            return Ok(None);
        }
        let root = open_share(share)?;
        let handle = match enter(&root, name) {
            Ok(handle) => handle,
            Err(Errno::NOENT) => return Ok(None),
            Err(Errno::LOOP | Errno::NOTDIR) => {
                return Err(LoadError::Foreign {
                    path: name.to_owned(),
                    why: "stands where the test-data folder should be and is no folder",
                });
            }
            Err(error) => return Err(LoadError::io("opening the folder", name, error.into())),
        };
        let folder = Self {
            share: root,
            handle,
            name: name.to_owned(),
        };
        match folder.read_marker() {
            Ok(text) if text.contains(&study.to_string()) => Ok(Some(folder)),
            Err(Errno::NOENT) if folder.names()?.is_empty() => Ok(None),
            Ok(_) => Err(folder.foreign(MARKER, "names another study")),
            Err(error) => Err(folder.error("reading", MARKER, error)),
        }
    }

    /// Opens a file of test data. `extra` adds to read-write (or read-only) access.
    pub(super) fn file(&self, name: &str, flags: OFlags) -> Result<OwnedFd, Errno> {
        let mode = Mode::RUSR | Mode::WUSR;
        let mode = if flags.contains(OFlags::CREATE) {
            mode
        } else {
            Mode::empty()
        };
        openat2(
            &self.handle,
            name,
            flags | OFlags::CLOEXEC | OFlags::NOFOLLOW,
            mode,
            CONFINED,
        )
    }

    /// Removes what an interrupted start left of a file, if it is a plain file.
    pub(super) fn discard(&self, name: &str) -> Result<(), LoadError> {
        let status = match statat(&self.handle, name, AtFlags::SYMLINK_NOFOLLOW) {
            Ok(status) => status,
            Err(Errno::NOENT) => return Ok(()),
            Err(error) => return Err(self.error("looking at", name, error)),
        };
        if FileType::from_raw_mode(status.st_mode) != FileType::RegularFile || status.st_nlink != 1
        {
            return Err(self.foreign(name, "is not a plain file of this program"));
        }
        unlinkat(&self.handle, name, AtFlags::empty())
            .map_err(|error| self.error("removing", name, error))
    }

    /// Makes the folder's entries last.
    pub(super) fn sync(&self) -> Result<(), LoadError> {
        fsync(&self.handle).map_err(|error| self.error("flushing", "", error))
    }

    /// Removes `files`, the marker and the folder; tells whether the folder is gone.
    pub(super) fn remove(self, files: &[DataFile]) -> Result<bool, LoadError> {
        for file in files {
            self.discard(&file.name())?;
        }
        self.sync()?;
        if self.names()?.iter().any(|name| *name != MARKER) {
            return Ok(false);
        }
        // The marker goes last, so that an interrupted removal can go on.
        self.discard(MARKER)?;
        unlinkat(&self.share, &self.name, AtFlags::REMOVEDIR)
            .map_err(|error| self.error("removing", "", error))?;
        fsync(&self.share).map_err(|error| self.error("flushing", "", error))?;
        Ok(true)
    }

    /// An error about `name` in this folder.
    pub(super) fn error(&self, doing: &'static str, name: &str, error: Errno) -> LoadError {
        LoadError::io(doing, format_args!("{}/{name}", self.name), error.into())
    }

    /// A refusal about `name` in this folder.
    pub(super) fn foreign(&self, name: &str, why: &'static str) -> LoadError {
        LoadError::Foreign {
            path: format!("{}/{name}", self.name),
            why,
        }
    }

    fn names(&self) -> Result<Vec<OsString>, LoadError> {
        let fail = |error| self.error("listing", "", error);
        let mut names = Vec::new();
        for entry in Dir::read_from(&self.handle).map_err(fail)? {
            let name = entry.map_err(fail)?.file_name().to_bytes().to_vec();
            if name != b"." && name != b".." {
                names.push(OsString::from_vec(name));
            }
        }
        Ok(names)
    }

    fn write_marker(&self, study: Identity) -> Result<(), LoadError> {
        let text = format!(
            "Test data of a storage measurement, study {study}.\n`poolproof clean` removes it.\n"
        );
        let put = || {
            let file = self.file(MARKER, OFlags::WRONLY | OFlags::CREATE | OFlags::EXCL)?;
            let mut rest = text.as_bytes();
            while !rest.is_empty() {
                rest = &rest[write(&file, rest)?..];
            }
            fsync(&file)
        };
        put().map_err(|error| self.error("writing", MARKER, error))?;
        self.sync()
    }

    fn read_marker(&self) -> Result<String, Errno> {
        let file = self.file(MARKER, OFlags::RDONLY)?;
        let mut text = [0; 512];
        let length = read(&file, &mut text[..])?;
        Ok(String::from_utf8_lossy(&text[..length]).into_owned())
    }
}

const CONFINED: ResolveFlags = ResolveFlags::BENEATH.union(ResolveFlags::NO_SYMLINKS);

fn enter(share: &OwnedFd, name: &str) -> Result<OwnedFd, Errno> {
    let flags = OFlags::RDONLY | OFlags::DIRECTORY | OFlags::NOFOLLOW | OFlags::CLOEXEC;
    openat2(share, name, flags, Mode::empty(), CONFINED)
}

fn open_share(share: &Path) -> Result<OwnedFd, LoadError> {
    let flags = OFlags::RDONLY | OFlags::DIRECTORY | OFlags::CLOEXEC;
    open(share, flags, Mode::empty()).map_err(|error| {
        LoadError::io("opening the share", share.display(), io::Error::from(error))
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::{Phase, Set};
    use crate::units::Bytes;
    use std::os::unix::fs::symlink;

    const STUDY: Identity = Identity(5);

    fn file(number: u64) -> DataFile {
        let (set, bytes, phase) = (Set::Read, Bytes::MIB, Phase::Before);
        DataFile {
            number,
            set,
            bytes,
            phase,
            complete: true,
        }
    }

    #[test]
    fn a_folder_is_made_found_again_and_removed() {
        let share = tempfile::tempdir().unwrap();
        assert!(Folder::open(share.path(), "data", STUDY).unwrap().is_none());
        let folder = Folder::open_or_make(share.path(), "data", STUDY).unwrap();
        std::fs::write(share.path().join("data").join(file(0).name()), "x").unwrap();
        std::fs::write(share.path().join("data/other"), "x").unwrap();
        assert!(
            !folder.remove(&[file(0)]).unwrap(),
            "something foreign is left alone"
        );
        std::fs::remove_file(share.path().join("data/other")).unwrap();
        let folder = Folder::open(share.path(), "data", STUDY).unwrap().unwrap();
        assert!(folder.remove(&[file(0)]).unwrap());
        assert!(!share.path().join("data").exists());
    }

    #[test]
    fn what_belongs_to_others_is_refused() {
        let share = tempfile::tempdir().unwrap();
        Folder::open_or_make(share.path(), "data", STUDY).unwrap();
        let other = Folder::open_or_make(share.path(), "data", Identity(6));
        assert!(matches!(other, Err(LoadError::Foreign { .. })));
        std::fs::create_dir(share.path().join("full")).unwrap();
        std::fs::write(share.path().join("full/precious"), "x").unwrap();
        assert!(Folder::open_or_make(share.path(), "full", STUDY).is_err());
    }

    #[test]
    fn planted_links_are_not_followed() {
        let share = tempfile::tempdir().unwrap();
        let outside = tempfile::tempdir().unwrap();
        let precious = outside.path().join("precious");
        std::fs::write(&precious, "precious").unwrap();
        symlink(outside.path(), share.path().join("data")).unwrap();
        assert!(Folder::open_or_make(share.path(), "data", STUDY).is_err());
        std::fs::remove_file(share.path().join("data")).unwrap();
        let folder = Folder::open_or_make(share.path(), "data", STUDY).unwrap();
        let planted = share.path().join("data").join(file(0).name());
        symlink(&precious, &planted).unwrap();
        assert!(folder.file(&file(0).name(), OFlags::RDWR).is_err());
        assert!(folder.discard(&file(0).name()).is_err());
        std::fs::remove_file(&planted).unwrap();
        std::fs::hard_link(&precious, &planted).unwrap();
        assert!(folder.discard(&file(0).name()).is_err());
        assert_eq!(std::fs::read_to_string(&precious).unwrap(), "precious");
    }
}

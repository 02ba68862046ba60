//! Finds the plain files below a path, through no link and into no other file system.

use std::collections::BTreeSet;
use std::ffi::OsStr;
use std::io;
use std::path::{Path, PathBuf};

use super::file::{self, Refused};
use crate::integrity::escaped;
use crate::load::Watch;
use crate::sys::{
    self, AsFd, AtFlags, BorrowedFd, Errno, FileType, Mode, NOATIME, OFlags, OwnedFd, bytes,
    entries, fstat, is_mount_point, openat, stat, statat,
};

/// Folders within folders, at most.
const DEEPEST: usize = 200;
/// Files, at most.
const MOST: usize = 1_000_000;

/// A plain file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Found {
    /// Its path from the root.
    pub path: Vec<u8>,
    /// Its size in bytes.
    pub size: u64,
}

/// What was passed over.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Skipped {
    /// Links.
    pub links: u64,
    /// Devices, pipes and sockets.
    pub special: u64,
    /// Folders on other file systems.
    pub mounts: u64,
    /// Folders of this program.
    pub own: u64,
    /// What may not be looked at, or is nested too deeply.
    pub refused: u64,
}

/// Why files cannot be found.
#[derive(Debug, thiserror::Error)]
pub enum WalkError {
    /// The path leads nowhere, or not to files.
    #[error("{path}: {why}")]
    Path {
        /// What was named.
        path: String,
        /// Why not.
        why: String,
    },
    /// Too much.
    #[error("more than {MOST} files: seal the folders that matter")]
    TooMany,
    /// An end was asked for.
    #[error("stopped; nothing was sealed")]
    Stopped,
}

/// Device and number of a folder, by which it is known wherever it shows.
///
/// # Errors
/// When it cannot be looked at.
pub fn identity(folder: &Path) -> io::Result<(u64, u64)> {
    let status = stat(folder)?;
    Ok(sys::identity(&status))
}

/// The plain files at and below `path`, sorted by path; what was passed over is counted. Folders
/// whose identity is in `own` are passed over.
///
/// # Errors
/// When `path` is a link, leads nowhere, or there are too many files.
pub fn walk(
    path: &Path,
    own: &BTreeSet<(u64, u64)>,
    watch: &Watch,
    skipped: &mut Skipped,
) -> Result<Vec<Found>, WalkError> {
    let fail = |why: String| WalkError::Path {
        path: escaped(bytes(path.as_os_str())),
        why,
    };
    let path = from_root(path).map_err(|error| fail(error.to_string()))?;
    let refused = |refused| match refused {
        Refused::Gone => fail("nothing is there".into()),
        Refused::NotPlain(why) => fail(format!("{why}: name a plain file or a folder itself")),
        Refused::Failed(error) => fail(error.to_string()),
    };
    let walk = Walk {
        own,
        watch,
        skipped,
        device: 0,
        found: Vec::new(),
    };
    let (Some(folder), Some(name)) = (path.parent(), path.file_name()) else {
        let root = file::folder(&path).map_err(refused)?;
        return walk.all(&root, OsStr::new("."), b"");
    };
    let folder = file::folder(folder).map_err(refused)?;
    let status = statat(&folder, name, AtFlags::SYMLINK_NOFOLLOW)
        .map_err(|error| refused(Refused::from(error)))?;
    match FileType::from_raw_mode(status.st_mode) {
        FileType::Directory => walk.all(&folder, name, bytes(path.as_os_str())),
        FileType::RegularFile => Ok(vec![Found {
            path: bytes(path.as_os_str()).to_vec(),
            size: status.st_size as u64,
        }]),
        FileType::Symlink => Err(refused(Refused::NotPlain("it is a link"))),
        _ => Err(refused(Refused::NotPlain(
            "it is a device, a pipe or a socket",
        ))),
    }
}

/// The path from the root, its last step left as it is: a link there is not followed.
fn from_root(path: &Path) -> io::Result<PathBuf> {
    match (path.parent(), path.file_name()) {
        (Some(folder), Some(name)) => {
            let folder = match folder.as_os_str().is_empty() {
                true => Path::new("."),
                false => folder,
            };
            Ok(folder.canonicalize()?.join(name))
        }
        _ => path.canonicalize(),
    }
}

struct Walk<'a> {
    own: &'a BTreeSet<(u64, u64)>,
    watch: &'a Watch,
    skipped: &'a mut Skipped,
    device: u64,
    found: Vec<Found>,
}

impl Walk<'_> {
    fn all(mut self, folder: &OwnedFd, name: &OsStr, path: &[u8]) -> Result<Vec<Found>, WalkError> {
        let fail = |error: Errno| WalkError::Path {
            path: escaped(path),
            why: io::Error::from(error).to_string(),
        };
        let top = enter(folder.as_fd(), name).map_err(fail)?;
        let status = fstat(&top).map_err(fail)?;
        if self.own.contains(&sys::identity(&status)) {
            self.skipped.own += 1;
            return Ok(self.found);
        }
        (self.device, _) = sys::identity(&status);
        self.folder(top, path, 0)?;
        self.found.sort_by(|a, b| a.path.cmp(&b.path));
        Ok(self.found)
    }

    fn folder(&mut self, folder: OwnedFd, path: &[u8], depth: usize) -> Result<(), WalkError> {
        if self.watch.stopped() {
            return Err(WalkError::Stopped);
        }
        let Ok(mut names) = entries(&folder) else {
            self.skipped.refused += 1;
            return Ok(());
        };
        names.sort_unstable();
        for name in names {
            let mut below = path.to_vec();
            below.push(b'/');
            below.extend(bytes(&name));
            self.entry(folder.as_fd(), &name, below, depth)?;
        }
        Ok(())
    }

    fn entry(
        &mut self,
        folder: BorrowedFd<'_>,
        name: &OsStr,
        path: Vec<u8>,
        depth: usize,
    ) -> Result<(), WalkError> {
        let status = statat(folder, name, AtFlags::SYMLINK_NOFOLLOW);
        self.watch.step();
        let Ok(status) = status else {
            self.skipped.refused += 1;
            return Ok(());
        };
        let elsewhere = sys::identity(&status).0 != self.device || is_mount_point(folder, name);
        match FileType::from_raw_mode(status.st_mode) {
            FileType::Symlink => self.skipped.links += 1,
            FileType::Directory | FileType::RegularFile if elsewhere => self.skipped.mounts += 1,
            FileType::Directory if self.own.contains(&sys::identity(&status)) => {
                self.skipped.own += 1;
            }
            FileType::Directory => match enter(folder, name) {
                Ok(folder) if depth < DEEPEST => self.folder(folder, &path, depth + 1)?,
                _ => self.skipped.refused += 1,
            },
            FileType::RegularFile => {
                if self.found.len() == MOST {
                    return Err(WalkError::TooMany);
                }
                let size = status.st_size as u64;
                self.found.push(Found { path, size });
            }
            _ => self.skipped.special += 1,
        }
        Ok(())
    }
}

/// Opens a folder to list it, leaving its access time alone where that is allowed.
fn enter(folder: BorrowedFd<'_>, name: &OsStr) -> Result<OwnedFd, Errno> {
    let flags = OFlags::RDONLY | OFlags::DIRECTORY | OFlags::NOFOLLOW | OFlags::CLOEXEC;
    match openat(folder, name, flags | NOATIME, Mode::empty()) {
        Err(Errno::PERM) => openat(folder, name, flags, Mode::empty()),
        opened => opened,
    }
}

//! The study's folder on the share: the only place where this program writes there.
//!
//! Everything is opened by a plain name, relative to the folder's handle and without following
//! links, so that nothing planted in its place can lead out of it; and a file counts only when it is
//! a plain file with one name, so that nothing of somebody else's is read, written or removed.
//! The folder is always made by this program, for this user alone.

use std::ffi::{OsStr, OsString};
use std::io;
use std::path::Path;
use std::thread::sleep;
use std::time::Duration;

use crate::load::{LoadError, Watch};
use crate::plan::DataFile;
use crate::study::Identity;
use crate::sys::{
    AtFlags, DIRECT, Errno, FileType, Mode, NOT_IN_NAMES, OFlags, OwnedFd, SEVERAL, Stat,
    block_again, entries, fstat, fsync, mkdirat, open, open_beneath, openat, pread, pwrite, statat,
    unlinkat,
};

/// The file that says whose folder it is.
const MARKER: &str = "THIS-BELONGS-TO-POOLPROOF.txt";

/// What a link, a device, a folder and the like in the place of a file is told.
const NOT_PLAIN: &str = "is not a plain file of this program";

/// What the names begin with that network shares give to a removed file as long as somebody has it open:
/// FUSE (libfuse, `lib/fuse.c`) and NFS (Linux, `fs/nfs/unlink.c`); from memory.
const CLOSING: [&str; 2] = [".fuse_hidden", ".nfs"];
/// So often, and with pauses of so long, such a file is waited for: there, what a program that has just
/// ended had open is closed a little later.
const LOOKS: u32 = 40;
const PAUSE: Duration = Duration::from_millis(50);

/// Sleeps each time it is asked, and ends when it was long enough.
fn pauses() -> impl Iterator<Item = ()> {
    (0..LOOKS).map(|_| sleep(PAUSE))
}

/// An open test-data folder that belongs to the study.
#[derive(Debug)]
pub(super) struct Folder {
    share: OwnedFd,
    handle: OwnedFd,
    name: String,
}

/// What stands on the share under the folder's name.
#[derive(Debug)]
pub(super) enum Found {
    /// Nothing.
    Nothing,
    /// What a start that was cut off leaves: an empty folder, or one with a part of the marker.
    CutOff(Folder),
    /// The study's folder.
    Ours(Folder),
}

/// Why a file is not open.
#[derive(Debug)]
pub(super) enum Refusal {
    /// The file system takes no direct I/O, and buffered may go.
    DirectIo,
    /// It cannot be used.
    Error(LoadError),
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
        match Self::find(share, name, study)? {
            Found::Ours(folder) => return Ok(folder),
            // Made anew, so that owner and mode are what this program gives, whoever made it.
            Found::CutOff(folder) => folder.remove_empty()?,
            Found::Nothing => {}
        }
        let root = open_share(share)?;
        let fail = |error: Errno| LoadError::io("making the folder", name, error.into());
        mkdirat(&root, name, Mode::RWXU).map_err(fail)?;
        fsync(&root).map_err(fail)?;
        let handle = enter(&root, name).map_err(fail)?;
        let folder = Self {
            share: root,
            handle,
            name: name.to_owned(),
        };
        folder.write_marker(study)?;
        Ok(folder)
    }

    /// Looks for the folder `name` on the share. Nothing is changed.
    ///
    /// # Errors
    /// When what is there belongs to somebody else.
    pub(super) fn find(share: &Path, name: &str, study: Identity) -> Result<Found, LoadError> {
        let foreign = |why| LoadError::Foreign {
            path: name.to_owned(),
            why,
        };
        if name.is_empty() {
            return Ok(Found::Nothing);
        }
        if !is_plain_name(name) {
            return Err(foreign("is no name of a test-data folder"));
        }
        let root = open_share(share)?;
        let handle = match enter(&root, name) {
            Ok(handle) => handle,
            Err(Errno::NOENT) => return Ok(Found::Nothing),
            Err(Errno::LOOP | Errno::NOTDIR) => {
                return Err(foreign(
                    "stands where the test-data folder should be and is no folder",
                ));
            }
            Err(error) => return Err(LoadError::io("opening the folder", name, error.into())),
        };
        let folder = Self {
            share: root,
            handle,
            name: name.to_owned(),
        };
        let names = folder.names()?;
        if names.is_empty() {
            return Ok(Found::CutOff(folder));
        }
        if !names.iter().any(|name| *name == MARKER) {
            return Err(foreign("a folder of this name is there and is not ours"));
        }
        let text = folder.read_marker()?;
        if text.contains(&study.to_string()) {
            Ok(Found::Ours(folder))
        } else if names.len() == 1 && marker_text(study).starts_with(&text) {
            Ok(Found::CutOff(folder))
        } else {
            Err(folder.foreign(MARKER, "names another study"))
        }
    }

    /// Opens a file of test data that is there. `access` is read-only or read-write, and [`DIRECT`].
    ///
    /// # Errors
    /// When it is missing or no plain file with one name, and when direct I/O is refused.
    pub(super) fn file(&self, name: &str, access: OFlags) -> Result<(OwnedFd, Stat), Refusal> {
        let not_plain = || Refusal::Error(self.foreign(name, NOT_PLAIN));
        let fail = |error| match error {
            Errno::INVAL if access.contains(DIRECT) => Refusal::DirectIo,
            Errno::LOOP | Errno::NXIO | Errno::ISDIR => not_plain(),
            error => Refusal::Error(self.error("opening", name, error)),
        };
        // Without NONBLOCK a named pipe would keep us waiting for its other end.
        let file = confined(
            &self.handle,
            name,
            access | SEVERAL | OFlags::NONBLOCK,
            Mode::empty(),
        );
        let file = file.map_err(fail)?;
        let status = fstat(&file).map_err(fail)?;
        if !is_plain(&status) {
            return Err(not_plain());
        }
        block_again(&file).map_err(fail)?;
        Ok((file, status))
    }

    /// Makes a file of test data. `access` as for [`Folder::file`].
    ///
    /// # Errors
    /// When anything of that name is there, or it cannot be made; when direct I/O is refused, an
    /// empty file may have been made.
    pub(super) fn make(&self, name: &str, access: OFlags) -> Result<OwnedFd, Refusal> {
        let flags = access | SEVERAL | OFlags::CREATE | OFlags::EXCL;
        confined(&self.handle, name, flags, Mode::RUSR | Mode::WUSR).map_err(|error| match error {
            Errno::INVAL if access.contains(DIRECT) => Refusal::DirectIo,
            error => Refusal::Error(self.error("making", name, error)),
        })
    }

    /// Removes what an interrupted start left of a file, if it is a plain file.
    ///
    /// # Errors
    /// When it is none, or cannot be removed.
    pub(super) fn discard(&self, name: &str) -> Result<(), LoadError> {
        let status = match statat(&self.handle, name, AtFlags::SYMLINK_NOFOLLOW) {
            Ok(status) => status,
            Err(Errno::NOENT) => return Ok(()),
            Err(error) => return Err(self.error("looking at", name, error)),
        };
        if !is_plain(&status) {
            return Err(self.foreign(name, NOT_PLAIN));
        }
        unlinkat(&self.handle, name, AtFlags::empty())
            .map_err(|error| self.error("removing", name, error))
    }

    /// Makes the folder's entries last.
    pub(super) fn sync(&self) -> Result<(), LoadError> {
        fsync(&self.handle).map_err(|error| self.error("flushing", "", error))
    }

    /// Removes `files`, and tells `watch` of each.
    ///
    /// # Errors
    /// At the first that is no plain file or cannot be removed.
    pub(super) fn remove_files(&self, files: &[DataFile], watch: &Watch) -> Result<(), LoadError> {
        for file in files {
            self.discard(&file.name())?;
            watch.step();
        }
        self.sync()
    }

    /// Removes the folder when nothing but the marker is in it; tells whether it is gone. A removed file
    /// that somebody has open yet is waited for, for two seconds.
    ///
    /// # Errors
    /// When it cannot be removed.
    pub(super) fn remove(self) -> Result<bool, LoadError> {
        let mut pauses = pauses();
        loop {
            let names = self.names()?;
            let mut others = names.iter().filter(|name| *name != MARKER).peekable();
            if others.peek().is_none() {
                break;
            }
            if !others.all(|name| is_closing(name)) || pauses.next().is_none() {
                return Ok(false);
            }
        }
        self.remove_empty()?;
        Ok(true)
    }

    /// Removes the folder, in which nothing but a marker can be.
    pub(super) fn remove_empty(self) -> Result<(), LoadError> {
        // The marker goes last, so that an interrupted removal can go on.
        self.discard(MARKER)?;
        let Self {
            share,
            handle,
            name,
        } = self;
        // Some systems remove no folder that is open.
        drop(handle);
        let fail =
            |doing, error: Errno| LoadError::io(doing, format_args!("{name}/"), error.into());
        // The marker was read, and may count as open for a moment.
        let mut pauses = pauses();
        while let Err(error) = unlinkat(&share, name.as_str(), AtFlags::REMOVEDIR) {
            if error != Errno::NOTEMPTY || pauses.next().is_none() {
                return Err(fail("removing", error));
            }
        }
        fsync(&share).map_err(|error| fail("flushing", error))
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
        entries(&self.handle).map_err(|error| self.error("listing", "", error))
    }

    fn write_marker(&self, study: Identity) -> Result<(), LoadError> {
        let file = self.make(MARKER, OFlags::WRONLY).map_err(Refusal::error)?;
        let put = || {
            let text = marker_text(study);
            let mut written = 0;
            while written < text.len() {
                written += pwrite(&file, &text.as_bytes()[written..], written as u64)?;
            }
            fsync(&file)
        };
        put().map_err(|error| self.error("writing", MARKER, error))?;
        self.sync()
    }

    fn read_marker(&self) -> Result<String, LoadError> {
        let (file, _) = self.file(MARKER, OFlags::RDONLY).map_err(Refusal::error)?;
        let mut text = [0; 512];
        let length =
            pread(&file, &mut text[..], 0).map_err(|error| self.error("reading", MARKER, error))?;
        Ok(String::from_utf8_lossy(&text[..length]).into_owned())
    }
}

impl Refusal {
    /// The error, where direct I/O was not asked for.
    pub(super) fn error(self) -> LoadError {
        match self {
            Self::DirectIo => unreachable!("buffered files were asked for"),
            Self::Error(error) => error,
        }
    }
}

fn marker_text(study: Identity) -> String {
    format!("Test data of a storage measurement, study {study}.\n`poolproof clean` removes it.\n")
}

fn is_plain(status: &Stat) -> bool {
    FileType::from_raw_mode(status.st_mode) == FileType::RegularFile && status.st_nlink == 1
}

/// Whether `name` is that of a removed file that somebody has open.
fn is_closing(name: &OsStr) -> bool {
    let name = name.to_string_lossy();
    CLOSING.iter().any(|begin| name.starts_with(begin))
}

/// Whether `name` names something in a folder, and nothing above or below it.
fn is_plain_name(name: &str) -> bool {
    !matches!(name, "" | "." | "..") && !name.contains(NOT_IN_NAMES)
}

/// Opens `name` in `folder` and nowhere else. Where the kernel cannot hold us to that, the name
/// alone does: it is a plain one, and no link is followed.
fn confined(folder: &OwnedFd, name: &str, flags: OFlags, mode: Mode) -> Result<OwnedFd, Errno> {
    let flags = flags | OFlags::CLOEXEC | OFlags::NOFOLLOW;
    match open_beneath(folder, name, flags, mode) {
        Err(Errno::NOSYS) => by_name_alone(folder, name, flags, mode),
        opened => opened,
    }
}

fn by_name_alone(
    folder: &OwnedFd,
    name: &str,
    flags: OFlags,
    mode: Mode,
) -> Result<OwnedFd, Errno> {
    if !is_plain_name(name) {
        return Err(Errno::XDEV);
    }
    openat(folder, name, flags, mode)
}

fn enter(share: &OwnedFd, name: &str) -> Result<OwnedFd, Errno> {
    confined(
        share,
        name,
        OFlags::RDONLY | OFlags::DIRECTORY,
        Mode::empty(),
    )
}

fn open_share(share: &Path) -> Result<OwnedFd, LoadError> {
    let flags = OFlags::RDONLY | OFlags::DIRECTORY | OFlags::CLOEXEC;
    open(share, flags, Mode::empty()).map_err(|error| {
        LoadError::io("opening the share", share.display(), io::Error::from(error))
    })
}

#[cfg(test)]
mod tests;

//! Opens a plain file by its path from the root, through no link.

use std::ffi::OsStr;
use std::io;
use std::path::{Component, Path};

use crate::sys::{
    self, AsFd, AtFlags, BorrowedFd, Errno, FileType, KEEPS_ACCESS_TIME, LOOK, Mode, NOATIME,
    NOCTTY, OFlags, OwnedFd, Stat, drop_cache_of, fstat, identity, open, openat, pread, statat,
    times,
};

/// What of a file can be compared without reading it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct State {
    /// Its size in bytes.
    pub size: u64,
    /// When its content was last changed, in nanoseconds since 1970.
    pub modified_ns: i64,
    /// When anything of it was.
    pub changed_ns: i64,
}

impl State {
    fn of(status: &Stat) -> Self {
        let (modified_ns, changed_ns) = times(status);
        Self {
            size: u64::try_from(status.st_size).unwrap_or(0),
            modified_ns,
            changed_ns,
        }
    }
}

/// Why a file is not open.
#[derive(Debug)]
pub enum Refused {
    /// Nothing is there.
    Gone,
    /// Something that is no plain file, or reached through a link.
    NotPlain(&'static str),
    /// A call failed.
    Failed(io::Error),
}

impl From<Errno> for Refused {
    fn from(error: Errno) -> Self {
        match error {
            Errno::NOENT => Self::Gone,
            Errno::LOOP | Errno::NOTDIR => Self::NotPlain("a link or a file is on the way to it"),
            error => Self::Failed(error.into()),
        }
    }
}

/// A plain file, open for reading.
#[derive(Debug)]
pub(super) struct Plain {
    handle: OwnedFd,
    /// Whether reading it leaves its access time alone.
    pub(super) keeps_access_time: bool,
}

impl Plain {
    /// Opens the file at `path` from the root.
    pub(super) fn open(path: &[u8]) -> Result<Self, Refused> {
        let path = sys::name(path.to_vec());
        let path = Path::new(&path);
        let (folder, name) = path
            .parent()
            .zip(path.file_name())
            .ok_or(Refused::NotPlain("it is a folder"))?;
        let folder = self::folder(folder)?;
        Self::open_in(folder.as_fd(), name)
    }

    /// Opens the file `name` in `folder`.
    pub(super) fn open_in(folder: BorrowedFd<'_>, name: &OsStr) -> Result<Self, Refused> {
        // Looked at first: opening a device or a pipe can do things.
        let seen = statat(folder, name, AtFlags::SYMLINK_NOFOLLOW)?;
        plain(&seen)?;
        let flags = OFlags::RDONLY | OFlags::NOFOLLOW | OFlags::NONBLOCK | NOCTTY | OFlags::CLOEXEC;
        let (handle, keeps_access_time) = match openat(folder, name, flags | NOATIME, Mode::empty())
        {
            // Only the owner may ask for it.
            Err(Errno::PERM) => (openat(folder, name, flags, Mode::empty())?, false),
            opened => (opened?, KEEPS_ACCESS_TIME),
        };
        let status = fstat(&handle)?;
        plain(&status)?;
        if identity(&status) != identity(&seen) {
            return Err(Refused::NotPlain("it was replaced while it was opened"));
        }
        Ok(Self {
            handle,
            keeps_access_time,
        })
    }

    /// Its state at this moment.
    pub(super) fn state(&self) -> io::Result<State> {
        Ok(State::of(&fstat(&self.handle)?))
    }

    /// Reads from `offset` into `buffer`, past what this client's cache holds; how many bytes there
    /// are.
    pub(super) fn read(&self, buffer: &mut [u8], offset: u64) -> io::Result<usize> {
        // What cannot be dropped is being written, and then its time tells.
        let length = buffer.len() as u64;
        let _ = drop_cache_of(&self.handle, offset, length);
        let mut read = 0;
        while read < buffer.len() {
            match pread(&self.handle, &mut buffer[read..], offset + read as u64) {
                Ok(0) => break,
                Ok(more) => read += more,
                Err(Errno::INTR) => {}
                Err(error) => return Err(error.into()),
            }
        }
        // Others' files are of no use in this client's memory.
        let _ = drop_cache_of(&self.handle, offset, length);
        Ok(read)
    }
}

/// Opens a folder by its path from the root, step by step, through no link.
pub(super) fn folder(path: &Path) -> Result<OwnedFd, Refused> {
    let flags = LOOK | OFlags::DIRECTORY | OFlags::NOFOLLOW | OFlags::CLOEXEC;
    let root = path.ancestors().last().unwrap_or(path);
    let mut folder = open(root, flags, Mode::empty())?;
    for step in path.components() {
        if let Component::Normal(step) = step {
            folder = openat(&folder, step, flags, Mode::empty())?;
        }
    }
    Ok(folder)
}

fn plain(status: &Stat) -> Result<(), Refused> {
    match FileType::from_raw_mode(status.st_mode) {
        FileType::RegularFile => Ok(()),
        FileType::Symlink => Err(Refused::NotPlain("it is a link")),
        FileType::Directory => Err(Refused::NotPlain("it is a folder")),
        FileType::Fifo => Err(Refused::NotPlain("it is a pipe")),
        FileType::Socket => Err(Refused::NotPlain("it is a socket")),
        _ => Err(Refused::NotPlain("it is a device")),
    }
}

//! What macOS and Windows share: answers that only Linux gives.

use std::ffi::OsStr;

use super::{AsFd, BorrowedFd, Errno, Mode, OFlags, OwnedFd};

/// Asks for a folder to be looked into.
pub(crate) const LOOK: OFlags = OFlags::empty();
/// There is nothing by which to leave the access time alone; on Windows it is seldom kept.
pub(crate) const NOATIME: OFlags = OFlags::empty();
/// Whether [`NOATIME`] does.
pub(crate) const KEEPS_ACCESS_TIME: bool = false;
/// Whether [`drop_cache`] is to be had.
pub(crate) const EMPTIES_CACHE: bool = false;

/// These systems cannot hold us to a folder but by the name.
pub(crate) fn open_beneath(
    _folder: &OwnedFd,
    _name: &str,
    _flags: OFlags,
    _mode: Mode,
) -> Result<OwnedFd, Errno> {
    Err(Errno::NOSYS)
}

/// There is no call for it.
pub(crate) fn drop_cache(_file: impl AsFd) -> Result<(), Errno> {
    Err(Errno::OPNOTSUPP)
}

/// There is no call for it.
pub(crate) fn drop_cache_of(_file: impl AsFd, _offset: u64, _length: u64) -> Result<(), Errno> {
    Err(Errno::OPNOTSUPP)
}

/// Room is taken while writing: on Windows, a file that is made long at once is filled with zeros later.
pub(crate) fn allocate(_file: impl AsFd, _bytes: u64) -> Result<(), Errno> {
    Err(Errno::OPNOTSUPP)
}

/// Not looked for.
pub(crate) fn holes(_file: BorrowedFd<'_>, _bytes: u64) -> Option<u64> {
    None
}

/// Not told of one file.
pub(crate) fn direct_alignment(_file: BorrowedFd<'_>) -> Option<(u32, u32)> {
    None
}

/// Not told; on macOS nothing is mounted in memory unless somebody makes a disk of it.
pub(crate) fn lives_in_memory(_file: BorrowedFd<'_>) -> bool {
    false
}

/// Mounts are told by their device alone on macOS; on Windows a link stands where another file system is
/// mounted.
pub(crate) fn is_mount_point(_folder: BorrowedFd<'_>, _name: &OsStr) -> bool {
    false
}

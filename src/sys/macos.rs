//! macOS.
#![expect(unsafe_code, reason = "its clocks have no wrapper")]

use std::ffi::OsStr;

use rustix::fs::fcntl_nocache;

pub(crate) use super::unix::*;
pub(crate) use rustix::fs::fsync as fdatasync;

/// Asks for transfers past the cache. The system has no such flag: [`openat`] takes it out again and
/// sets `F_NOCACHE`.
pub(crate) const DIRECT: OFlags = OFlags::from_bits_retain(1 << 31);
/// Asks for a folder to be looked into.
pub(crate) const LOOK: OFlags = OFlags::empty();
/// There is nothing by which to leave the access time alone.
pub(crate) const NOATIME: OFlags = OFlags::empty();
/// Whether [`NOATIME`] does.
pub(crate) const KEEPS_ACCESS_TIME: bool = false;
/// Whether [`drop_cache`] is to be had.
pub(crate) const EMPTIES_CACHE: bool = false;

/// Opens `name` in `folder`.
pub(crate) fn openat(
    folder: impl AsFd,
    name: impl rustix::path::Arg,
    flags: OFlags,
    mode: Mode,
) -> Result<OwnedFd, Errno> {
    let file = rustix::fs::openat(folder, name, flags - DIRECT, mode)?;
    if flags.contains(DIRECT) {
        // A file system that knows of no such thing answers as one that refuses direct I/O.
        fcntl_nocache(&file, true).map_err(|_| Errno::INVAL)?;
    }
    Ok(file)
}

/// The system cannot hold us to a folder but by the name.
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

/// Room is taken while writing.
pub(crate) fn allocate(_file: impl AsFd, _bytes: u64) -> Result<(), Errno> {
    Err(Errno::OPNOTSUPP)
}

/// Not looked for.
pub(crate) fn holes(_file: BorrowedFd<'_>, _bytes: u64) -> Option<u64> {
    None
}

/// The system does not tell.
pub(crate) fn direct_alignment(_file: BorrowedFd<'_>) -> Option<(u32, u32)> {
    None
}

/// Nothing is mounted in memory here unless somebody makes a disk of it.
pub(crate) fn lives_in_memory(_file: BorrowedFd<'_>) -> bool {
    false
}

/// Mounts are told by their device alone.
pub(crate) fn is_mount_point(_folder: BorrowedFd<'_>, _name: &OsStr) -> bool {
    false
}

/// Nanoseconds of two clocks that nobody sets: one that stands still while the machine sleeps, and one
/// that does not.
pub(crate) fn clocks() -> (u64, u64) {
    let read = |clock| {
        let mut time = libc::timespec {
            tv_sec: 0,
            tv_nsec: 0,
        };
        // SAFETY: the structure outlives the call, which fills it and knows these clocks.
        unsafe { libc::clock_gettime(clock, &raw mut time) };
        time.tv_sec as u64 * 1_000_000_000 + time.tv_nsec as u64
    };
    (
        read(libc::CLOCK_UPTIME_RAW),
        read(libc::CLOCK_MONOTONIC_RAW),
    )
}

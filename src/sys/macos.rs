//! macOS.
#![expect(unsafe_code, reason = "its clocks have no wrapper")]

use rustix::fs::fcntl_nocache;

pub(crate) use super::unix::*;
pub(crate) use super::untold::*;
pub(crate) use rustix::fs::fsync as fdatasync;

/// Asks for transfers past the cache. The system has no such flag: [`openat`] takes it out again and
/// sets `F_NOCACHE`.
pub(crate) const DIRECT: OFlags = OFlags::from_bits_retain(1 << 31);

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

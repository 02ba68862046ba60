//! Linux.

use rustix::fs::{
    Advice, FallocateFlags, ResolveFlags, SeekFrom, StatxAttributes, StatxFlags, fadvise,
    fallocate, fstatfs, openat2, seek, statx,
};
use rustix::time::ClockId;

pub(crate) use super::unix::*;
pub(crate) use rustix::fs::{fdatasync, openat};

/// Asks for transfers past the cache.
pub(crate) const DIRECT: OFlags = OFlags::DIRECT;
/// Asks for a folder to be looked into, not listed.
pub(crate) const LOOK: OFlags = OFlags::PATH;
/// Asks to leave the access time alone, which only the owner may.
pub(crate) const NOATIME: OFlags = OFlags::NOATIME;
/// Whether [`NOATIME`] does.
pub(crate) const KEEPS_ACCESS_TIME: bool = true;
/// Whether [`drop_cache`] is to be had.
pub(crate) const EMPTIES_CACHE: bool = true;

/// File systems that live in memory, from include/uapi/linux/magic.h: tmpfs and ramfs.
const IN_MEMORY: [u64; 2] = [0x0102_1994, 0x8584_58f6];

/// Opens `name` in `folder` and nowhere else, through no link; `NOSYS` where the kernel cannot hold us
/// to that.
pub(crate) fn open_beneath(
    folder: &OwnedFd,
    name: &str,
    flags: OFlags,
    mode: Mode,
) -> Result<OwnedFd, Errno> {
    const CONFINED: ResolveFlags = ResolveFlags::BENEATH.union(ResolveFlags::NO_SYMLINKS);
    match openat2(folder, name, flags, mode, CONFINED) {
        // Linux before 5.6 does not know it; old filters of system calls answer with the other.
        Err(Errno::PERM) => Err(Errno::NOSYS),
        opened => opened,
    }
}

/// Drops the clean pages of a file from the cache.
pub(crate) fn drop_cache(file: impl AsFd) -> Result<(), Errno> {
    fadvise(file, 0, None, Advice::DontNeed)
}

/// The same of a part of it.
pub(crate) fn drop_cache_of(file: impl AsFd, offset: u64, length: u64) -> Result<(), Errno> {
    let length = std::num::NonZeroU64::new(length);
    fadvise(file, offset, length, Advice::DontNeed)
}

/// Takes room for a file in one piece, where the file system can.
pub(crate) fn allocate(file: impl AsFd, bytes: u64) -> Result<(), Errno> {
    fallocate(file, FallocateFlags::empty(), 0, bytes)
}

/// Bytes of holes in the first `bytes` of a file, where the file system tells.
pub(crate) fn holes(file: BorrowedFd<'_>, bytes: u64) -> Option<u64> {
    let (mut holes, mut at) = (0, 0);
    while at < bytes {
        let hole = seek(file, SeekFrom::Hole(at)).ok()?.min(bytes);
        at = match seek(file, SeekFrom::Data(hole)) {
            Ok(data) => data.min(bytes),
            Err(Errno::NXIO) => bytes,
            Err(_) => return None,
        };
        holes += at - hole;
    }
    Some(holes)
}

/// Multiples that direct transfers of a file have to keep to, in memory and in the file, where the
/// kernel tells; zero in the file where it takes none.
pub(crate) fn direct_alignment(file: BorrowedFd<'_>) -> Option<(u32, u32)> {
    let status = statx(file, "", AtFlags::EMPTY_PATH, StatxFlags::DIOALIGN).ok()?;
    let told = status.stx_mask & StatxFlags::DIOALIGN.bits() != 0;
    told.then_some((status.stx_dio_mem_align, status.stx_dio_offset_align))
}

/// Whether a file is on a file system that lives in memory.
pub(crate) fn lives_in_memory(file: BorrowedFd<'_>) -> bool {
    fstatfs(file).is_ok_and(|status| IN_MEMORY.contains(&(status.f_type as u64 & 0xffff_ffff)))
}

/// Whether something is mounted there, also a part of the same file system.
pub(crate) fn is_mount_point(folder: BorrowedFd<'_>, name: &std::ffi::OsStr) -> bool {
    let status = statx(folder, name, AtFlags::SYMLINK_NOFOLLOW, StatxFlags::TYPE);
    status.is_ok_and(|status| {
        let attributes = status.stx_attributes & status.stx_attributes_mask;
        attributes.contains(StatxAttributes::MOUNT_ROOT)
    })
}

/// Nanoseconds of two clocks that nobody sets: one that stands still while the machine sleeps, and one
/// that does not.
pub(crate) fn clocks() -> (u64, u64) {
    (
        nanoseconds(ClockId::Monotonic),
        nanoseconds(ClockId::Boottime),
    )
}

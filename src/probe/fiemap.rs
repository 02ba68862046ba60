//! Asks Linux where a file lies (FIEMAP).
#![expect(unsafe_code, reason = "the file-system call has no wrapper")]

use std::io;
use std::os::fd::{AsFd, AsRawFd};

use rustix::fs::fstatfs;

use super::extents::Extent;

/// `FS_IOC_FIEMAP` of `include/uapi/linux/fs.h`: `_IOWR('f', 11, struct fiemap)`.
const FIEMAP: u64 = 0xC020_660B;
/// Extents that are asked for at a time.
const BATCH: usize = 128;
/// `FIEMAP_EXTENT_LAST` of `include/uapi/linux/fiemap.h`.
const LAST: u32 = 0x1;
/// Places that are none: `UNKNOWN`, `DELALLOC`, `ENCODED`, `DATA_INLINE`, `UNWRITTEN` of the same.
const NO_PLACE: u32 = 0x2 | 0x4 | 0x8 | 0x200 | 0x800;
/// `EXT4_SUPER_MAGIC`, shared by ext2 to ext4, and `XFS_SUPER_MAGIC` of
/// `include/uapi/linux/magic.h`.
const KNOWN: [u64; 2] = [0xEF53, 0x5846_5342];

/// `struct fiemap_extent` of `include/uapi/linux/fiemap.h`.
#[repr(C)]
#[derive(Clone, Copy, Default)]
struct RawExtent {
    logical: u64,
    physical: u64,
    length: u64,
    reserved: [u64; 2],
    flags: u32,
    more_reserved: [u32; 3],
}

/// `struct fiemap` with room for answers.
#[repr(C)]
struct Request {
    start: u64,
    length: u64,
    flags: u32,
    mapped: u32,
    count: u32,
    reserved: u32,
    extents: [RawExtent; BATCH],
}

/// The runs of `file`, in the order of the file. Holes are left out.
///
/// # Errors
/// `Unsupported` when the file system does not tell places on one device; otherwise what it said.
pub fn extents(file: impl AsFd) -> io::Result<Vec<Extent>> {
    let file = file.as_fd();
    let unsupported = |why| io::Error::new(io::ErrorKind::Unsupported, why);
    // The type's width differs between architectures; the numbers fit 32 bits.
    if !KNOWN.contains(&(fstatfs(file)?.f_type as u64 & 0xFFFF_FFFF)) {
        return Err(unsupported("the file system does not tell where files lie"));
    }
    let mut found = Vec::new();
    let mut start = 0;
    loop {
        let mut request = Request {
            start,
            length: u64::MAX - start,
            flags: 0,
            mapped: 0,
            count: BATCH as u32,
            reserved: 0,
            extents: [RawExtent::default(); BATCH],
        };
        // SAFETY: the structure has the kernel's layout, with room for as many extents as it says,
        // and outlives the call.
        let answer = unsafe { libc::ioctl(file.as_raw_fd(), FIEMAP as _, &raw mut request) };
        if answer != 0 {
            return Err(io::Error::last_os_error());
        }
        let mapped = &request.extents[..(request.mapped as usize).min(BATCH)];
        for extent in mapped {
            if extent.flags & NO_PLACE != 0 {
                return Err(unsupported("a part of the file has no place of its own"));
            }
            found.push(Extent {
                physical: extent.physical,
                length: extent.length,
            });
        }
        match mapped.last() {
            Some(last) if last.flags & LAST == 0 && last.logical + last.length > start => {
                start = last.logical + last.length;
            }
            _ => return Ok(found),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_request_has_the_kernels_layout() {
        assert_eq!(size_of::<RawExtent>(), 56);
        assert_eq!(size_of::<Request>(), 32 + BATCH * 56);
    }

    #[test]
    fn memory_does_not_tell() {
        let Ok(file) = tempfile::tempfile_in("/dev/shm") else {
            // Skipped: no file system in memory here.
            return;
        };
        let error = extents(&file).unwrap_err();
        assert_eq!(error.kind(), io::ErrorKind::Unsupported, "{error}");
    }
}

//! Where a file lies on its device: asks the file system (FIEMAP), and reads nothing.
//!
//! Only file systems that answer with places on the one device that is mounted are asked: ext2 to
//! ext4 and XFS. A share of another machine, a file system in memory, or one that has addresses of
//! its own (btrfs) does not tell, and unknown stays unknown.
#![expect(unsafe_code, reason = "the file-system call has no wrapper")]

use std::io;
use std::os::fd::{AsFd, AsRawFd};
use std::path::Path;

use rustix::fs::fstatfs;

use super::devices;
use crate::units::Bytes;

/// A run of a file on its device.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Extent {
    /// Where it begins on the device, in bytes.
    pub physical: u64,
    /// Its length in bytes.
    pub length: u64,
}

/// Where a file lies, as fractions (0 to 1) of its device.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Position {
    /// Its first byte on the device.
    pub low: f64,
    /// The mean place of its bytes.
    pub mean: f64,
    /// The end of its last byte on the device.
    pub high: f64,
}

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

/// The size of the block device under `share`; `None` where it is not one device.
pub fn device_bytes(share: &Path) -> Option<Bytes> {
    devices::one(Path::new("/sys"), share).map(|(_, bytes)| bytes)
}

/// Where runs lie on a device of `device` bytes; `None` without any, or when one lies beyond it.
pub fn position(extents: &[Extent], device: Bytes) -> Option<Position> {
    let size = device.0 as f64;
    let end = |extent: &Extent| extent.physical.saturating_add(extent.length);
    let low = extents.iter().map(|extent| extent.physical).min()?;
    let high = extents.iter().map(end).max()?;
    let bytes: f64 = extents.iter().map(|extent| extent.length as f64).sum();
    let middle = |extent: &Extent| extent.physical as f64 + extent.length as f64 / 2.0;
    let moment: f64 = extents
        .iter()
        .map(|extent| middle(extent) * extent.length as f64)
        .sum();
    (high <= device.0 && bytes > 0.0).then(|| Position {
        low: low as f64 / size,
        mean: moment / bytes / size,
        high: high as f64 / size,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    const fn run(physical: u64, length: u64) -> Extent {
        Extent { physical, length }
    }

    #[test]
    fn the_request_has_the_kernels_layout() {
        assert_eq!(size_of::<RawExtent>(), 56);
        assert_eq!(size_of::<Request>(), 32 + BATCH * 56);
    }

    #[test]
    fn positions_are_fractions_weighted_by_bytes() {
        let found = position(&[run(100, 100), run(700, 300)], Bytes(1000)).unwrap();
        assert_eq!((found.low, found.high), (0.1, 1.0));
        // (150 · 100 + 850 · 300) ÷ 400 ÷ 1000
        assert!((found.mean - 0.675).abs() < 1e-12, "{found:?}");
    }

    #[test]
    fn nothing_and_what_lies_beyond_the_device_have_no_position() {
        assert_eq!(position(&[], Bytes(1000)), None);
        assert_eq!(position(&[run(900, 200)], Bytes(1000)), None);
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

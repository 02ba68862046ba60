//! Where a file lies on its device: asks the file system (FIEMAP), and reads nothing.
//!
//! Only file systems that answer with places on the one device that is mounted are asked: ext2 to
//! ext4 and XFS. A share of another machine, a file system in memory, or one that has addresses of
//! its own (btrfs) does not tell, and unknown stays unknown.

use std::path::Path;

use super::devices;
use crate::units::Bytes;

#[cfg(target_os = "linux")]
pub use super::fiemap::extents;

/// The runs of a file: not told here.
///
/// # Errors
/// Always.
#[cfg(not(target_os = "linux"))]
pub(crate) fn extents(_file: crate::sys::BorrowedFd<'_>) -> std::io::Result<Vec<Extent>> {
    Err(crate::sys::untold("where files lie"))
}

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
}

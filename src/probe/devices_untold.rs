//! The block devices under a mount, where no `/sys` tells.

use std::path::Path;

use crate::facts::{Device, Mount};
use crate::sys::untold;
use crate::units::Bytes;

/// Not told.
///
/// # Errors
/// Always.
pub(super) fn under(_sys: &Path, _share: &Path, _mount: &Mount) -> Result<Vec<Device>, String> {
    Err(untold("what a volume is made of").to_string())
}

/// Not told.
pub(super) fn drives(_sys: &Path, _share: &Path, _mount: &Mount) -> Option<Vec<String>> {
    None
}

/// Not told.
pub(super) fn one(_sys: &Path, _share: &Path) -> Option<(String, Bytes)> {
    None
}

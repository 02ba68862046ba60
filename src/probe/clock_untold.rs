//! Whether the clock is synchronised, where no call tells.

use std::io;

use crate::sys::untold;

/// Not told.
///
/// # Errors
/// Always.
pub(super) fn synchronised() -> io::Result<bool> {
    Err(untold("whether the clock is synchronised"))
}

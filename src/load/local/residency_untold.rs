//! How much of a file is in this machine's page cache, where no call tells.

use std::io;

use crate::sys::{AsFd, untold};

/// What the page cache holds of a file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Residency {
    /// Pages in the cache.
    pub(crate) pages: u64,
    /// Pages asked for.
    pub(crate) of_pages: u64,
}

/// Not told.
///
/// # Errors
/// Always.
pub(crate) fn resident(_file: impl AsFd, _bytes: u64) -> io::Result<Residency> {
    Err(untold("what the cache holds"))
}

/// Not told.
///
/// # Errors
/// Always.
pub(crate) fn resident_part(_file: impl AsFd, _offset: u64, _bytes: u64) -> io::Result<Residency> {
    Err(untold("what the cache holds"))
}

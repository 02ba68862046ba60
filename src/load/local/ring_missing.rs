//! Submission for deep queues, where the system has no ring: threads do instead.

use std::io;

use super::trial::{Run, Trial};
use crate::sys::untold;

/// Why a ring does not run.
#[derive(Debug)]
pub(super) enum RingError {
    /// There is none.
    Setup(io::Error),
    /// It broke off.
    #[expect(dead_code, reason = "callers tell it apart where there are rings")]
    Work(io::Error),
}

/// Never runs.
///
/// # Errors
/// Always.
pub(super) fn run(_trial: &Trial<'_>) -> Result<Run, RingError> {
    Err(RingError::Setup(untold("io_uring")))
}

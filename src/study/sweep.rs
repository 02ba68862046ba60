//! A row of `sweep.csv`: how fast one working set was read again.

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use super::bounds::{self, AMOUNT, NUMBER, Wrong};
use super::tables::Cells;
use crate::units::{Bytes, Rate};

/// One working set of a sweep.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SweepRow {
    /// Number of the sweep in the study, from 1.
    pub sweep: u64,
    /// Whether the share was made up.
    pub simulated: bool,
    /// When it was measured.
    pub started: Timestamp,
    /// Size of the working set.
    pub working_set_bytes: u64,
    /// Whether all of it had been read before it was measured.
    pub warm: bool,
    /// Rate of rereading.
    pub rate_bytes_per_s: f64,
    /// Median latency.
    pub p50_ns: Option<u64>,
}

impl SweepRow {
    /// A row with the two numbers that matter, and defaults.
    pub fn of(working_set: Bytes, rate: Rate) -> Self {
        Self {
            sweep: 1,
            simulated: false,
            started: Timestamp::UNIX_EPOCH,
            working_set_bytes: working_set.0,
            warm: true,
            rate_bytes_per_s: rate.0,
            p50_ns: None,
        }
    }
}

impl Cells for SweepRow {
    fn check(&self) -> Result<(), Wrong> {
        bounds::moment("started", self.started)?;
        bounds::counts(NUMBER, [("sweep", self.sweep)])?;
        bounds::counts(AMOUNT, [("working_set_bytes", self.working_set_bytes)])?;
        bounds::some_counts(AMOUNT, [("p50_ns", self.p50_ns)])?;
        bounds::figures([("rate_bytes_per_s", Some(self.rate_bytes_per_s))])
    }
}

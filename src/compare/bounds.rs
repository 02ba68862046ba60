//! Two ends of an interval or of a band.

use serde::Serialize;

use crate::stats::interval::Interval;

/// From `low` to `high`.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Bounds {
    /// The lower end.
    pub low: f64,
    /// The upper end.
    pub high: f64,
}

impl Bounds {
    /// Both ends times `factor`, which is above 0.
    pub fn times(self, factor: f64) -> Self {
        Self {
            low: self.low * factor,
            high: self.high * factor,
        }
    }
}

impl From<Interval> for Bounds {
    fn from(Interval { low, high, .. }: Interval) -> Self {
        Self { low, high }
    }
}

//! Spans of time on a monotonic clock.

use std::fmt;
use std::ops::{Add, Sub};
use std::time::Duration;

/// Nanoseconds: a span, or a moment counted from the start of a trial.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Nanos(pub u64);

impl Nanos {
    /// One microsecond.
    pub const MICRO: Self = Self(1_000);
    /// One millisecond.
    pub const MILLI: Self = Self(1_000_000);
    /// One second.
    pub const SECOND: Self = Self(1_000_000_000);

    /// From seconds; negative and not-a-number become zero.
    pub fn from_secs_f64(seconds: f64) -> Self {
        Self((seconds * 1e9).round() as u64)
    }

    /// In seconds.
    pub fn secs(self) -> f64 {
        self.0 as f64 / 1e9
    }

    /// `self − earlier`, or zero when `earlier` is later.
    pub fn since(self, earlier: Self) -> Self {
        Self(self.0.saturating_sub(earlier.0))
    }
}

impl From<Duration> for Nanos {
    fn from(span: Duration) -> Self {
        Self(u64::try_from(span.as_nanos()).unwrap_or(u64::MAX))
    }
}

impl From<Nanos> for Duration {
    fn from(span: Nanos) -> Self {
        Self::from_nanos(span.0)
    }
}

impl Add for Nanos {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self(self.0.saturating_add(other.0))
    }
}

impl Sub for Nanos {
    type Output = Self;
    fn sub(self, other: Self) -> Self {
        self.since(other)
    }
}

/// With three significant digits in the unit that fits: `640 ns`, `41.7 µs`, `4.17 ms`, `12.0 s`.
impl fmt::Display for Nanos {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (number, unit) = match self.0 {
            ns @ 0..1_000 => return f.pad(&format!("{ns} ns")),
            ns @ 1_000..1_000_000 => (ns as f64 / 1e3, "µs"),
            ns @ 1_000_000..1_000_000_000 => (ns as f64 / 1e6, "ms"),
            ns => (ns as f64 / 1e9, "s"),
        };
        f.pad(&format!("{} {unit}", super::rate::three_digits(number)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn prints_three_digits_in_the_unit_that_fits() {
        assert_eq!(Nanos(640).to_string(), "640 ns");
        assert_eq!(Nanos(4_166_667).to_string(), "4.17 ms");
        assert_eq!(Nanos(41_700).to_string(), "41.7 µs");
        assert_eq!(Nanos::from_secs_f64(12.0).to_string(), "12.0 s");
    }

    #[test]
    fn subtraction_stops_at_zero() {
        assert_eq!(Nanos(3) - Nanos(5), Nanos(0));
    }
}

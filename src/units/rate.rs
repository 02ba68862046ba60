//! Bytes per second.

use std::fmt;

use super::{Bytes, Nanos};

/// A rate in bytes per second, printed in SI units as links and drives are labelled.
#[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd)]
pub struct Rate(pub f64);

impl Rate {
    /// `amount ÷ span`; `None` for an empty span.
    pub fn of(amount: Bytes, span: Nanos) -> Option<Self> {
        (span.0 > 0).then(|| Self(amount.0 as f64 / span.secs()))
    }
}

/// `117.7 MB/s`: four significant digits, so that a change of 1 % shows.
impl fmt::Display for Rate {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (number, unit) = match self.0 {
            rate if rate >= 1e9 => (rate / 1e9, "GB/s"),
            rate if rate >= 1e6 => (rate / 1e6, "MB/s"),
            rate if rate >= 1e3 => (rate / 1e3, "kB/s"),
            rate => (rate, "B/s"),
        };
        f.pad(&format!("{} {unit}", significant(number, 4)))
    }
}

/// A number with three significant digits and no exponent.
pub(super) fn three_digits(number: f64) -> String {
    significant(number, 3)
}

fn significant(number: f64, digits: i32) -> String {
    let magnitude = if number > 0.0 {
        number.log10().floor() as i32
    } else {
        0
    };
    format!(
        "{number:.*}",
        (digits - 1 - magnitude).clamp(0, digits - 1) as usize
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn prints_si_with_four_digits() {
        assert_eq!(Rate(117_685_000.0).to_string(), "117.7 MB/s");
        assert_eq!(Rate(1_176_853_000.0).to_string(), "1.177 GB/s");
        assert_eq!(Rate(0.0).to_string(), "0.000 B/s");
        assert_eq!(Rate(433_000.0).to_string(), "433.0 kB/s");
    }

    #[test]
    fn an_empty_span_has_no_rate() {
        assert_eq!(Rate::of(Bytes(1), Nanos(0)), None);
        assert_eq!(
            Rate::of(Bytes(1 << 20), Nanos::SECOND),
            Some(Rate(1_048_576.0))
        );
    }
}

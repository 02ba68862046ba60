//! Quantities as types, so that bytes, nanoseconds and rates cannot be mixed up.
//!
//! Each quantity has one parser and one printer. SI units (kB, MB, GB, TB: powers of 1000) and IEC
//! units (KiB, MiB, GiB, TiB: powers of 1024) are both read and never confused: a bare `K` or `G`
//! is refused, because half of the world reads it one way and half the other.

mod bytes;
mod nanos;
mod rate;

pub use bytes::{Bytes, ParseBytesError};
pub use nanos::Nanos;
pub use rate::Rate;

/// A count with its thousands set apart: `5,000,000`.
pub fn grouped(count: u64) -> String {
    let digits = count.to_string();
    let mut grouped = String::new();
    for (index, digit) in digits.chars().enumerate() {
        if index > 0 && (digits.len() - index).is_multiple_of(3) {
            grouped.push(',');
        }
        grouped.push(digit);
    }
    grouped
}

/// A number with four significant digits at least, thousands set apart: `412.3`, `12,346`.
pub fn figure(number: f64) -> String {
    let decimals = match number.abs() {
        n if n >= 999.5 => 0,
        n if n >= 99.95 => 1,
        _ => 2,
    };
    let text = format!("{number:.decimals$}");
    let (whole, rest) = text.split_at(text.find('.').unwrap_or(text.len()));
    match whole.parse() {
        Ok(whole) => grouped(whole) + rest,
        Err(_) => text,
    }
}

/// A range between two figures in words, whose unit stands once where both have the same: `12 to 23 %`; one
/// alone where they are the same.
pub fn range(least: &str, most: &str) -> String {
    if least == most {
        return least.to_owned();
    }
    match (least.split_once(' '), most.split_once(' ')) {
        (Some((number, one)), Some((_, other))) if one == other => format!("{number} to {most}"),
        _ => format!("{least} to {most}"),
    }
}

/// A fraction in words: `0.256` becomes `25.6 %`, with `decimals` digits after the point.
pub fn percent(fraction: f64, decimals: usize) -> String {
    format!("{:.*} %", decimals, fraction * 100.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn thousands_stand_apart() {
        for (count, words) in [
            (0, "0"),
            (999, "999"),
            (1_000, "1,000"),
            (12_345_678, "12,345,678"),
        ] {
            assert_eq!(grouped(count), words);
        }
        assert_eq!(figure(12_345.6), "12,346");
        assert_eq!(figure(412.34), "412.3");
        assert_eq!(figure(80.0), "80.00");
        for (least, most, words) in [
            ("12 %", "23 %", "12 to 23 %"),
            ("0.93 % an hour", "1.02 % an hour", "0.93 to 1.02 % an hour"),
            ("900 kB/s", "1.20 MB/s", "900 kB/s to 1.20 MB/s"),
            ("80 op/s", "80 op/s", "80 op/s"),
        ] {
            assert_eq!(range(least, most), words);
        }
    }
}

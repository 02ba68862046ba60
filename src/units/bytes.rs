//! Amounts of data.

use std::fmt;
use std::iter::Sum;
use std::ops::Add;
use std::str::FromStr;

use serde::{Deserialize, Deserializer, Serialize, Serializer};

/// An amount of data in bytes.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Bytes(pub u64);

/// Units in the order in which a printer tries them, largest first.
const IEC: [(&str, u64); 5] = [
    ("PiB", 1 << 50),
    ("TiB", 1 << 40),
    ("GiB", 1 << 30),
    ("MiB", 1 << 20),
    ("KiB", 1 << 10),
];
const SI: [(&str, u64); 5] = [
    ("PB", 1_000_000_000_000_000),
    ("TB", 1_000_000_000_000),
    ("GB", 1_000_000_000),
    ("MB", 1_000_000),
    ("kB", 1_000),
];

impl Bytes {
    /// One kibibyte, 1024 bytes (IEC 80000-13).
    pub const KIB: Self = Self(1 << 10);
    /// One mebibyte, 1024² bytes.
    pub const MIB: Self = Self(1 << 20);
    /// One gibibyte, 1024³ bytes.
    pub const GIB: Self = Self(1 << 30);
    /// One tebibyte, 1024⁴ bytes.
    pub const TIB: Self = Self(1 << 40);
    /// One gigabyte, 10⁹ bytes.
    pub const GB: Self = Self(1_000_000_000);
    /// One terabyte, 10¹² bytes: the unit on a drive's label.
    pub const TB: Self = Self(1_000_000_000_000);

    /// `self × factor`, saturating at the largest amount.
    pub fn times(self, factor: u64) -> Self {
        Self(self.0.saturating_mul(factor))
    }

    /// `self − other`, or zero when `other` is larger.
    pub fn saturating_sub(self, other: Self) -> Self {
        Self(self.0.saturating_sub(other.0))
    }

    /// The share `numerator/denominator` of the amount, rounded down.
    pub fn share(self, numerator: u64, denominator: u64) -> Self {
        let part = u128::from(self.0) * u128::from(numerator) / u128::from(denominator.max(1));
        Self(u64::try_from(part).unwrap_or(u64::MAX))
    }

    /// In SI units with three significant digits: `6.00 TB`.
    pub fn si(self) -> String {
        scaled(self.0, &SI)
    }

    /// In IEC units with three significant digits: `5.46 TiB`.
    pub fn iec(self) -> String {
        scaled(self.0, &IEC)
    }

    /// As a label says it and as systems show it: `6.00 TB (5.46 TiB)`.
    pub fn both(self) -> String {
        format!("{} ({})", self.si(), self.iec())
    }
}

fn scaled(bytes: u64, units: &[(&str, u64)]) -> String {
    let Some(&(name, size)) = units.iter().find(|(_, size)| bytes >= *size) else {
        return format!("{bytes} B");
    };
    format!(
        "{} {name}",
        super::rate::three_digits(bytes as f64 / size as f64)
    )
}

/// Exact where a unit divides the amount (`64 GiB`, `6 TB`), else IEC rounded to three digits.
impl fmt::Display for Bytes {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match exact(self.0) {
            Some((number, unit)) => f.pad(&format!("{number} {unit}")),
            None => f.pad(&self.iec()),
        }
    }
}

/// The largest unit that divides `bytes`, in the system that gives the shorter number.
fn exact(bytes: u64) -> Option<(u64, &'static str)> {
    IEC.iter()
        .chain(&SI)
        .filter(|(_, size)| bytes >= *size && bytes.is_multiple_of(*size))
        .map(|&(name, size)| (bytes / size, name))
        .min()
        .filter(|(number, _)| *number < 10_000)
}

impl Add for Bytes {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self(self.0.saturating_add(other.0))
    }
}

impl Sum for Bytes {
    fn sum<I: Iterator<Item = Self>>(amounts: I) -> Self {
        amounts.fold(Self(0), Add::add)
    }
}

/// Why a size could not be read; the text says what to write instead.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum ParseBytesError {
    /// Empty, not a number, negative, not finite.
    #[error("'{0}' is not a size: write a number and a unit, as 64GiB, 6TB or 4KiB")]
    NotASize(String),
    /// A unit that is read two ways, or none that is known.
    #[error("'{0}' has no clear unit: write KiB, MiB, GiB, TiB (1024) or kB, MB, GB, TB (1000)")]
    Unit(String),
    /// More than 2⁶⁴ − 1 bytes.
    #[error("'{0}' is larger than this program can count")]
    TooLarge(String),
    /// Half a byte.
    #[error("'{0}' is not a whole number of bytes")]
    Fractional(String),
}

/// Reads `64GiB`, `6 TB`, `1.5 MiB`, `4096`, `4096 B`. The case of letters does not matter.
impl FromStr for Bytes {
    type Err = ParseBytesError;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let trimmed = text.trim();
        let not_a_size = || ParseBytesError::NotASize(text.to_owned());
        let end = trimmed
            .find(|c: char| !c.is_ascii_digit() && c != '.')
            .unwrap_or(trimmed.len());
        let (number, unit) = (&trimmed[..end], trimmed[end..].trim());
        let (whole, fraction) = number.split_once('.').unwrap_or((number, ""));
        if whole.is_empty() || fraction.contains('.') || fraction.len() > 15 {
            return Err(not_a_size());
        }
        let size = match unit.to_ascii_lowercase().as_str() {
            "" | "b" => 1,
            lower => IEC
                .iter()
                .chain(&SI)
                .find(|(name, _)| name.to_ascii_lowercase() == lower)
                .map(|(_, size)| *size)
                .ok_or_else(|| ParseBytesError::Unit(text.to_owned()))?,
        };
        // Decimal arithmetic on integers: 1.1 TB is 1,100,000,000,000 bytes, not a float beside it.
        let scale = 10u128.pow(fraction.len() as u32);
        let digits: u128 = format!("{whole}{fraction}").parse().map_err(|_| {
            if number.len() > 30 {
                ParseBytesError::TooLarge(text.to_owned())
            } else {
                not_a_size()
            }
        })?;
        let product = digits
            .checked_mul(u128::from(size))
            .ok_or_else(|| ParseBytesError::TooLarge(text.to_owned()))?;
        if size == 1 && !product.is_multiple_of(scale) {
            return Err(ParseBytesError::Fractional(text.to_owned()));
        }
        u64::try_from(product / scale)
            .map(Self)
            .map_err(|_| ParseBytesError::TooLarge(text.to_owned()))
    }
}

/// Written as an exact size where there is one, so that a person can read and change it.
impl Serialize for Bytes {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        match exact(self.0) {
            Some((number, unit)) => serializer.collect_str(&format_args!("{number} {unit}")),
            None => serializer.collect_str(&format_args!("{} B", self.0)),
        }
    }
}

impl<'de> Deserialize<'de> for Bytes {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        String::deserialize(deserializer)?
            .parse()
            .map_err(serde::de::Error::custom)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn si_and_iec_are_read_apart() {
        assert_eq!("64GiB".parse(), Ok(Bytes(64 << 30)));
        assert_eq!("6TB".parse(), Ok(Bytes(6_000_000_000_000)));
        assert_eq!("4kib".parse(), Ok(Bytes(4096)));
        assert_eq!("1.1 TB".parse(), Ok(Bytes(1_100_000_000_000)));
        assert_eq!("4096".parse(), Ok(Bytes(4096)));
    }

    #[test]
    fn unclear_sizes_are_refused_with_advice() {
        for text in ["4K", "4 G", "6 tibs", "1e3"] {
            assert!(
                matches!(text.parse::<Bytes>(), Err(ParseBytesError::Unit(_))),
                "{text}"
            );
        }
        for text in ["", "GiB", "-4GiB", ".5GiB", "1.2.3MB", "NaN"] {
            assert!(
                matches!(text.parse::<Bytes>(), Err(ParseBytesError::NotASize(_))),
                "{text}"
            );
        }
        assert!(matches!(
            "0.5".parse::<Bytes>(),
            Err(ParseBytesError::Fractional(_))
        ));
        assert!(matches!(
            "99999999PiB".parse::<Bytes>(),
            Err(ParseBytesError::TooLarge(_))
        ));
    }

    /// IEC 80000-13 prefixes, computed: 4 TB = 3.637979 TiB, 6 TB = 5.456968 TiB, 8 TB = 7.275958 TiB.
    #[test]
    fn label_terabytes_show_as_fewer_tebibytes() {
        assert_eq!(Bytes(4 * Bytes::TB.0).iec(), "3.64 TiB");
        assert_eq!(Bytes(6 * Bytes::TB.0).iec(), "5.46 TiB");
        assert_eq!(Bytes(8 * Bytes::TB.0).iec(), "7.28 TiB");
        assert_eq!(Bytes(6 * Bytes::TB.0).to_string(), "6 TB");
    }

    proptest! {
        #[test]
        fn a_written_size_reads_back(bytes in any::<u64>()) {
            let text = serde_json::to_string(&Bytes(bytes)).unwrap();
            prop_assert_eq!(serde_json::from_str::<Bytes>(&text).unwrap(), Bytes(bytes));
        }
    }
}

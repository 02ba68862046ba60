//! What a text says of a reshape. Each source has a parser; none of them panics on any text.

mod balance;
mod mdstat;
mod percent;
mod raidz;
#[cfg(test)]
mod tests;

use std::fmt;
use std::str::FromStr;

use crate::text::unknown;

use super::reading::Reported;

/// Who tells of the reshape.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Source {
    /// Linux md: the text of `/proc/mdstat`.
    Mdstat,
    /// btrfs: the text of `btrfs balance status`.
    Btrfs,
    /// OpenZFS: the text of `zpool status` with a RAID-Z expansion.
    Raidz,
    /// Anything else: a bare percentage.
    Percent,
}

impl Source {
    /// All of them.
    pub const ALL: [Self; 4] = [Self::Mdstat, Self::Btrfs, Self::Raidz, Self::Percent];

    /// The word used in tables, files and on the command line.
    pub fn word(self) -> &'static str {
        match self {
            Self::Mdstat => "mdstat",
            Self::Btrfs => "btrfs",
            Self::Raidz => "raidz",
            Self::Percent => "percent",
        }
    }

    /// Exit codes, beside 0, with which the command that prints the text ends well: 1 while a balance
    /// runs (btrfs-balance(8)).
    pub fn codes(self) -> &'static [i32] {
        match self {
            Self::Btrfs => &[1],
            Self::Mdstat | Self::Raidz | Self::Percent => &[],
        }
    }

    /// What it tells of, and what else may run on a pool that it does not tell of; `None` where it tells
    /// of everything that passes over all drives.
    pub fn untold(self) -> Option<(&'static str, &'static str)> {
        match self {
            Self::Btrfs => Some(("balance", "a scrub")),
            Self::Percent => Some(("reshape", "a scrub or rebuild")),
            Self::Mdstat | Self::Raidz => None,
        }
    }

    /// Reads `text`. `array` names the one that is meant where the text tells of several.
    ///
    /// # Errors
    /// One sentence, when the text is no such text, is cut off, contradicts itself, or tells of
    /// several reshapes while `array` is `None`.
    pub fn read(self, text: &str, array: Option<&str>) -> Result<Reported, SourceError> {
        match self {
            Self::Mdstat => mdstat::read(text, array),
            Self::Btrfs => balance::read(text),
            Self::Raidz => raidz::read(text),
            Self::Percent => percent::read(text),
        }
        .map_err(|why| SourceError { of: self, why })
    }
}

impl fmt::Display for Source {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.word())
    }
}

impl FromStr for Source {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let found = Self::ALL.into_iter().find(|source| source.word() == text);
        found.ok_or_else(|| unknown("source", text, Self::ALL.map(Self::word)))
    }
}

/// Why a text tells nothing.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{}: {why}", self.of.word())]
pub struct SourceError {
    of: Source,
    why: String,
}

/// The beginning of a line of outside text, fit to stand in a sentence.
fn quote(line: &str) -> String {
    let line = line.trim();
    let cut: String = line.chars().take(60).collect();
    let more = if cut.len() < line.len() { "…" } else { "" };
    format!("'{}{more}'", cut.escape_debug())
}

/// A plain decimal number, not negative: digits with at most one point, no sign, no exponent.
fn decimal(text: &str) -> Option<f64> {
    let plain = text.bytes().all(|b| b.is_ascii_digit() || b == b'.');
    let starts = text.bytes().next().is_some_and(|b| b.is_ascii_digit());
    let number = (plain && starts).then(|| text.parse().ok()).flatten();
    // So many digits that a double has no room for them are no number of anything.
    number.filter(|number: &f64| number.is_finite())
}

/// The first line of `text` that holds `needle`, and what follows it there.
fn after<'a>(text: &'a str, needle: &str) -> Option<(&'a str, &'a str)> {
    text.lines()
        .find_map(|line| Some((line, line.split_once(needle)?.1)))
}

//! Every way a pool can be laid out that a plan knows: the levels, and the layouts that refine them.
//!
//! [`Level`] says how much redundancy there is, which is all that measuring needs. A plan has to
//! know more: whether bigger drives are used in full (uneven), and whether old data keeps its old
//! share of parity (RAID-Z).

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Serialize};

use super::Level;

/// Level and layout of a pool.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Scheme {
    /// Striped, no redundancy.
    Raid0,
    /// Every drive holds everything.
    Raid1,
    /// Striped over mirrored pairs.
    Raid10,
    /// One rotating parity; the smallest drive counts.
    Raid5,
    /// Two rotating parities; the smallest drive counts.
    Raid6,
    /// One parity over drives of unequal size, in layers, so that bigger drives are used beyond the size of
    /// the smallest; `layered1` in formats before 4.
    #[serde(alias = "layered1")]
    Uneven1,
    /// The same with two parities; `layered2` in formats before 4.
    #[serde(alias = "layered2")]
    Uneven2,
    /// One parity for each block, in stripes as wide as the block needs.
    RaidZ1,
    /// Two parities for each block.
    RaidZ2,
    /// Three parities for each block.
    RaidZ3,
}

impl Scheme {
    /// All schemes, in the order of the choices shown to a person.
    pub const ALL: [Self; 10] = [
        Self::Raid0,
        Self::Raid1,
        Self::Raid10,
        Self::Raid5,
        Self::Raid6,
        Self::Uneven1,
        Self::Uneven2,
        Self::RaidZ1,
        Self::RaidZ2,
        Self::RaidZ3,
    ];

    /// The word used on the command line, in tables and files.
    pub fn word(self) -> &'static str {
        match self {
            Self::Raid0 => "raid0",
            Self::Raid1 => "raid1",
            Self::Raid10 => "raid10",
            Self::Raid5 => "raid5",
            Self::Raid6 => "raid6",
            Self::Uneven1 => "uneven1",
            Self::Uneven2 => "uneven2",
            Self::RaidZ1 => "raidz1",
            Self::RaidZ2 => "raidz2",
            Self::RaidZ3 => "raidz3",
        }
    }

    /// The name in a sentence: `RAID 6`, `RAID-Z2`, `single parity over uneven drives`.
    pub fn title(self) -> &'static str {
        match self {
            Self::Raid0 => "RAID 0",
            Self::Raid1 => "RAID 1",
            Self::Raid10 => "RAID 10",
            Self::Raid5 => "RAID 5",
            Self::Raid6 => "RAID 6",
            Self::Uneven1 => "single parity over uneven drives",
            Self::Uneven2 => "double parity over uneven drives",
            Self::RaidZ1 => "RAID-Z1",
            Self::RaidZ2 => "RAID-Z2",
            Self::RaidZ3 => "RAID-Z3",
        }
    }

    /// Drives' worth of parity in each stripe; zero where there is none.
    pub fn parity(self) -> u32 {
        match self {
            Self::Raid0 | Self::Raid1 | Self::Raid10 => 0,
            Self::Raid5 | Self::Uneven1 | Self::RaidZ1 => 1,
            Self::Raid6 | Self::Uneven2 | Self::RaidZ2 => 2,
            Self::RaidZ3 => 3,
        }
    }

    /// The fewest drives of a pool. Layers and RAID-Z make do with one more than their parity.
    pub fn minimum_drives(self) -> u32 {
        match self {
            Self::Raid0 => Level::Raid0.minimum_drives(),
            Self::Raid1 => Level::Raid1.minimum_drives(),
            Self::Raid10 => Level::Raid10.minimum_drives(),
            Self::Raid5 => Level::Raid5.minimum_drives(),
            Self::Raid6 => Level::Raid6.minimum_drives(),
            _ => self.parity() + 1,
        }
    }

    /// Drives' worth of data in a stripe over `drives` drives.
    pub fn data_drives(self, drives: u32) -> u32 {
        match self {
            Self::Raid1 => 1,
            Self::Raid10 => drives / 2,
            _ => drives.saturating_sub(self.parity()),
        }
    }

    /// Drives that share redundancy: a pair of RAID 10, else all of them (`G` of Chen et al. 1994).
    pub fn group(self, drives: u32) -> u32 {
        match self {
            Self::Raid10 => 2,
            _ => drives,
        }
    }

    /// Failures within a group that lose nothing.
    pub fn tolerance(self, drives: u32) -> u32 {
        match self {
            Self::Raid1 => drives.saturating_sub(1),
            Self::Raid10 => 1,
            _ => self.parity(),
        }
    }

    /// Whether drives of unequal size are cut into layers, so that all of each is used.
    pub fn uneven(self) -> bool {
        matches!(self, Self::Uneven1 | Self::Uneven2)
    }

    /// Whether each block carries its own parity, which it keeps when the pool grows.
    pub fn raid_z(self) -> bool {
        matches!(self, Self::RaidZ1 | Self::RaidZ2 | Self::RaidZ3)
    }

    /// Whether a pool of this scheme can become one of `other` in place, and a plan knows how: a
    /// mirror of two is a RAID 5 of two, and a RAID 5 takes one more parity.
    pub fn can_become(self, other: Self) -> bool {
        matches!(
            (self, other),
            (Self::Raid1, Self::Raid5) | (Self::Raid5, Self::Raid6)
        )
    }

    /// The level that this refines: what measuring needs of it. RAID-Z3 has none of its own and
    /// stands with two parities.
    pub fn level(self) -> Level {
        match self {
            Self::Raid0 => Level::Raid0,
            Self::Raid1 => Level::Raid1,
            Self::Raid10 => Level::Raid10,
            Self::Raid5 | Self::Uneven1 | Self::RaidZ1 => Level::Raid5,
            Self::Raid6 | Self::Uneven2 | Self::RaidZ2 | Self::RaidZ3 => Level::Raid6,
        }
    }
}

impl From<Level> for Scheme {
    fn from(level: Level) -> Self {
        match level {
            Level::Raid0 => Self::Raid0,
            Level::Raid1 => Self::Raid1,
            Level::Raid10 => Self::Raid10,
            Level::Raid5 => Self::Raid5,
            Level::Raid6 => Self::Raid6,
        }
    }
}

impl fmt::Display for Scheme {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.word())
    }
}

/// A word that names no scheme.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum ParseSchemeError {
    /// It named none.
    #[error(
        "'{0}' is no layout of a pool: write raid0, raid1, raid10, raid5, raid6, uneven1, uneven2, raidz1, raidz2 or raidz3"
    )]
    Unknown(String),
    /// It named one in formats before 4.
    #[error("'{0}' is now {1}: write that")]
    Renamed(&'static str, Scheme),
}

/// Words of formats before 4.
const RENAMED: [(&str, Scheme); 2] = [("layered1", Scheme::Uneven1), ("layered2", Scheme::Uneven2)];

/// Reads `raid6` or `raidz2`. The case of letters does not matter.
impl FromStr for Scheme {
    type Err = ParseSchemeError;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let is = |word: &str| word.eq_ignore_ascii_case(text.trim());
        if let Some((word, scheme)) = RENAMED.into_iter().find(|(word, _)| is(word)) {
            return Err(ParseSchemeError::Renamed(word, scheme));
        }
        Self::ALL
            .into_iter()
            .find(|scheme| is(scheme.word()))
            .ok_or_else(|| ParseSchemeError::Unknown(text.to_owned()))
    }
}

#[cfg(test)]
mod tests {
    use super::super::Pool;
    use super::*;

    #[test]
    fn schemes_are_read_and_printed_and_the_choices_are_said() {
        let error = "raid7".parse::<Scheme>().unwrap_err().to_string();
        for scheme in Scheme::ALL {
            assert_eq!(scheme.to_string().parse(), Ok(scheme));
            assert_eq!(
                serde_json::to_string(&scheme).unwrap(),
                format!("\"{scheme}\"")
            );
            assert!(error.contains(scheme.word()), "{error}");
        }
        assert_eq!(" RAIDZ2".parse(), Ok(Scheme::RaidZ2));
        for (word, scheme) in RENAMED {
            let read: Scheme = serde_json::from_str(&format!("\"{word}\"")).unwrap();
            assert_eq!(read, scheme);
            let error = word.parse::<Scheme>().unwrap_err().to_string();
            assert!(error.contains(scheme.word()), "{error}");
        }
    }

    #[test]
    fn a_scheme_agrees_with_the_level_it_refines() {
        for level in Level::ALL {
            let scheme = Scheme::from(level);
            assert_eq!(scheme.level(), level);
            for drives in level.minimum_drives()..12 {
                let pool = Pool {
                    level,
                    drives,
                    drive_size: None,
                };
                assert_eq!(scheme.data_drives(drives), pool.data_drives(), "{scheme}");
            }
            assert_eq!(scheme.minimum_drives(), level.minimum_drives());
            assert_eq!(scheme.parity(), level.parity_drives());
        }
    }
}

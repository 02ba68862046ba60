//! RAID levels: what a number of drives yields, and what growing promises.
//!
//! Two textbook models are kept apart because they disagree on large reads. Chen, Lee, Gibson, Katz
//! and Patterson, *RAID: High-Performance, Reliable Secondary Storage*, ACM Computing Surveys 26(2)
//! (1994) 145–185, counts every drive; Arpaci-Dusseau and Arpaci-Dusseau, *Operating Systems: Three
//! Easy Pieces*, chapter 38, counts the drives that hold data.

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Serialize};

use crate::units::Bytes;

/// How a pool spreads data over its drives.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Level {
    /// Striped, no redundancy.
    Raid0,
    /// Every drive holds everything.
    Raid1,
    /// Striped over mirrored pairs.
    Raid10,
    /// Striped with one rotating parity.
    Raid5,
    /// Striped with two rotating parities.
    Raid6,
}

impl Level {
    /// All levels, in the order of the choices shown to a person.
    pub const ALL: [Self; 5] = [
        Self::Raid0,
        Self::Raid1,
        Self::Raid10,
        Self::Raid5,
        Self::Raid6,
    ];

    /// The word used on the command line, in tables and files.
    pub fn word(self) -> &'static str {
        match self {
            Self::Raid0 => "raid0",
            Self::Raid1 => "raid1",
            Self::Raid10 => "raid10",
            Self::Raid5 => "raid5",
            Self::Raid6 => "raid6",
        }
    }

    /// The fewest drives that make a pool of this level worth its name.
    pub fn minimum_drives(self) -> u32 {
        match self {
            Self::Raid0 | Self::Raid1 => 2,
            Self::Raid5 => 3,
            Self::Raid10 | Self::Raid6 => 4,
        }
    }

    /// Drives' worth of parity in each stripe.
    pub fn parity_drives(self) -> u32 {
        match self {
            Self::Raid0 | Self::Raid1 | Self::Raid10 => 0,
            Self::Raid5 => 1,
            Self::Raid6 => 2,
        }
    }
}

impl fmt::Display for Level {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.word())
    }
}

/// A word that names no level.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("'{0}' is not a level of a pool: write raid0, raid1, raid10, raid5 or raid6")]
pub struct ParseLevelError(String);

/// Reads `raid6`. The case of letters does not matter.
impl FromStr for Level {
    type Err = ParseLevelError;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        Self::ALL
            .into_iter()
            .find(|level| level.word().eq_ignore_ascii_case(text.trim()))
            .ok_or_else(|| ParseLevelError(text.to_owned()))
    }
}

/// A pool as the person describes it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Pool {
    /// How data is spread.
    pub level: Level,
    /// Drives in the pool, spares not counted.
    pub drives: u32,
    /// Size of the smallest drive, where it was stated.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub drive_size: Option<Bytes>,
}

/// Why a pool cannot be as described.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum PoolError {
    /// Fewer drives than the level needs.
    #[error("{level} needs at least {minimum} drives and {drives} were given: check --drives", minimum = level.minimum_drives())]
    TooFew {
        /// The level.
        level: Level,
        /// Drives that were given.
        drives: u32,
    },
    /// A mirrored pair lacks its second drive.
    #[error("raid10 is made of pairs and {drives} drives were given: check --drives and --adding")]
    Odd {
        /// Drives that were given.
        drives: u32,
    },
    /// More drives than any array has.
    #[error(
        "{drives} drives are more than a pool can have ({MOST_DRIVES}): check --drives and --adding"
    )]
    TooMany {
        /// Drives that were given.
        drives: u32,
    },
    /// A drive of no size, or of none that is known where it must be.
    #[error("the drives of the pool have no size: state it with --drive-size, as 6TB")]
    NoSize,
    /// An expansion by nothing.
    #[error("an expansion adds at least one drive: check --adding")]
    NothingAdded,
}

/// The largest number of drives that is believed; more is a slip of the finger.
pub(super) const MOST_DRIVES: u32 = 384;

/// What growing promises for large reads, new over old, by both textbook models.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LargeReadRatio {
    /// Ratio of all drives (Chen et al. 1994, Table 3: large reads use every drive).
    pub all_drives: f64,
    /// Ratio of data drives (OSTEP chapter 38: parity and second copies add nothing).
    pub data_drives: f64,
}

impl Pool {
    /// Checks that the level can be made of so many drives.
    ///
    /// # Errors
    /// When there are too few or too many drives, an odd number for pairs, or a drive has no size.
    pub fn validate(&self) -> Result<(), PoolError> {
        let (level, drives) = (self.level, self.drives);
        if drives < level.minimum_drives() {
            return Err(PoolError::TooFew { level, drives });
        }
        if drives > MOST_DRIVES {
            return Err(PoolError::TooMany { drives });
        }
        if level == Level::Raid10 && !drives.is_multiple_of(2) {
            return Err(PoolError::Odd { drives });
        }
        if self.drive_size == Some(Bytes(0)) {
            return Err(PoolError::NoSize);
        }
        Ok(())
    }

    /// Drives' worth of data in a stripe.
    pub fn data_drives(&self) -> u32 {
        match self.level {
            Level::Raid1 => 1,
            Level::Raid10 => self.drives / 2,
            level => self.drives.saturating_sub(level.parity_drives()),
        }
    }

    /// Drive operations for one small write, by read-modify-write where there is parity: 1 without
    /// redundancy, 2 for mirrored pairs, 4 for RAID 5 (Chen et al. 1994, §3.2.5), 6 for RAID 6
    /// (§3.2.7). A mirror of more than two drives takes one for each.
    pub fn small_write_ios(&self) -> u32 {
        match self.level {
            Level::Raid0 => 1,
            Level::Raid1 => self.drives,
            Level::Raid10 => 2,
            Level::Raid5 => 4,
            Level::Raid6 => 6,
        }
    }

    /// Small writes over small reads of the same drives: `max(1/drives, 1/4)` for RAID 5,
    /// `max(1/drives, 1/6)` for RAID 6 (Chen et al. 1994, Table 3). With few drives it is cheaper to
    /// read the rest of the stripe than the old data and parity.
    pub fn small_write_share(&self) -> f64 {
        let ios = match self.level {
            Level::Raid5 | Level::Raid6 => self.small_write_ios().min(self.drives),
            _ => self.small_write_ios(),
        };
        1.0 / f64::from(ios)
    }

    /// Bytes that the pool holds, where the size of a drive is known.
    pub fn capacity(&self) -> Option<Bytes> {
        self.drive_size
            .map(|size| size.times(u64::from(self.data_drives())))
    }

    /// What large reads gain when this pool becomes `grown`.
    pub fn large_read_ratio(&self, grown: &Self) -> LargeReadRatio {
        let ratio = |new: u32, old: u32| f64::from(new) / f64::from(old.max(1));
        LargeReadRatio {
            all_drives: ratio(grown.drives, self.drives),
            data_drives: ratio(grown.data_drives(), self.data_drives()),
        }
    }

    /// The same pool with `adding` more drives of the same size.
    ///
    /// # Errors
    /// When nothing is added, or the grown pool cannot be.
    pub fn grown(&self, adding: u32) -> Result<Self, PoolError> {
        if adding == 0 {
            return Err(PoolError::NothingAdded);
        }
        let grown = Self {
            drives: self.drives.saturating_add(adding),
            ..*self
        };
        grown.validate().map(|()| grown)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pool(level: Level, drives: u32) -> Pool {
        Pool {
            level,
            drives,
            drive_size: Some(Bytes::TB.times(6)),
        }
    }

    #[test]
    fn levels_are_read_and_printed_and_the_choices_are_said() {
        for level in Level::ALL {
            assert_eq!(level.to_string().parse(), Ok(level));
            assert_eq!(
                serde_json::to_string(&level).unwrap(),
                format!("\"{level}\"")
            );
        }
        assert_eq!(" RAID6".parse(), Ok(Level::Raid6));
        let error = "raid7".parse::<Level>().unwrap_err().to_string();
        for level in Level::ALL {
            assert!(error.contains(level.word()), "{error}");
        }
    }

    /// OSTEP chapter 38 (capacity row of its table) and its RAID 6 counterpart.
    #[test]
    fn capacity_is_that_of_the_data_drives() {
        for (level, drives, data) in [
            (Level::Raid0, 4, 4),
            (Level::Raid1, 3, 1),
            (Level::Raid10, 6, 3),
            (Level::Raid5, 4, 3),
            (Level::Raid6, 4, 2),
        ] {
            let pool = pool(level, drives);
            assert_eq!(pool.validate(), Ok(()));
            assert_eq!(pool.data_drives(), data, "{level}");
            assert_eq!(pool.capacity(), Some(Bytes::TB.times(6 * u64::from(data))));
        }
    }

    #[test]
    fn impossible_pools_are_refused() {
        for level in Level::ALL {
            let drives = level.minimum_drives() - 1;
            assert_eq!(
                pool(level, drives).validate(),
                Err(PoolError::TooFew { level, drives })
            );
        }
        let odd = PoolError::Odd { drives: 5 };
        assert_eq!(pool(Level::Raid10, 4).grown(1), Err(odd));
        assert_eq!(pool(Level::Raid6, 4).grown(0), Err(PoolError::NothingAdded));
        assert_eq!(
            pool(Level::Raid6, 4).grown(u32::MAX),
            Err(PoolError::TooMany { drives: u32::MAX })
        );
        let empty = Pool {
            drive_size: Some(Bytes(0)),
            ..pool(Level::Raid5, 3)
        };
        assert_eq!(empty.validate(), Err(PoolError::NoSize));
    }

    /// Chen et al. 1994, Table 3 with one group of N drives: RAID 5 small writes 1.0 × a drive for
    /// N = 3 and 4, 1.25 for 5, 1.5 for 6; RAID 6 1.0 for 4 and 6, 1.333 for 8.
    #[test]
    fn small_writes_follow_table_3() {
        for (level, drives, expected) in [
            (Level::Raid5, 3, 1.0),
            (Level::Raid5, 4, 1.0),
            (Level::Raid5, 5, 1.25),
            (Level::Raid5, 6, 1.5),
            (Level::Raid6, 4, 1.0),
            (Level::Raid6, 6, 1.0),
            (Level::Raid6, 8, 4.0 / 3.0),
            (Level::Raid1, 2, 1.0),
            (Level::Raid0, 4, 4.0),
        ] {
            let pool = pool(level, drives);
            let multiple = pool.small_write_share() * f64::from(drives);
            assert!((multiple - expected).abs() < 1e-12, "{level} of {drives}");
        }
        assert_eq!(pool(Level::Raid5, 8).small_write_ios(), 4);
        assert_eq!(pool(Level::Raid6, 8).small_write_ios(), 6);
    }

    #[test]
    fn both_models_of_large_reads_are_given() {
        let old = pool(Level::Raid6, 4);
        let ratio = old.large_read_ratio(&old.grown(1).unwrap());
        assert_eq!((ratio.all_drives, ratio.data_drives), (1.25, 1.5));
    }
}

//! What the sizes that a file system tells count: bytes of data, or raw bytes with parity among them.

use super::Study;
use crate::facts::{Facts, Room};
use crate::plan::Phase;
use crate::pool::Level;
use crate::units::Bytes;

impl Study {
    /// Whether `facts` tell the share's size in raw bytes, parity included: btrfs does so for its RAID 5
    /// and 6, and tells in bytes of data what is available (btrfs_statfs in fs/btrfs/super.c of Linux).
    pub fn counts_parity(&self, facts: &Facts) -> bool {
        let level = self.config.pool.as_ref().map(|pool| pool.level);
        let parity = matches!(level, Some(Level::Raid5 | Level::Raid6));
        parity
            && facts
                .mount
                .as_ref()
                .is_some_and(|mount| mount.kind == "btrfs")
    }

    /// What the share holds at most, in bytes of data, by facts of `phase`; `None` where they do not tell
    /// its room.
    pub fn data_space(&self, facts: &Facts, phase: Phase) -> Option<Bytes> {
        let total = room(facts)?.total;
        let pool = self
            .config
            .pool
            .as_ref()
            .filter(|_| self.counts_parity(facts));
        let pool = match phase {
            Phase::Before => pool.map(|pool| pool.before()),
            Phase::During | Phase::After => pool.and_then(|pool| pool.after().ok()),
        };
        let part = pool.map_or(1.0, |pool| {
            f64::from(pool.data_drives()) / f64::from(pool.drives.max(1))
        });
        Some(match part {
            1.0 => total,
            part => Bytes((total.0 as f64 * part) as u64),
        })
    }

    /// Bytes of it that are not available any more.
    pub fn used_space(&self, facts: &Facts, phase: Phase) -> Option<Bytes> {
        let available = room(facts)?.available;
        Some(self.data_space(facts, phase)?.saturating_sub(available))
    }

    /// The part of it that is not available any more, 0 to 1.
    pub fn filled(&self, facts: &Facts, phase: Phase) -> Option<f64> {
        let all = self.data_space(facts, phase)?;
        Some(self.used_space(facts, phase)?.0 as f64 / all.0.max(1) as f64)
    }
}

fn room(facts: &Facts) -> Option<&Room> {
    facts.space.as_ref().filter(|room| room.total.0 > 0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::facts::Mount;
    use crate::report::testing::{Scene, study};

    fn facts(kind: &str, total: u64, available: u64) -> Facts {
        Facts {
            mount: Some(Mount {
                kind: kind.into(),
                ..Mount::default()
            }),
            space: Some(Room {
                total: Bytes::GB.times(total),
                available: Bytes::GB.times(available),
            }),
            ..Facts::default()
        }
    }

    /// Four drives of 6 GB in RAID 5 that become five: 18 GB of data in 24 raw, then 24 in 30.
    #[test]
    fn parity_is_taken_off_where_the_file_system_counts_it() {
        let mut study = study(Scene::BeforeOnly);
        let pool = study.config.pool.as_mut().unwrap();
        (pool.level, pool.drives, pool.adding) = (Level::Raid5, 4, 1);
        let filled = |kind, total, available, phase| {
            study.filled(&facts(kind, total, available), phase).unwrap()
        };
        assert!((filled("btrfs", 24, 9, Phase::Before) - 0.5).abs() < 1e-9);
        assert!((filled("btrfs", 30, 18, Phase::After) - 0.25).abs() < 1e-9);
        assert!((filled("ext4", 24, 9, Phase::Before) - 0.625).abs() < 1e-9);
        let whole = Bytes::GB.times(24);
        let space = study.data_space(&facts("ext4", 24, 9), Phase::Before);
        assert_eq!(space, Some(whole));
        assert_eq!(study.filled(&Facts::default(), Phase::Before), None);
    }
}

//! What `study.toml` says of the expansion, as a plan takes it.

use jiff::civil::DateTime;

use super::{Config, Mounted, Study, Trial};
use crate::plan::{Phase, StandardSet, Workload};
use crate::pool::{Load, Proposal, Scheme, Stated, Work};
use crate::reshape::Source;
use crate::units::Bytes;

/// What is known of the pool and of the drives that are added; each part may be missing.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct KnownPool {
    /// Level and layout now.
    pub scheme: Option<Scheme>,
    /// Level and layout afterwards, where they change.
    pub becoming: Option<Scheme>,
    /// Sizes of the pool's drives; empty where they are unknown.
    pub members: Vec<Bytes>,
    /// Sizes of the drives that are added; empty where they are unknown.
    pub new: Vec<Bytes>,
    /// Whether a new drive stands in an enclosure of its own, on one cable.
    pub external: bool,
    /// What was stated in place of defaults.
    pub stated: Stated,
}

impl KnownPool {
    /// The expansion beginning at `start`, by the clock of the place; else what is not known.
    ///
    /// # Errors
    /// A sentence on what is missing.
    pub fn proposal(self, start: DateTime) -> Result<Proposal, &'static str> {
        let scheme = self
            .scheme
            .ok_or("study.toml has no [pool], so there is no plan to hold it against")?;
        if self.members.is_empty() || self.new.is_empty() {
            return Err(
                "the drives have no size (drive_size of [pool]), so there is no plan to hold it against",
            );
        }
        Ok(Proposal {
            scheme,
            becoming: self.becoming.unwrap_or(scheme),
            members: self.members,
            new: self.new,
            external: self.external,
            start,
            stated: self.stated,
        })
    }
}

impl Config {
    /// What `[pool]`, `link_gigabits`, `[plan]` and `[plan.assume]` say together.
    pub fn known_pool(&self) -> KnownPool {
        let Some(pool) = &self.pool else {
            return KnownPool::default();
        };
        let plan = self.plan.clone().unwrap_or_default();
        let members = match (plan.drive_sizes.is_empty(), pool.drive_size) {
            (false, _) => plan.drive_sizes,
            (true, Some(size)) => vec![size; pool.drives as usize],
            (true, None) => Vec::new(),
        };
        let new = plan.new_drive_size.or(pool.drive_size);
        let source = self.reshape.as_ref().map(|reshape| reshape.source);
        let from_pool = Stated {
            drive_rate: pool.drive_rate,
            // Of drives that do not turn a plan asks for no turns.
            rpm: pool.rpm.filter(|rpm| *rpm > 0),
            link_gigabits: self.link_gigabits,
            local: !self.simulated && self.mount.as_ref().is_some_and(Mounted::is_local),
            used_only: source == Some(Source::Btrfs),
            loads: Some(self.loads()),
            ..Stated::default()
        };
        KnownPool {
            scheme: Some(plan.scheme.unwrap_or(pool.level.into())),
            becoming: plan.becoming,
            members,
            new: new.map_or(Vec::new(), |size| vec![size; pool.adding as usize]),
            external: plan.external,
            stated: plan.assume.or(&from_pool),
        }
    }

    /// Each kind of work as this study asks for it, where it has a workload of a standard set for it.
    fn loads(&self) -> [Load; 6] {
        Work::ALL.map(|work| {
            let is_it = |load: &&Workload| load.name == work.word() && StandardSet::knows(load);
            let workload = self.workloads.iter().find(is_it);
            workload.map_or(Load::from(work), |workload| Load {
                work,
                block_bytes: workload.block.0,
                in_flight: workload.depth,
                read_share: f64::from(workload.read_percent) / 100.0,
            })
        })
    }

    /// The rate of the innermost tracks over that of the outermost, where it was stated for the
    /// reshape or for the plan.
    pub fn stated_inner(&self) -> Option<f64> {
        let ratio = self.reshape.as_ref().and_then(|reshape| reshape.zone_ratio);
        let percent = self
            .plan
            .as_ref()
            .and_then(|plan| plan.assume.inner_percent);
        ratio
            .map(|ratio| 1.0 / ratio)
            .or(percent.map(|percent| percent / 100.0))
    }
}

impl Study {
    /// What study.toml says, and how full the share was before the expansion, by the facts of its trials.
    pub fn known_pool(&self) -> KnownPool {
        let mut known = self.config.known_pool();
        known.stated.used_seen = filled_before(self);
        known
    }
}

/// Percent of the share that was filled at the end of the phase before, as its facts tell.
fn filled_before(study: &Study) -> Option<f64> {
    let before = study.trials.iter().rev();
    let mut before = before.filter(|trial| trial.phase == Phase::Before);
    let filled = |trial: &Trial| study.filled(study.facts.get(&trial.facts)?, Phase::Before);
    before.find_map(filled).map(|part| part * 100.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pool::Level;
    use crate::seed::Seed;
    use crate::study::{Expansion, Identity, Planning};

    #[test]
    fn a_study_with_the_earlier_set_is_planned_with_it() {
        let created = "2026-03-02T08:00:00Z".parse().unwrap();
        let mut config = Config::new(Identity(1), Seed(1), created, "/mnt/scans".into());
        assert_eq!(config.loads(), Work::ALL.map(Load::from));
        config.format = 3;
        config.workloads.clear();
        config.complete_set(true);
        let [large_read, .., mixed] = config.loads();
        assert_eq!((large_read.block_bytes, large_read.in_flight), (1 << 20, 8));
        assert_eq!((mixed.in_flight, mixed.read_share), (8, 0.7));
    }

    #[test]
    fn what_is_missing_is_named_and_the_plan_goes_before_the_pool() {
        let created = "2026-03-02T08:00:00Z".parse().unwrap();
        let mut config = Config::new(Identity(1), Seed(1), created, "/mnt/scans".into());
        let start = jiff::civil::date(2026, 3, 6).at(17, 0, 0, 0);
        let of = |config: &Config| config.known_pool().proposal(start);
        assert!(of(&config).unwrap_err().contains("no [pool]"));
        config.pool = Some(Expansion {
            level: Level::Raid6,
            drives: 4,
            adding: 2,
            drive_size: None,
            rpm: Some(5400),
            drive_rate: None,
        });
        assert!(of(&config).unwrap_err().contains("no size"));
        config.plan = Some(Planning {
            scheme: Some(Scheme::RaidZ2),
            drive_sizes: vec![Bytes::TB.times(6); 4],
            new_drive_size: Some(Bytes::TB.times(8)),
            assume: Stated {
                inner_percent: Some(60.0),
                ..Stated::default()
            },
            ..Planning::default()
        });
        let proposal = of(&config).unwrap();
        assert_eq!(proposal.becoming, Scheme::RaidZ2);
        assert_eq!(proposal.new, [Bytes::TB.times(8); 2]);
        assert_eq!(proposal.stated.rpm, Some(5400));
        assert_eq!(config.stated_inner(), Some(0.6));
    }
}

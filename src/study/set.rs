//! The set of workloads of a study, which stays that of its first run. Since format 4 `study.toml` holds
//! all of it; what formats before did not write down is filled in here.

use super::Config;
use crate::plan::{STANDARD, StandardSet, Workload};

/// The format from which on `study.toml` holds the whole set.
const FIRST_WITH_SET: u32 = 4;

impl Config {
    /// Takes what a format before 4 did not write down: the earlier set where the study has `begun`, since
    /// that is what it was measured with, else that of a new study. Workloads that stand in `study.toml`
    /// stay as they are.
    pub fn complete_set(&mut self, begun: bool) {
        if self.format >= FIRST_WITH_SET {
            return;
        }
        let set = match begun {
            true => StandardSet::earlier(),
            false => StandardSet::standard(),
        };
        self.run = set.run;
        let is_there = |name: &str| self.workloads.iter().any(|own| own.name == name);
        let lacking: Vec<Workload> = set
            .workloads
            .into_iter()
            .filter(|workload| !is_there(&workload.name))
            .collect();
        self.workloads.extend(lacking);
    }

    /// All workloads: those with names of the standard set in its order, then the others.
    pub fn all_workloads(&self) -> Vec<Workload> {
        let place = |workload: &Workload| STANDARD.iter().position(|name| *name == workload.name);
        let mut all = self.workloads.clone();
        all.sort_by_key(|workload| place(workload).unwrap_or(STANDARD.len()));
        all
    }
}

#[cfg(test)]
mod tests {
    use jiff::Timestamp;

    use super::*;
    use crate::seed::Seed;
    use crate::study::Identity;
    use crate::units::Bytes;

    fn of_format(format: u32, workloads: Vec<Workload>) -> Config {
        let now = Timestamp::UNIX_EPOCH;
        Config {
            format,
            workloads,
            ..Config::new(Identity(1), Seed(1), now, "/mnt/scans".into())
        }
    }

    fn own(name: &str) -> Workload {
        Workload {
            name: name.to_owned(),
            block: Bytes::KIB.times(8),
            ..Workload::standard().remove(2)
        }
    }

    #[test]
    fn a_new_study_has_the_standard_set() {
        let config = of_format(FIRST_WITH_SET, Workload::standard());
        assert_eq!(config.all_workloads(), Workload::standard());
        assert_eq!(config.run, StandardSet::standard().run);
    }

    #[test]
    fn an_older_study_keeps_the_earlier_set_once_it_has_begun() {
        for (begun, set) in [
            (true, StandardSet::earlier()),
            (false, StandardSet::standard()),
        ] {
            let mut config = of_format(3, Vec::new());
            config.complete_set(begun);
            assert_eq!(config.all_workloads(), set.workloads);
            assert_eq!(config.run, set.run);
        }
    }

    #[test]
    fn workloads_of_ones_own_stay_and_what_was_taken_out_is_not_put_back() {
        let mut older = of_format(3, vec![own("patron"), own("small-read")]);
        older.complete_set(true);
        let all = older.all_workloads();
        let names: Vec<&str> = all.iter().map(|load| load.name.as_str()).collect();
        assert_eq!(names[..6], STANDARD);
        assert_eq!(names[6..], ["patron"]);
        assert_eq!(all[2], own("small-read"));
        let mut newer = of_format(FIRST_WITH_SET, vec![own("patron")]);
        newer.complete_set(true);
        assert_eq!(newer.all_workloads(), [own("patron")]);
    }
}

//! How the operations of a workload are submitted in a study. It stays the same, so that phases can be compared: what is
//! measured later is held against the earliest phase.

use std::collections::BTreeMap;

use super::{State, Study, Trial};
use crate::plan::{Phase, Workload};

impl Study {
    /// The submission of `workload` so far, and the first trial that it drove; `None` before there is any.
    /// `facts` names the present fingerprint: on another kind of file system it is open again.
    pub fn submission_of(&self, workload: &Workload, facts: &str) -> Option<(&str, u64)> {
        let kind = |facts: &str| Some(self.facts.get(facts)?.mount.as_ref()?.kind.as_str());
        let signature = workload.signature();
        let is_alike = |trial: &&Trial| {
            trial.state == State::Complete
                && trial.workload == workload.name
                && trial.as_workload().signature() == signature
                && kind(&trial.facts) == kind(facts)
        };
        let alike: Vec<&Trial> = self.trials.iter().filter(is_alike).collect();
        let baseline = baseline(&alike);
        let submission = commonest_submission(&baseline)?;
        let first = baseline
            .iter()
            .find(|trial| trial.submission == submission)?;
        Some((submission, first.trial))
    }
}

/// The trials of the earliest phase that has any.
pub fn baseline<'a>(trials: &[&'a Trial]) -> Vec<&'a Trial> {
    let of = |phase: Phase| {
        let of_phase = trials.iter().copied().filter(|trial| trial.phase == phase);
        of_phase.collect::<Vec<_>>()
    };
    let mut phases = Phase::ALL.map(of).into_iter();
    phases.find(|trials| !trials.is_empty()).unwrap_or_default()
}

/// The submission that drove most of `trials`; of equals the one that was used last.
pub fn commonest_submission<'a>(trials: &[&'a Trial]) -> Option<&'a str> {
    let mut submissions: BTreeMap<&str, (usize, usize)> = BTreeMap::new();
    for (place, trial) in trials.iter().enumerate() {
        let (count, last) = submissions.entry(&trial.submission).or_default();
        (*count, *last) = (*count + 1, place);
    }
    let commonest = submissions.into_iter().max_by_key(|&(_, most)| most);
    commonest.map(|(submission, _)| submission)
}

#[cfg(test)]
mod tests {
    use jiff::Timestamp;

    use super::*;
    use crate::facts::{Facts, Mount};
    use crate::seed::Seed;
    use crate::study::{Config, Identity};

    /// A study whose trials have these phases and submissions, on ext4.
    fn study(trials: &[(Phase, &str)], workload: &Workload) -> Study {
        let now = Timestamp::UNIX_EPOCH;
        let config = Config::new(Identity(1), Seed(1), now, "/mnt/scans".into());
        let mut study = Study::new("archive", config);
        for kind in ["ext4", "nfs4"] {
            let mount = Mount {
                kind: kind.into(),
                ..Mount::default()
            };
            let facts = Facts {
                mount: Some(mount),
                ..Facts::default()
            };
            study.facts.insert(kind.into(), facts);
        }
        for (number, (phase, submission)) in (1..).zip(trials) {
            study.trials.push(Trial {
                state: State::Complete,
                submission: (*submission).to_owned(),
                facts: "ext4".into(),
                ..Trial::begin(number, number, *phase, now, workload)
            });
        }
        study
    }

    #[test]
    fn a_workload_keeps_the_submission_of_the_earliest_phase() {
        let workload = &Workload::standard()[0];
        let trials = [
            (Phase::During, "threads"),
            (Phase::Before, "ring"),
            (Phase::Before, "threads"),
            (Phase::Before, "ring"),
            (Phase::After, "threads"),
        ];
        let mut study = study(&trials, workload);
        assert_eq!(study.submission_of(workload, "ext4"), Some(("ring", 2)));
        study.trials.truncate(1);
        assert_eq!(study.submission_of(workload, "ext4"), Some(("threads", 1)));
    }

    #[test]
    fn it_is_open_on_another_file_system_for_another_load_and_after_failures() {
        let workload = &Workload::standard()[0];
        let mut study = study(&[(Phase::Before, "ring")], workload);
        assert_eq!(study.submission_of(workload, "nfs4"), None);
        let deeper = Workload {
            depth: 99,
            ..workload.clone()
        };
        assert_eq!(study.submission_of(&deeper, "ext4"), None);
        study.trials[0].state = State::Failed;
        assert_eq!(study.submission_of(workload, "ext4"), None);
    }
}

//! What changed: which trials may be compared, the ratio of their rates with its interval, and a
//! verdict in words.
//!
//! The trial is the unit: operations and windows of one trial are not independent of each other.
//! Rates are compared on the log scale, since the spread of trials is relative. The main figure is
//! Welch's interval for the ratio of geometric means; the Hodges-Lehmann shift, a permutation test
//! and a bootstrap of the ratio of medians stand beside it and need no normal distribution.

mod contrast;
mod group;

pub use contrast::{Contrast, Verdict};
pub use group::Group;

use crate::plan::{Phase, Workload};
use crate::seed::Seed;
use crate::study::{State, Study, Trial};

/// The rules of a comparison.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rules {
    /// Confidence of intervals, 0 to 1.
    pub confidence: f64,
    /// A change by a smaller factor than 1 + threshold is of no practical interest.
    pub threshold: f64,
    /// Trials on each side below which there is no verdict.
    pub least_trials: usize,
    /// Probability with which the smallest provable change would have been proved.
    pub power: f64,
}

impl Rules {
    /// 95 % intervals, at least 3 trials a side, 80 % power, and the study's own threshold.
    pub fn of(study: &Study) -> Self {
        let threshold = study.config.threshold_percent / 100.0;
        Self {
            confidence: 0.95,
            threshold,
            least_trials: 3,
            power: 0.8,
        }
    }
}

/// A comparison of all workloads of a study.
#[derive(Clone, Debug)]
pub struct Comparison {
    /// Name of the study.
    pub study: String,
    /// Whether the share was made up.
    pub simulated: bool,
    /// The rules.
    pub rules: Rules,
    /// A row a workload, in the order of the study's workloads.
    pub workloads: Vec<Row>,
    /// Trials that were left out, with the reason.
    pub excluded: Vec<Excluded>,
}

/// The comparison of one workload.
#[derive(Clone, Debug)]
pub struct Row {
    /// Name of the workload.
    pub workload: String,
    /// How it loads the share.
    pub load: Workload,
    /// Groups of trials by phase: before, during, after.
    pub groups: [Option<Group>; 3],
    /// During over before.
    pub during_before: Option<Contrast>,
    /// After over before.
    pub after_before: Option<Contrast>,
}

impl Row {
    /// The trials of `phase`.
    pub fn group(&self, phase: Phase) -> Option<&Group> {
        self.groups[phase as usize].as_ref()
    }
}

/// A trial that takes no part.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Excluded {
    /// Its number.
    pub trial: u64,
    /// Why.
    pub why: String,
}

/// Compares all trials of `study`.
pub fn compare(study: &Study, rules: Rules) -> Comparison {
    let mut excluded = Vec::new();
    let mut names: Vec<String> = study
        .config
        .all_workloads()
        .into_iter()
        .map(|w| w.name)
        .collect();
    for trial in &study.trials {
        if !names.contains(&trial.workload) {
            names.push(trial.workload.clone());
        }
    }
    let workloads = names
        .iter()
        .filter_map(|name| {
            let trials: Vec<&Trial> = study
                .trials
                .iter()
                .filter(|trial| trial.workload == *name)
                .collect();
            row(name, &trials, rules, study.config.seed, &mut excluded)
        })
        .collect();
    excluded.sort_by_key(|left_out: &Excluded| left_out.trial);
    let (name, simulated) = (study.name.clone(), study.config.simulated);
    Comparison {
        study: name,
        simulated,
        rules,
        workloads,
        excluded,
    }
}

fn row(
    name: &str,
    trials: &[&Trial],
    rules: Rules,
    seed: Seed,
    excluded: &mut Vec<Excluded>,
) -> Option<Row> {
    // The latest description of a workload counts: what was measured under another is no match.
    let load = trials.last()?.as_workload();
    let signature = load.signature();
    let usable: Vec<&Trial> = trials
        .iter()
        .copied()
        .filter(|trial| match unusable(trial, &signature) {
            Some(why) => {
                excluded.push(Excluded {
                    trial: trial.trial,
                    why,
                });
                false
            }
            None => true,
        })
        .collect();
    let groups = Phase::ALL.map(|phase| {
        let of_phase: Vec<&Trial> = usable
            .iter()
            .copied()
            .filter(|trial| trial.phase == phase)
            .collect();
        Group::of(phase, &of_phase, rules.confidence)
    });
    let against_before = |phase: Phase| {
        let (before, other) = (groups[0].as_ref()?, groups[phase as usize].as_ref()?);
        let seed = seed.child(name, phase as u64);
        Some(Contrast::of(&before.rates, &other.rates, rules, seed))
    };
    let (during_before, after_before) =
        (against_before(Phase::During), against_before(Phase::After));
    Some(Row {
        workload: name.to_owned(),
        load,
        groups,
        during_before,
        after_before,
    })
}

fn unusable(trial: &Trial, signature: &str) -> Option<String> {
    let own = trial.as_workload().signature();
    match trial.state {
        State::Failed => Some(format!("failed: {}", trial.cause)),
        State::Interrupted => Some("interrupted".to_owned()),
        State::Complete if own != signature => Some(format!("measured otherwise: {own}")),
        State::Complete if !trial.rate_bytes_per_s.is_some_and(|rate| rate > 0.0) => {
            Some("moved no data while it was measured".to_owned())
        }
        State::Complete => None,
    }
}

//! What changed: which trials may be compared, the ratio of their rates with its interval, and a
//! verdict in words.
//!
//! The trial is the least unit: operations and windows of one trial are not independent of each
//! other. Where there are sittings enough, whole sittings are the unit, since trials of one sitting
//! are not independent either. Rates are compared on the log scale, because their spread is
//! relative; of a paced workload it is the mean latency. The main figure is a t interval for the
//! ratio of geometric means; the Hodges-Lehmann shift, a permutation test and a bootstrap of the
//! ratio of medians stand beside it and need no normal distribution.

mod account;
mod bounds;
mod contrast;
pub mod cost;
pub mod diff;
pub mod expected;
pub mod forecasted;
pub mod gain;
mod group;
pub mod limits;
pub mod location;
pub mod now;
mod poolable;
mod probes;
mod quantity;
mod reshaped;
mod sample;
mod verdict;
#[cfg(test)]
mod coverage;
#[cfg(test)]
mod followed;
#[cfg(test)]
pub(crate) mod scene;
#[cfg(test)]
mod stopped;
#[cfg(test)]
mod tests;
#[cfg(test)]
mod told;

pub use account::Account;
pub use bounds::Bounds;
pub use contrast::Contrast;
pub use group::{Group, Void};
pub use quantity::Quantity;
pub use reshaped::Reshaped;
pub use sample::BetweenSittings;
pub use verdict::{BY_CHANCE_AFTER_EACH, BY_CHANCE_ONCE_MORE, Verdict};

use std::collections::BTreeMap;

use crate::judge::{Grade, Judgement, Ruling};
use crate::plan::{Phase, Workload};
use crate::record::{Observations, observed};
use crate::seed::Seed;
use crate::study::{State, Study, Trial};
use crate::workers;

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
    /// The phase that the study has come to: nobody can measure more of those before it.
    pub come_to: Phase,
}

impl Rules {
    /// 95 % intervals, at least 3 trials a side, 80 % power, and the study's own threshold and phase.
    pub fn of(study: &Study) -> Self {
        let threshold = study.config.threshold_percent / 100.0;
        Self {
            confidence: 0.95,
            threshold,
            least_trials: 3,
            power: 0.8,
            come_to: crate::ready::come_to(study),
        }
    }

    /// Whether more of `phase` can be measured yet, or still.
    pub fn open(&self, phase: Phase) -> bool {
        phase >= self.come_to
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
    /// Name of the workload; of trials on data that was laid down when the pool had grown, with those
    /// words behind it.
    pub workload: String,
    /// How it loads the share.
    pub load: Workload,
    /// What of its trials is compared.
    pub quantity: Quantity,
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
    /// Whether it failed; else it is merely no match.
    pub failed: bool,
}

/// Compares all trials of `study`, as they were judged.
///
/// Only trials whose grade holds (A or B) are taken for the drives' speed. Where a phase has none, those that nobody
/// looked at (U) stand as a group on which no verdict is proved; where it has others only, as a group that is void.
pub fn compare(study: &Study, judgements: &BTreeMap<u64, Judgement>, rules: Rules) -> Comparison {
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
    let context = Context {
        observations: &study.observations,
        judgements,
        rules,
        seed: study.config.seed,
    };
    let mut workloads = Vec::new();
    for found in workers::each(&names, 1, |name| context.of(study, name)) {
        excluded.extend(found.excluded);
        workloads.extend(found.old);
        // What is left out beside the new data may have been named already.
        let again = found.again.into_iter();
        let again: Vec<Excluded> = again.filter(|one| !excluded.contains(one)).collect();
        excluded.extend(again);
        workloads.extend(found.fresh);
    }
    excluded.sort_by_key(|left_out: &Excluded| left_out.trial);
    let mut comparison = Comparison {
        study: study.name.clone(),
        simulated: study.config.simulated,
        rules,
        workloads,
        excluded,
    };
    expected::disbelieve(study, &mut comparison, judgements);
    comparison
}

/// What every row is made with.
struct Context<'a> {
    /// What was observed of trials, by their numbers.
    observations: &'a BTreeMap<u64, Observations>,
    judgements: &'a BTreeMap<u64, Judgement>,
    rules: Rules,
    seed: Seed,
}

/// What the trials of one workload come to.
struct Found {
    old: Option<Row>,
    excluded: Vec<Excluded>,
    /// The row of trials on new data, where there are any.
    fresh: Option<Row>,
    /// What is left out of it.
    again: Vec<Excluded>,
}

impl Context<'_> {
    /// The rows of the workload `name`.
    fn of(&self, study: &Study, name: &str) -> Found {
        let of_name = study.trials.iter().filter(|trial| trial.workload == *name);
        let (fresh, old): (Vec<&Trial>, Vec<&Trial>) = of_name.partition(|trial| trial.is_fresh());
        let (mut excluded, mut again) = (Vec::new(), Vec::new());
        let row = self.row(name, &old, &mut excluded);
        let on_fresh = (!fresh.is_empty()).then(|| {
            // New data is held against the old data of before, and never pooled with it.
            let before = old.into_iter().filter(|trial| trial.phase == Phase::Before);
            let trials: Vec<&Trial> = before.chain(fresh).collect();
            self.row(&format!("{name}, new data"), &trials, &mut again)
        });
        Found {
            old: row,
            excluded,
            fresh: on_fresh.flatten(),
            again,
        }
    }

    fn row(&self, name: &str, trials: &[&Trial], excluded: &mut Vec<Excluded>) -> Option<Row> {
        // The latest description of a workload counts: what was measured under another is no match.
        // A trial that was cut off may not say how long it would have been.
        let complete = |trial: &&&Trial| trial.state == State::Complete;
        let latest = *trials.iter().rev().find(complete).or(trials.last())?;
        let load = latest.as_workload();
        let quantity = Quantity::of(&load);
        let precise = |trial: &Trial| self.seen(trial, observed::ENDED_PRECISE) == Some(1.0);
        let usable = poolable::poolable(trials, latest, &precise, excluded);
        let groups = Phase::ALL.map(|phase| self.group(phase, quantity, &usable, excluded));
        let against_before = |phase: Phase| {
            let (before, other) = (groups[0].as_ref()?, groups[phase as usize].as_ref()?);
            let contrast = Contrast::of(
                before,
                other,
                self.rules,
                self.seed.child(name, phase as u64),
            );
            Some(contrast)
        };
        let (during_before, after_before) =
            (against_before(Phase::During), against_before(Phase::After));
        Some(Row {
            workload: name.to_owned(),
            load,
            quantity,
            groups,
            during_before,
            after_before,
        })
    }

    /// What was observed of a trial.
    fn seen(&self, trial: &Trial, name: &str) -> Option<f64> {
        self.observations.get(&trial.trial)?.get(name)
    }

    /// The trials of a phase whose grade holds; where there are none such, those of grade U; else the void ones.
    fn group(
        &self,
        phase: Phase,
        quantity: Quantity,
        usable: &[&Trial],
        excluded: &mut Vec<Excluded>,
    ) -> Option<Group> {
        let ruling = |trial: &Trial| {
            self.judgements
                .get(&trial.trial)
                .map(|judged| &judged.ruling)
        };
        let looked = |trials: &[&Trial]| {
            let asked = |trial: &&Trial| self.seen(trial, observed::PRECISION_ASKED).is_some();
            trials.iter().any(asked)
        };
        // What holds is compared; without any, what nobody looked at; without any of that, what is void.
        let class = |trial: &Trial| match ruling(trial).map(|ruling| ruling.grade) {
            None | Some(Grade::A | Grade::B) => 0,
            Some(Grade::U) => 1,
            Some(Grade::C | Grade::X) => 2,
        };
        let of_phase = usable.iter().copied().filter(|trial| trial.phase == phase);
        let of_phase: Vec<&Trial> = of_phase.collect();
        let best = of_phase.iter().map(|trial| class(trial)).min()?;
        let (good, others): (Vec<&Trial>, Vec<&Trial>) =
            of_phase.into_iter().partition(|trial| class(trial) == best);
        for trial in others {
            if let Some(ruling) = ruling(trial) {
                let why = format!("grade {}: {}", ruling.grade.letter(), ruling.reason);
                excluded.push(Excluded {
                    trial: trial.trial,
                    why,
                    failed: false,
                });
            }
        }
        let rulings: Vec<&Ruling> = good.iter().filter_map(|trial| ruling(trial)).collect();
        Group::of(
            phase,
            quantity,
            &good,
            &rulings,
            looked(&good),
            self.rules.confidence,
        )
    }
}

//! Is this number real? From what was recorded of a trial to evidence, from evidence to a grade.
//!
//! Pure: nothing here measures. Unknown is unknown: what was not observed counts neither for nor
//! against. The rule that combines evidence is the table in `judge/grade.rs`.

mod bytes;
mod case;
mod ceilings;
mod controls;
mod evidence;
mod grade;
mod levels;
mod limit;
mod members;
mod times;
mod trouble;

pub use case::{Case, Pools};
pub use evidence::{Evidence, Layer, Says, Share, Strength};
pub use grade::{Cached, Grade, NEGLIGIBLE, Ruling, rule};
pub use levels::{
    Level, cache_size, falls_behind, levels, plausible_cache_size, proven_cache_size,
};
pub use limit::{Limit, Limiting, Piece};

use std::collections::BTreeMap;

use crate::study::{State, Study, Trial};
use crate::workers;

/// Fewer trials than this are not worth another thread.
const SHARE: usize = 256;

/// What is to be thought of one trial.
#[derive(Clone, Debug)]
pub struct Judgement {
    /// The grade with its reason.
    pub ruling: Ruling,
    /// All evidence, in the order of the path from the client to the drives.
    pub evidence: Vec<Evidence>,
    /// What limited the trial.
    pub limiting: Limiting,
}

/// Judges one trial.
pub fn judge(case: &Case<'_>) -> Judgement {
    let mut evidence: Vec<Evidence> = [
        bytes::evidence(case),
        members::evidence(case),
        controls::evidence(case),
        ceilings::evidence(case),
        times::evidence(case),
        trouble::evidence(case),
    ]
    .into_iter()
    .flatten()
    .collect();
    evidence.shrink_to_fit();
    let ruling = rule(&evidence);
    let limiting = limit::limiting(case, &ruling);
    Judgement {
        ruling,
        evidence,
        limiting,
    }
}

/// Judges all complete trials of a study, by number.
pub fn judge_all(study: &Study) -> BTreeMap<u64, Judgement> {
    judge_some(study, 0)
}

/// Judges the complete trials of a study from the sitting `first` on, by number.
pub fn judge_some(study: &Study, first: u64) -> BTreeMap<u64, Judgement> {
    let complete = study
        .trials
        .iter()
        .filter(|trial| trial.state == State::Complete && trial.sitting >= first);
    let complete: Vec<&Trial> = complete.collect();
    let controls = Pools::of(study);
    let judged = |trial: &&Trial| (trial.trial, judge(&Case::with(study, trial, &controls)));
    workers::each(&complete, SHARE, judged)
        .into_iter()
        .collect()
}

#[cfg(test)]
mod tests;

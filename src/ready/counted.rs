//! Which trials count, workload by workload.

use crate::compare::{Comparison, Rules, compare};
use crate::judge::judge_all;
use crate::plan::Phase;
use crate::study::Study;

/// Trials of a workload that are enough; the common practice of five, without a source. A verdict
/// needs three.
pub(super) const ENOUGH: usize = 5;

/// The comparison as it stands, which knows which trials count.
pub(super) fn comparison(study: &Study) -> Comparison {
    compare(study, &judge_all(study), Rules::of(study))
}

/// What a workload has in a phase.
pub(super) struct Holding<'a> {
    pub(super) workload: &'a str,
    /// Trials that are not void.
    pub(super) trials: usize,
    /// Whether nobody looked at them for a cache: no change is proved on them.
    pub(super) unseen: bool,
    /// Sittings that they come from.
    pub(super) sittings: usize,
}

/// The trials of `phase` for each workload that was measured before the expansion, or, where none
/// was, in the phase.
pub(super) fn holding<'a>(
    study: &Study,
    comparison: &'a Comparison,
    phase: Phase,
) -> Vec<Holding<'a>> {
    let in_phase = |workload: &str, phase: Phase| {
        let mut trials = study.trials.iter();
        trials.any(|trial| trial.phase == phase && trial.workload == workload)
    };
    let has_before = study.trials.iter().any(|t| t.phase == Phase::Before);
    let asked = if has_before { Phase::Before } else { phase };
    comparison
        .workloads
        .iter()
        .filter(|row| in_phase(&row.workload, asked))
        .map(|row| {
            let group = row.group(phase).filter(|group| group.void.is_none());
            let (trials, sittings) = group.map_or((0, 0), |g| (g.trials.len(), g.sittings));
            let unseen = group.is_some_and(|group| group.unseen);
            let workload = row.workload.as_str();
            Holding {
                workload,
                trials,
                unseen,
                sittings,
            }
        })
        .collect()
}

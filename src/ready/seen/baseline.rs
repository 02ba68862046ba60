//! The trials of the baseline: enough of them, good ones, recent ones.

use super::{Context, Found};
use crate::plan::Phase;
use crate::ready::counted::{ENOUGH, holding};
use crate::ready::next::BASELINE;
use crate::ready::{State, days};
use crate::study::{Fault, State as TrialState, Trial, faults_told};

/// A baseline counts for so many days: fill level and load of a pool move on. Common practice.
const BASELINE_DAYS: i64 = 30;

pub(super) fn direct_io(context: &Context<'_>) -> Found {
    let of_baseline = context
        .study
        .trials
        .iter()
        .filter(|trial| trial.phase == Phase::Before && trial.state == TrialState::Complete);
    let (mut all, mut buffered) = (0, 0);
    for trial in of_baseline {
        all += 1;
        buffered += usize::from(trial.direct != Some(true));
    }
    let alignment = context.look.facts.mount.as_ref();
    let alignment = alignment.and_then(|mount| mount.direct_io_alignment);
    let at = context.baseline.map(|recorded| recorded.at);
    match (all, buffered, alignment) {
        (0, _, Some(bytes)) => context.now(
            State::Holds,
            format!("the kernel tells an alignment of {bytes} for direct I/O"),
            "",
        ),
        (0, _, None) => context.now(
            State::Unknown,
            "the file system does not tell; the first sitting tries it",
            "",
        ),
        (_, 0, _) => Found(
            State::Holds,
            format!("all {all} trials of the baseline used direct I/O"),
            at,
            String::new(),
        ),
        _ => Found(
            State::Mind,
            format!(
                "{buffered} of {all} trials of the baseline were buffered, or not shown to be direct"
            ),
            at,
            "this client's memory may have served a part: look at the grades".into(),
        ),
    }
}

pub(super) fn baseline(context: &Context<'_>) -> Found {
    let Some(recorded) = context.baseline else {
        return context.no_baseline();
    };
    let found = holding(context.study, context.comparison, Phase::Before);
    let at = Some(recorded.at);
    let few: Vec<String> = found
        .iter()
        .filter(|held| held.trials < ENOUGH)
        .map(|held| format!("{} {}", held.workload, held.trials))
        .collect();
    if !few.is_empty() {
        let evidence = format!(
            "trials that are not void, of {ENOUGH} wanted: {}",
            few.join(", ")
        );
        let advice = format!("{BASELINE}; `poolproof compare STUDY` says why trials were left out");
        return Found(State::NotYet, evidence, at, advice);
    }
    let unseen: Vec<&str> = found
        .iter()
        .filter(|held| held.unseen)
        .map(|held| held.workload)
        .collect();
    if !unseen.is_empty() {
        let evidence = format!(
            "enough trials, but of {} of grade U: nobody looked for a cache, and no change will be proved on them",
            unseen.join(", ")
        );
        let advice = "let the drives' bytes be counted (diskstats_command and members under [server] in study.toml) and \
                      measure before once more";
        return Found(State::Mind, evidence, at, advice.into());
    }
    let least = found.iter().map(|held| held.trials).min().unwrap_or(0);
    let sittings = found.iter().map(|held| held.sittings).min().unwrap_or(0);
    let evidence = format!(
        "{} workloads with {least} trials or more of grade A or B",
        found.len()
    );
    if sittings < 2 {
        let advice = "hold a second sitting at another hour: one does not show how hours differ";
        let evidence = format!("{evidence}, from one sitting");
        return Found(State::Mind, evidence, at, advice.into());
    }
    let evidence = format!("{evidence}, from {sittings} sittings or more");
    Found(State::Holds, evidence, at, String::new())
}

/// Errors that the share gave to trials of the baseline. Those of a workload that ran without any in a
/// later sitting are past, and still to be minded.
pub(super) fn errors(context: &Context<'_>) -> Found {
    let Some(recorded) = context.baseline else {
        return context.no_baseline();
    };
    let at = Some(recorded.at);
    let trials = &context.study.trials;
    let of_baseline: Vec<&Trial> = trials.iter().filter(|t| t.phase == Phase::Before).collect();
    let Some(told) = faults_told(of_baseline.iter().copied()) else {
        return Found(
            State::Holds,
            "no trial of the baseline ended with one".into(),
            at,
            String::new(),
        );
    };
    // After the last that met one, no later sitting has.
    let clean = |failed: &Trial| {
        let mut later = of_baseline
            .iter()
            .filter(|t| t.sitting > failed.sitting && t.workload == failed.workload);
        later.any(|t| t.state == TrialState::Complete)
    };
    let mut failed = of_baseline.iter().filter(|trial| trial.fault().is_some());
    match failed.all(|trial| clean(trial)) {
        true => Found(
            State::Mind,
            format!("{told}; a later sitting of the same workload met none"),
            at,
            "look into the server's kernel log and the drives' error counters all the same".into(),
        ),
        false => Found(State::NotYet, told, at, Fault::ADVICE.into()),
    }
}

pub(super) fn baseline_age(context: &Context<'_>) -> Found {
    let Some(recorded) = context.baseline else {
        return context.no_baseline();
    };
    let old = days(context.now, recorded.at);
    let evidence = format!("latest measured {}", recorded.when());
    let at = Some(recorded.at);
    match old > BASELINE_DAYS {
        true => Found(
            State::NotYet,
            format!("stale: counts for {BASELINE_DAYS} days; {evidence}"),
            at,
            BASELINE.into(),
        ),
        false => Found(State::Holds, evidence, at, String::new()),
    }
}

//! How well a sitting knows what it measured, where it was asked to end when it knows enough.

use super::history::Sitting;
use crate::compare::Quantity;
use crate::record::observed;
use crate::stats::precise::half_width_at_look;
use crate::study::{State, Study, Trial};
use crate::text::short;
use crate::units::percent;

/// A sentence a workload, and one on what they mean; nothing for a sitting of fixed lengths.
pub(super) fn known(study: &Study, sitting: &Sitting<'_>) -> Vec<String> {
    let seen = |trial: &Trial, name: &str| study.observations.get(&trial.trial)?.get(name);
    let trials = || sitting.trials.iter().copied();
    let Some(asked) = trials().find_map(|trial| seen(trial, observed::PRECISION_ASKED)) else {
        return Vec::new();
    };
    let of = |name: &str| {
        let complete: Vec<&Trial> = trials()
            .filter(|trial| trial.state == State::Complete && trial.workload == name)
            .collect();
        let logs: Vec<f64> = complete
            .iter()
            .filter_map(|trial| Quantity::of(&trial.as_workload()).value(trial))
            .map(f64::ln)
            .collect();
        let early = |trial: &&&Trial| seen(trial, observed::ENDED_PRECISE) == Some(1.0);
        let early = complete.iter().filter(early).count();
        let ended = match early {
            0 => String::new(),
            _ => format!(", {early} of them ended early"),
        };
        let count = complete.len();
        let name = short(name, 32);
        match half_width_at_look(&logs) {
            Some(half) => format!("{name}: ±{} from {count} trials{ended}", percent(half, 1)),
            None => format!("{name}: unknown from {count} trials{ended}"),
        }
    };
    let mut names: Vec<&str> = Vec::new();
    for trial in trials() {
        if !names.contains(&trial.workload.as_str()) {
            names.push(&trial.workload);
        }
    }
    let mut said: Vec<String> = names.into_iter().map(of).collect();
    said.push(format!(
        "Asked for ±{}. That is half of the 95 % interval of this sitting's mean, with the looks in between allowed for; how much sittings differ from each other only more sittings tell.",
        percent(asked, 1)
    ));
    said
}

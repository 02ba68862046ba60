//! How well a sitting knows what it measured, where it was asked to end when it knows enough.

use super::history::Sitting;
use super::words;
use crate::compare::Quantity;
use crate::record::observed;
use crate::stats::precise::{HOLDS_WHERE_STALLED, half_width_at_look};
use crate::stats::stalls::{Stalls, stalls};
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
    // Sentences on one workload.
    let of = |name: &str| -> Vec<String> {
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
        let known = match half_width_at_look(&logs) {
            Some(half) => format!("{name}: ±{} from {count} trials{ended}", percent(half, 1)),
            None => format!("{name}: unknown from {count} trials{ended}"),
        };
        let stalled = stalled(study, &complete);
        let stalled = (early > 0 && stalled.windows > 0).then(|| {
            format!(
                "{name}: in {} of {} hardly anything moved. Of simulated sittings that saw such seconds, the interval \
                 held in {HOLDS_WHERE_STALLED} of 100 and not in 95: trials that meet none end early, and some are \
                 left out as warm-up, so that the mean comes out too high. Trials of fixed lengths meet more of them.",
                stalled.windows,
                words::count(stalled.of, "second")
            )
        });
        std::iter::once(known).chain(stalled).collect()
    };
    let mut names: Vec<&str> = Vec::new();
    for trial in trials() {
        if !names.contains(&trial.workload.as_str()) {
            names.push(&trial.workload);
        }
    }
    let mut said: Vec<String> = names.into_iter().flat_map(of).collect();
    said.push(format!(
        "Asked for ±{}. That is half of the 95 % interval of this sitting's mean, with the looks in between allowed for; how much sittings differ from each other only more sittings tell.",
        percent(asked, 1)
    ));
    said
}

/// The seconds of these trials in which hardly anything moved beside the others of their trial.
fn stalled(study: &Study, trials: &[&Trial]) -> Stalls {
    let bytes = |trial: &&Trial| -> Vec<f64> {
        let windows = study.windows.of(trial.trial).into_iter();
        windows.map(|window| window.bytes() as f64).collect()
    };
    let series: Vec<Vec<f64>> = trials.iter().map(bytes).collect();
    stalls(series.iter().map(Vec::as_slice))
}

#[cfg(test)]
mod tests {
    use super::super::history::sittings;
    use super::super::testing::{self, Scene};
    use super::*;
    use crate::study::WindowRow;

    /// What is told of `large-read` in the first sitting, whose trials were asked for 3 % and perhaps ended early;
    /// the fifth of their seconds are slower by `factor`.
    fn told(early: bool, factor: f64) -> Vec<String> {
        let mut study = testing::study(Scene::Full);
        let first = sittings(&study)[0].number;
        let trials: Vec<u64> = study
            .trials
            .iter()
            .filter(|trial| trial.sitting == first)
            .map(|trial| trial.trial)
            .collect();
        for number in trials {
            let seen = study.observations.entry(number).or_default();
            seen.put(observed::PRECISION_ASKED, 0.03);
            if early {
                seen.put(observed::ENDED_PRECISE, 1.0);
            }
            let rows: Vec<WindowRow> = (0..10)
                .map(|window| WindowRow {
                    trial: number,
                    window,
                    read_bytes: match window {
                        // The start does not count.
                        0 => 0,
                        5 => (1e8 * factor) as u64,
                        _ => 100_000_000 + window * 100_000,
                    },
                    written_bytes: 0,
                    operations: 100,
                    mean_ns: None,
                    p50_ns: None,
                    max_ns: None,
                    warmup: window == 0,
                })
                .collect();
            study.windows.insert(number, &rows);
        }
        let said = known(&study, &sittings(&study)[0]);
        let of = said.into_iter();
        of.filter(|told| told.starts_with("large-read: ")).collect()
    }

    #[test]
    fn where_seconds_nearly_stood_still_the_interval_is_said_to_hold_less_often() {
        let [known, stalled] = told(true, 0.05).try_into().unwrap();
        assert!(known.starts_with("large-read: ±"), "{known}");
        let trials = 5;
        let told = format!(
            "large-read: in {trials} of {} seconds hardly anything moved. Of simulated sittings that saw such \
             seconds, the interval held in 87 of 100 and not in 95",
            9 * trials
        );
        assert!(stalled.starts_with(&told), "{stalled}");
        // A slow second is none that stands still, and trials of full length see what there is to see.
        assert_eq!(
            (self::told(true, 0.7).len(), self::told(false, 0.05).len()),
            (1, 1)
        );
    }
}

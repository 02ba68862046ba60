//! Which trials a page shows one by one: all of an ordinary study; of a large one a few of each
//! workload in each phase, from the slowest to the fastest.

use std::collections::{BTreeMap, BTreeSet};

use crate::chart::evenly;
use crate::study::{State, Study, Trial};
use crate::units::grouped;

/// Trials of a workload in a phase that are shown at most, complete ones and others each.
const MOST: usize = 10;

/// The trials that are shown, by their places in the study's table: a number may stand twice in a
/// damaged one.
#[derive(Clone, Debug)]
pub(super) struct Shown {
    places: BTreeSet<usize>,
    of: usize,
}

impl Shown {
    /// Those of `study`: of each workload in each phase, evenly through the order of their rates, the
    /// slowest and the fastest among them.
    pub(super) fn of(study: &Study) -> Self {
        let mut groups = BTreeMap::<_, Vec<(usize, &Trial)>>::new();
        for (place, trial) in study.trials.iter().enumerate() {
            let complete = trial.state == State::Complete;
            let group = (trial.workload.as_str(), trial.phase as usize, complete);
            groups.entry(group).or_default().push((place, trial));
        }
        let mut places = BTreeSet::new();
        for mut group in groups.into_values() {
            let rate = |trial: &Trial| trial.rate_bytes_per_s.unwrap_or(0.0);
            group.sort_by(|(_, a), (_, b)| rate(a).total_cmp(&rate(b)));
            places.extend(evenly(group.len(), MOST).map(|index| group[index].0));
        }
        let of = study.trials.len();
        Self { places, of }
    }

    /// Whether the trial at this place of the table is shown.
    pub(super) fn has(&self, place: usize) -> bool {
        self.places.contains(&place)
    }

    /// The shown ones of the trials of `study`, in the order of its table.
    pub(super) fn trials<'a>(&'a self, study: &'a Study) -> impl Iterator<Item = &'a Trial> {
        self.places.iter().map(|place| &study.trials[*place])
    }

    /// A sentence about those that are not shown, where there are any.
    pub(super) fn told(&self) -> Option<String> {
        (self.places.len() < self.of).then(|| {
            format!(
                "Shown: {} of {} trials; of each workload in each phase {MOST}, evenly from the slowest to the \
                 fastest. All stand in trials.csv.",
                grouped(self.places.len() as u64),
                grouped(self.of as u64)
            )
        })
    }
}

/// Numbers of the trials of `study` that a page shows one by one.
pub fn shown(study: &Study) -> BTreeSet<u64> {
    let shown = Shown::of(study);
    shown.trials(study).map(|trial| trial.trial).collect()
}

#[cfg(test)]
mod tests {
    use super::super::testing::{Scene, study};
    use super::*;

    #[test]
    fn an_ordinary_study_is_shown_whole() {
        let study = study(Scene::Full);
        let shown = Shown::of(&study);
        assert_eq!(shown.trials(&study).count(), study.trials.len());
        assert_eq!(shown.told(), None);
    }

    #[test]
    fn of_many_trials_the_slowest_and_the_fastest_are_shown() {
        let mut study = study(Scene::BeforeOnly);
        let first = study.trials[0].clone();
        study.trials = (0..2_000_u64)
            .map(|number| Trial {
                trial: number + 1,
                rate_bytes_per_s: Some((number * 7_919 % 2_000) as f64),
                state: match number % 100 {
                    0 => State::Failed,
                    _ => State::Complete,
                },
                ..first.clone()
            })
            .collect();
        let shown = Shown::of(&study);
        let rates = shown.trials(&study).filter_map(|trial| {
            let complete = trial.state == State::Complete;
            trial.rate_bytes_per_s.filter(|_| complete)
        });
        let rates: Vec<f64> = rates.collect();
        let (least, most) = (
            rates.iter().copied().reduce(f64::min),
            rates.iter().copied().reduce(f64::max),
        );
        assert_eq!((rates.len(), least, most), (MOST, Some(1.0), Some(1_999.0)));
        let told = shown.told().unwrap();
        assert!(told.starts_with("Shown: 20 of 2,000 trials"), "{told}");
    }
}

//! What a gain is made of: drives, the place of the data, settings, noise.
//!
//! The place is a factor where it is known. Settings that changed have names and no number: they changed
//! together with the drives, and nothing measured with only one of both. Noise is the interval. What
//! is left is the drives' part, with whatever the settings did.

use serde::Serialize;

use super::diff;
use super::location::{Split, Unexplained, explain};
use super::{Bounds, Comparison, Row, Verdict};
use crate::study::Study;

/// The change of one workload, taken apart.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Gain {
    /// Its name.
    pub workload: String,
    /// After over before of what is compared.
    pub ratio: f64,
    /// Its interval: the noise; `None` where the trials are too few.
    pub noise: Option<Bounds>,
    /// The part of the place of the data, where it is known.
    pub location: Option<Split>,
    /// Why it is not known.
    pub location_unknown: Option<Unexplained>,
    /// What is left for the drives, and for settings where any changed.
    pub rest: f64,
    /// Its interval; the factor of the place is taken for exact.
    pub rest_noise: Option<Bounds>,
}

/// A setting that changed between before and after.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Setting {
    /// Which.
    pub fact: String,
    /// Its values before.
    pub before: Vec<String>,
    /// Its values after.
    pub after: Vec<String>,
}

/// The gain of each workload that has one to speak of: not void, with a ratio.
pub fn gains(study: &Study, comparison: &Comparison) -> Vec<Gain> {
    let rows = comparison.workloads.iter();
    rows.filter_map(|row| gain(study, row)).collect()
}

fn gain(study: &Study, row: &Row) -> Option<Gain> {
    let contrast = row.after_before.as_ref()?;
    let void = matches!(contrast.verdict, Verdict::Void { .. });
    if void || !contrast.ratio.is_finite() {
        return None;
    }
    let noise = contrast.welch.map(|welch| Bounds {
        low: welch.low,
        high: welch.high,
    });
    let place = explain(study, row);
    let factor = place.map_or(1.0, |split| split.location);
    Some(Gain {
        workload: row.workload.clone(),
        ratio: contrast.ratio,
        noise,
        location: place.ok(),
        location_unknown: place.err(),
        rest: contrast.ratio / factor,
        rest_noise: noise.map(|noise| noise.times(1.0 / factor)),
    })
}

/// The settings that changed.
pub fn settings(study: &Study) -> Vec<Setting> {
    let lines = diff::lines(study).into_iter();
    lines
        .filter(|line| line.is_setting() && line.differs_after())
        .map(|diff::Line { fact, values }| {
            let [before, _, after] = values;
            Setting {
                fact,
                before,
                after,
            }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::compare::{Rules, compare};
    use crate::judge::judge_all;
    use crate::record::observed;
    use crate::report::testing::{Scene, study};

    fn of(study: &Study) -> Vec<Gain> {
        let comparison = compare(study, &judge_all(study), Rules::of(study));
        gains(study, &comparison)
    }

    #[test]
    fn what_the_place_explains_is_taken_off_and_the_interval_with_it() {
        let mut study = study(Scene::Full);
        let plain = of(&study);
        assert_eq!(plain.len(), 6);
        for gain in &plain {
            assert_eq!((gain.rest, gain.rest_noise), (gain.ratio, gain.noise));
        }
        assert_eq!(plain[0].location_unknown, Some(Unexplained::NotRotating));
        assert_eq!(plain[2].location_unknown, Some(Unexplained::Random));
        for trial in study.trials.clone() {
            let seen = study.observations.entry(trial.trial).or_default();
            let mean = [0.9, 0.8, 0.675][trial.phase as usize];
            for name in [
                observed::LOCATION_LOW,
                observed::LOCATION_MEAN,
                observed::LOCATION_HIGH,
            ] {
                seen.put(name, mean);
            }
        }
        study.config.pool.as_mut().unwrap().rpm = Some(7200);
        let found = of(&study);
        // √(1 − 0.75·0.675) ÷ √(1 − 0.75·0.9) = 1.2326, derived.
        let split = found[0].location.unwrap();
        assert!((split.location - 1.2326).abs() < 1e-4 && !split.stated);
        assert!((found[0].rest * split.location / found[0].ratio - 1.0).abs() < 1e-12);
        let (noise, rest) = (found[0].noise.unwrap(), found[0].rest_noise.unwrap());
        assert!((noise.high / rest.high - split.location).abs() < 1e-9);
        // A stated zone curve goes before the usual one.
        study.config.plan = Some(crate::study::Planning {
            assume: crate::pool::Stated {
                inner_percent: Some(100.0),
                ..crate::pool::Stated::default()
            },
            ..crate::study::Planning::default()
        });
        let split = of(&study)[0].location.unwrap();
        assert_eq!((split.location, split.stated), (1.0, true));
    }

    #[test]
    fn settings_are_named_and_the_fill_level_is_none() {
        let found = settings(&study(Scene::Full));
        assert_eq!(
            found,
            [Setting {
                fact: "largest packet of lan0".into(),
                before: vec!["1500".into()],
                after: vec!["9000".into()],
            }]
        );
        assert_eq!(settings(&study(Scene::BeforeOnly)), []);
        // A void phase has no gain to take apart.
        let warm = of(&study(Scene::Warm));
        assert!(warm.iter().all(|gain| gain.workload != "large-read"));
    }
}

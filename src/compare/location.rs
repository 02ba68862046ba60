//! What part of a change comes from where the data lies, and not from the drives.
//!
//! A rotating drive is faster on its outer tracks, where its addresses begin. When a pool grows, data
//! that filled the fraction f of each drive fills only f · old ÷ new of it afterwards: the same file
//! is read faster without any drive having become faster. Places are known only where a file system
//! of this machine tells them; on a share of another machine they stay unknown.

use serde::Serialize;

use crate::plan::{Access, Phase};
use crate::pool::relative_rate;
use crate::record::observed;
use crate::stats::describe::median;
use crate::study::Study;

use super::Row;

/// The innermost track's rate over the outermost's where nothing else is known: common practice, no
/// source.
pub const INNER: f64 = 0.5;

/// Where the data of a phase lies: medians over its trials, as fractions (0 to 1) of the device.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Place {
    /// First byte.
    pub low: f64,
    /// Mean place of the bytes.
    pub mean: f64,
    /// End of the last byte.
    pub high: f64,
}

/// A ratio taken apart: `ratio = location × rest`.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Split {
    /// What was measured, later over before.
    pub ratio: f64,
    /// The factor that the move along the zone curve explains.
    pub location: f64,
    /// What is left for drives, settings and noise.
    pub rest: f64,
    /// Where the data lay before.
    pub before: Place,
    /// Where it lay when it was measured again.
    pub later: Place,
    /// The innermost track's rate over the outermost's that was reckoned with.
    pub inner: f64,
    /// Whether that was stated; else it is what rotating drives usually have.
    pub stated: bool,
}

/// Why nothing can be said of the place of the data.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Unexplained {
    /// There is no ratio to take apart.
    NoRatio,
    /// The drives are not known to rotate.
    NotRotating,
    /// Time goes into seeks and turns, not into the rate of a track: see [`explain`].
    Random,
    /// The file system does not tell where the data lies.
    Unknown,
}

impl Unexplained {
    /// In words, as the end of a sentence.
    pub fn words(self) -> &'static str {
        match self {
            Self::NoRatio => "there is no ratio to take apart",
            Self::NotRotating => "nothing says that the drives rotate (rpm in study.toml)",
            Self::Random => {
                "random operations wait for turns and seeks; seeks are shorter where data lies closer together, which `plan` reckons, but how much shorter is not seen here"
            }
            Self::Unknown => "the file system does not tell where the test data lies",
        }
    }
}

/// Takes `ratio` apart by the rates at the mean places, for drives whose innermost track has
/// `inner` (0 to 1) of the outermost's rate; `None` is what rotating drives usually have.
pub fn split(ratio: f64, before: Place, later: Place, stated: Option<f64>) -> Split {
    let inner = stated.unwrap_or(INNER);
    let location = relative_rate(later.mean, inner) / relative_rate(before.mean, inner);
    Split {
        ratio,
        location,
        rest: ratio / location,
        before,
        later,
        inner,
        stated: stated.is_some(),
    }
}

/// Where the trials of `row` in `phase` lay; `None` when a trial does not tell.
pub fn place(study: &Study, row: &Row, phase: Phase) -> Option<Place> {
    let trials = &row.group(phase)?.trials;
    let median_of = |name: &str| {
        let values: Option<Vec<f64>> = trials
            .iter()
            .map(|trial| study.observations.get(trial)?.get(name))
            .collect();
        median(&values?)
    };
    Some(Place {
        low: median_of(observed::LOCATION_LOW)?,
        mean: median_of(observed::LOCATION_MEAN)?,
        high: median_of(observed::LOCATION_HIGH)?,
    })
}

/// The ratio of after to before of a sequential workload, taken apart by the zones that the study
/// states, else by usual ones.
///
/// # Errors
/// Why it cannot be: only drives that are known to rotate have zones, and the places have to be known. Random
/// operations do gain by the place, since the same data on more drives lies closer together and seeks are
/// shorter ([`crate::pool::Drive::mean_seek`], which a plan reckons with); but that goes by the arm of the
/// drive, of which only assumptions are known, and not by the rate of a track. So nothing is taken off what
/// was measured, and the plan's factor stands in the band of what is expected.
pub fn explain(study: &Study, row: &Row) -> Result<Split, Unexplained> {
    let contrast = row.after_before.as_ref().ok_or(Unexplained::NoRatio)?;
    if !contrast.ratio.is_finite() {
        return Err(Unexplained::NoRatio);
    }
    if row.load.access != Access::Sequential {
        return Err(Unexplained::Random);
    }
    let rpm = study.config.pool.as_ref().and_then(|pool| pool.rpm);
    rpm.filter(|rpm| *rpm > 0).ok_or(Unexplained::NotRotating)?;
    let place = |phase: Phase| place(study, row, phase).ok_or(Unexplained::Unknown);
    let (before, after) = (place(Phase::Before)?, place(Phase::After)?);
    let inner = study.config.stated_inner();
    Ok(split(contrast.ratio, before, after, inner))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::compare::{Rules, compare};
    use crate::judge::judge_all;
    use crate::report::testing::{Scene, study};

    const fn at(mean: f64) -> Place {
        Place {
            low: mean,
            mean,
            high: mean,
        }
    }

    /// Derived: three data drives grow to four, 0.9 full, 2:1 zones. Of the +64 % that shows, +33 %
    /// is the drive (4/3) and +23 % the move outwards: √(1 − 0.75·0.675) ÷ √(1 − 0.75·0.9) = 1.2326.
    #[test]
    fn growing_three_data_drives_to_four_shows_more_than_the_drive() {
        let split = split(4.0 / 3.0 * 1.2326, at(0.9), at(0.675), None);
        assert!((split.location - 1.2326).abs() < 1e-4, "{split:?}");
        assert!((split.rest - 4.0 / 3.0).abs() < 1e-3, "{split:?}");
        assert!((split.ratio - 1.64).abs() < 5e-3, "{split:?}");
    }

    #[test]
    fn a_move_inwards_hides_a_gain_and_no_move_explains_nothing() {
        assert!(split(1.0, at(0.1), at(0.9), None).rest > 1.5);
        let still = split(1.3, at(0.4), at(0.4), None);
        assert_eq!((still.location, still.rest), (1.0, 1.3));
        // A drive as fast inside as outside has no zones.
        assert_eq!(split(1.3, at(0.9), at(0.1), Some(1.0)).location, 1.0);
    }

    #[test]
    fn unknown_places_stay_unknown_and_only_rotating_drives_have_zones() {
        let mut study = study(Scene::Full);
        let split_of = |study: &Study| {
            let comparison = compare(study, &judge_all(study), Rules::of(study));
            let rows = comparison.workloads.iter();
            rows.filter(|row| explain(study, row).is_ok()).count()
        };
        assert_eq!(split_of(&study), 0);
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
        assert_eq!(split_of(&study), 0, "nothing says that the drives rotate");
        if let Some(pool) = &mut study.config.pool {
            pool.rpm = Some(7200);
        }
        assert_eq!(split_of(&study), 2, "large-read and large-write");
    }
}

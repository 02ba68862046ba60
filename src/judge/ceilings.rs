//! Evidence from what cannot be: rates above what a link or drives can carry.

use super::case::Case;
use super::evidence::{Evidence, Layer, Says, Strength};
use crate::units::{Nanos, Rate, percent};

/// Rates this much above a ceiling are above it: frames in flight at the trial's edges, clocks.
const ABOVE: f64 = 1.02;

/// All ceilings that the trial broke, and the link when it stayed below.
pub(super) fn evidence(case: &Case<'_>) -> Vec<Evidence> {
    [link, drives, half_turn]
        .into_iter()
        .filter_map(|look| look(case))
        .collect()
}

/// More than the link's payload cannot have come over it.
fn link(case: &Case<'_>) -> Option<Evidence> {
    let (rate, payload) = (case.rate()?, case.payload()?);
    let above = rate.0 > payload.0 * ABOVE;
    above.then(|| Evidence {
        source: "link ceiling",
        expected: format!("at most {payload}, the payload of the link"),
        seen: rate.to_string(),
        meaning: "impossible over the wire: this client's memory served the rest".into(),
        says: Says::AtLeast(Layer::Client, 1.0 - payload.0 / rate.0),
        strength: Strength::Proved,
    })
}

/// More than all members together can read cannot have come from them.
fn drives(case: &Case<'_>) -> Option<Evidence> {
    let pool = case.config.pool.as_ref()?;
    let each = pool.drive_rate?;
    let drives = pool.drives
        + if case.trial.phase == crate::plan::Phase::Before {
            0
        } else {
            pool.adding
        };
    let (rate, all) = (case.rate()?, Rate(each.0 as f64 * f64::from(drives)));
    (rate.0 > all.0 * ABOVE).then(|| Evidence {
        source: "drives' ceiling",
        expected: format!("at most {all}, {drives} drives at their best"),
        seen: rate.to_string(),
        meaning: "impossible for the drives: a cache served the rest".into(),
        says: Says::AtLeast(Layer::Server, 1.0 - all.0 / rate.0),
        strength: Strength::Proved,
    })
}

/// Single random reads from a turning platter take half a turn on average, and the seek besides.
fn half_turn(case: &Case<'_>) -> Option<Evidence> {
    let trial = case.trial;
    let alone = case.only_reads()
        && trial.access == crate::plan::Access::Random
        && trial.depth * trial.streams == 1;
    let turn = case.turn().filter(|_| alone)?;
    let half = Nanos(turn.0 / 2);
    let mean = Nanos(trial.mean_ns?);
    let below = mean < half;
    let share = 1.0 - mean.0 as f64 / half.0 as f64;
    Some(Evidence {
        source: "half a turn",
        expected: format!("a mean of at least {half}"),
        seen: mean.to_string(),
        meaning: match below {
            true => format!(
                "too fast for platters: at least {} came from elsewhere",
                percent(share, 0)
            ),
            false => "as slow as platters are".into(),
        },
        says: if below {
            Says::AtLeast(Layer::Server, share)
        } else {
            Says::Remark
        },
        strength: Strength::Counted,
    })
}

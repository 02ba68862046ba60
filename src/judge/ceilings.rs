//! Evidence from what cannot be: rates above what a link or drives can carry.

use super::case::Case;
use super::evidence::{Evidence, Layer, Says, Strength};
use crate::units::{Bytes, Nanos, Rate, grouped, percent};

/// Rates this much above a ceiling are above it: frames in flight at the trial's edges, clocks.
const ABOVE: f64 = 1.02;

/// Drives' rates are stated as round numbers, and drives of one kind differ by some percent (common
/// practice, no source).
const STATED: f64 = 1.1;

/// All ceilings that the trial broke, and the link when it stayed below.
pub(super) fn evidence(case: &Case<'_>) -> Vec<Evidence> {
    [link, drives, turns, half_turn, quick_flush, held_back]
        .into_iter()
        .filter_map(|look| look(case))
        .collect()
}

/// More than the link's payload cannot have come over it.
fn link(case: &Case<'_>) -> Option<Evidence> {
    let (rate, payload) = (case.one_way_rate()?, case.payload()?);
    let above = rate.0 > payload.0 * ABOVE;
    above.then(|| Evidence {
        source: "link ceiling",
        expected: format!("at most {payload}, the payload of the link"),
        seen: rate.to_string(),
        meaning: "impossible over the wire: this client's memory served the rest".into(),
        says: Says::AtLeast(
            Layer::Client,
            (1.0 - payload.0 / rate.0) * case.busier_part(),
        ),
        strength: Strength::Proved,
    })
}

/// More than all members together can read cannot have come from them.
fn drives(case: &Case<'_>) -> Option<Evidence> {
    let each = case.config.pool.as_ref()?.drive_rate?;
    let drives = case.drives()?;
    let (rate, all) = (
        case.rate()?,
        Rate(each.0 as f64 * f64::from(drives) * STATED),
    );
    (rate.0 > all.0).then(|| Evidence {
        source: "drives' ceiling",
        expected: format!("at most {all}, {drives} drives at their best and 10 % more"),
        seen: rate.to_string(),
        meaning: "impossible for the drives: a cache served the rest".into(),
        says: Says::AtLeast(Layer::Path, 1.0 - all.0 / rate.0),
        strength: Strength::Proved,
    })
}

/// Platters answer a random read about once in half a turn at the very best, however deep the queue.
fn turns(case: &Case<'_>) -> Option<Evidence> {
    let trial = case.trial;
    let random = case.only_reads() && trial.access == crate::plan::Access::Random;
    let turn = case.turn().filter(|_| random)?;
    let drives = case.drives()?;
    let most = f64::from(drives) * 2.0 / turn.secs();
    let operations = trial
        .operations_per_s
        .filter(|operations| *operations > most * ABOVE)?;
    let share = 1.0 - most / operations;
    Some(Evidence {
        source: "turns",
        expected: format!(
            "at most {} reads a second from {drives} drives, one in half a turn",
            grouped(most.round() as u64)
        ),
        seen: format!("{} a second", grouped(operations.round() as u64)),
        meaning: format!(
            "too many for platters: at least {} came from elsewhere",
            percent(share, 0)
        ),
        says: Says::AtLeast(Layer::Path, share),
        strength: Strength::Counted,
    })
}

/// A flush that finds data to write to a platter waits for it to come round: one quicker than half a
/// turn was acknowledged from memory, or found nothing left to write. The rate is then that of what
/// reached the drives in balance; whether it would outlive a power cut is another question.
fn quick_flush(case: &Case<'_>) -> Option<Evidence> {
    let turn = case.turn().filter(|_| case.trial.bytes > 0)?;
    let half = Nanos(turn.0 / 2);
    let flush = Nanos::from_secs_f64(case.trial.flush_seconds?);
    (flush < half).then(|| Evidence {
        source: "flush",
        expected: format!("at least {half}, half a turn, where anything was left to write"),
        seen: flush.to_string(),
        meaning:
            "acknowledged from memory, or nothing was left: only memory that outlives a power \
                  cut makes that safe"
                .into(),
        says: Says::Remark,
        strength: Strength::Inferred,
    })
}

/// What a flush did not bring to the drives is no more than the memory that was stated holds.
fn held_back(case: &Case<'_>) -> Option<Evidence> {
    let memory = case.config.server_memory.filter(|_| case.only_writes())?;
    let written = case.bytes_written();
    let most = memory.0 as f64 / written;
    (written > 0.0 && most < 1.0).then(|| Evidence {
        source: "the server's memory",
        expected: format!("at most {memory} of what was written still in it after the flush"),
        seen: format!("{} written", Bytes(written as u64)),
        meaning: format!("at most {} of it was not on the drives", percent(most, 0)),
        says: Says::AtMost(Layer::Path, most),
        strength: Strength::Inferred,
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
            Says::AtLeast(Layer::Path, share)
        } else {
            Says::Remark
        },
        strength: Strength::Counted,
    })
}

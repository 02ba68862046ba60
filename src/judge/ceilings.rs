//! Evidence from what cannot be: rates above what a link or drives can carry.

use super::case::Case;
use super::evidence::{Evidence, Layer, Says, Strength};
use crate::units::{Bytes, Nanos, Rate, grouped, percent};

/// Rates this much above a ceiling are above it: frames in flight at the trial's edges, clocks.
const ABOVE: f64 = 1.02;

/// Drives' rates are stated as round numbers, and drives of one kind differ by some percent (common
/// practice, no source).
const STATED: f64 = 1.1;

/// The most that one drive reads where nobody has stated it, on its outermost tracks: more than turning drives of up
/// to 24 TB with one set of heads (common practice, no source).
const TURNING: Rate = Rate(300e6);
/// A turn of the fastest large drives, 7,200 a minute (common practice, no source).
const FASTEST: Nanos = Nanos(8_333_333);
/// What assumed ceilings are called.
const ASSUMED: &str = "assumed ceiling";
/// What is to be asked where one is broken.
const KIND: &str = "too fast for drives that turn, as is assumed: say what they are (rpm = 0 where they do not turn, and \
                    drive_rate, under [pool] in study.toml)";

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
    let pool = case.config.pool.as_ref()?;
    let stated = pool.drive_rate.map(|rate| rate.0 as f64 * STATED);
    let assumed = || case.turns().then_some(TURNING.0);
    let each = stated.or_else(assumed)?;
    let drives = case.drives()?;
    let (rate, all) = (case.rate()?, Rate(each * f64::from(drives)));
    let (share, stated) = (1.0 - all.0 / rate.0, stated.is_some());
    (share > 0.0).then(|| Evidence {
        source: if stated { "drives' ceiling" } else { ASSUMED },
        expected: match stated {
            true => format!("at most {all}, {drives} drives at their best and 10 % more"),
            false => format!("at most {all}, if {drives} drives turn and read {TURNING} each"),
        },
        seen: rate.to_string(),
        meaning: match stated {
            true => "impossible for the drives: a cache served the rest",
            false => KIND,
        }
        .into(),
        says: certain(stated, share),
        strength: Strength::Proved,
    })
}

/// What is above a ceiling: certainly from elsewhere where the ceiling was stated, else if what was assumed holds.
fn certain(stated: bool, share: f64) -> Says {
    match stated {
        true => Says::AtLeast(Layer::Path, share),
        false => Says::Maybe(Layer::Path, share),
    }
}

/// Platters answer a random read about once in half a turn at the very best, however deep the queue.
fn turns(case: &Case<'_>) -> Option<Evidence> {
    let trial = case.trial;
    let random = case.only_reads() && trial.access == crate::plan::Access::Random;
    let (turn, stated) = turn(case).filter(|_| random)?;
    let drives = case.drives()?;
    let most = f64::from(drives) * 2.0 / turn.secs();
    let operations = trial
        .operations_per_s
        .filter(|operations| *operations > most * ABOVE)?;
    let share = 1.0 - most / operations;
    Some(Evidence {
        source: if stated { "turns" } else { ASSUMED },
        expected: format!(
            "at most {} reads a second from {drives} drives, one in half a turn",
            grouped(most.round() as u64)
        ),
        seen: format!("{} a second", grouped(operations.round() as u64)),
        meaning: match stated {
            true => format!(
                "too many for platters: at least {} came from elsewhere",
                percent(share, 0)
            ),
            false => KIND.to_owned(),
        },
        says: certain(stated, share),
        strength: Strength::Counted,
    })
}

/// A turn of the drives and whether it was stated; of drives of which nothing is known that of the fastest large ones.
fn turn(case: &Case<'_>) -> Option<(Nanos, bool)> {
    match case.turn() {
        Some(turn) => Some((turn, true)),
        None => case.turns().then_some((FASTEST, false)),
    }
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
    let (turn, stated) = turn(case).filter(|_| alone)?;
    let half = Nanos(turn.0 / 2);
    let mean = Nanos(trial.mean_ns?);
    let below = mean < half;
    let share = 1.0 - mean.0 as f64 / half.0 as f64;
    (below || stated).then(|| Evidence {
        source: if stated { "half a turn" } else { ASSUMED },
        expected: format!("a mean of at least {half}"),
        seen: mean.to_string(),
        meaning: match below {
            true if stated => format!(
                "too fast for platters: at least {} came from elsewhere",
                percent(share, 0)
            ),
            true => KIND.into(),
            false => "as slow as platters are".into(),
        },
        says: if below {
            certain(stated, share)
        } else {
            Says::Remark
        },
        strength: Strength::Counted,
    })
}

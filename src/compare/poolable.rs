//! Which trials of a workload may stand beside each other, and why the others may not.

use super::{Excluded, Quantity};
use crate::stats::describe::median;
use crate::study::{State, Trial, baseline, commonest_submission};
use crate::units::Bytes;

/// Reading trials may be shorter or longer than usual by this factor. The mean of a steady state is
/// the same over any length, but a shorter trial strays further from it (half the length: 1.4
/// times) and sees less of the test data, of which a cache keeps more: beyond the factor trials are
/// neither equally sure nor loaded alike.
const LENGTH_FACTOR: f64 = 2.0;
/// The same where the shorter ones ended because their mean was known as well as asked: those are as
/// sure as the longer ones. No trial ends earlier than after a fifth of its time.
const PRECISE_FACTOR: f64 = 5.0;

/// The trials of one workload that may be pooled; the others go to `excluded`.
///
/// `precise` tells whether a trial ended before its time because its mean was known well enough.
///
/// The latest trial says how the workload is measured. How operations are submitted and the usual length are those of
/// the earliest phase that was measured, before the expansion as a rule, since the others are held
/// against it.
pub(super) fn poolable<'a>(
    trials: &[&'a Trial],
    latest: &Trial,
    precise: &dyn Fn(&Trial) -> bool,
    excluded: &mut Vec<Excluded>,
) -> Vec<&'a Trial> {
    let usable = sift(trials, excluded, |trial| unusable(trial, latest));
    let reference = baseline(&usable);
    let Some(submission) = commonest_submission(&reference).map(str::to_owned) else {
        return usable;
    };
    let of_submission = |trial: &&&Trial| trial.submission == submission;
    let alike: Vec<&Trial> = reference.iter().filter(of_submission).copied().collect();
    let lengths: Vec<f64> = alike.iter().map(|trial| trial.windows as f64).collect();
    let usual = median(&lengths).unwrap_or(0.0);
    let mostly = 2 * alike.iter().filter(|trial| precise(trial)).count() > alike.len();
    sift(&usable, excluded, |trial| {
        let shorter_is_precise = match (trial.windows as f64) < usual {
            true => precise(trial),
            false => mostly,
        };
        let factor = match shorter_is_precise {
            true => PRECISE_FACTOR,
            false => LENGTH_FACTOR,
        };
        other_submission(trial, &submission).or_else(|| other_length(trial, usual, factor))
    })
}

/// The trials that `why` finds nothing against.
fn sift<'a>(
    trials: &[&'a Trial],
    excluded: &mut Vec<Excluded>,
    why: impl Fn(&Trial) -> Option<String>,
) -> Vec<&'a Trial> {
    let mut kept = Vec::new();
    for &trial in trials {
        match why(trial) {
            Some(why) => excluded.push(Excluded {
                trial: trial.trial,
                why,
                failed: trial.state == State::Failed,
            }),
            None => kept.push(trial),
        }
    }
    kept
}

fn other_submission(trial: &Trial, submission: &str) -> Option<String> {
    let named = |submission: &str| match submission {
        "" => "a way that is not named".to_owned(),
        submission => submission.to_owned(),
    };
    (trial.submission != submission).then(|| {
        format!(
            "submitted by {}, where most of those it would stand beside were submitted by {}",
            named(&trial.submission),
            named(submission)
        )
    })
}

fn other_length(trial: &Trial, usual: f64, factor: f64) -> Option<String> {
    let length = trial.windows as f64;
    let alike = length <= usual * factor && usual <= length * factor;
    // What a trial writes has to be of one length to the second, which was looked at before.
    (trial.read_percent == 100 && !alike).then(|| {
        format!(
            "ran for {length} s, which differs by more than a factor of {factor} from the \
             usual {usual} s"
        )
    })
}

/// Why `trial` cannot stand beside the latest trial of its workload.
fn unusable(trial: &Trial, latest: &Trial) -> Option<String> {
    let workload = trial.as_workload();
    let (own, signature) = (workload.signature(), latest.as_workload().signature());
    match trial.state {
        State::Failed => Some(format!("failed: {}", trial.cause)),
        State::Interrupted => Some("interrupted".to_owned()),
        State::Complete if own != signature => Some(format!("measured otherwise: {own}")),
        // Another size of test data is another order and other places on the drives.
        State::Complete if trial.test_data_bytes != latest.test_data_bytes => Some(format!(
            "measured on {} of test data, where the latest trial had {}",
            Bytes(trial.test_data_bytes).iec(),
            Bytes(latest.test_data_bytes).iec()
        )),
        State::Complete if trial.direct != latest.direct => Some(
            "measured with direct I/O where the latest trial was not, or the reverse".to_owned(),
        ),
        // A short trial hides more of what it writes in a cache than a long one.
        State::Complete if trial.read_percent < 100 && trial.windows != latest.windows => {
            Some(format!(
                "ran for {} s, where the latest trial ran for {} s",
                trial.windows, latest.windows
            ))
        }
        State::Complete if !trial.rate_bytes_per_s.is_some_and(|rate| rate > 0.0) => {
            Some("moved no data while it was measured".to_owned())
        }
        State::Complete if Quantity::of(&workload).value(trial).is_none() => {
            Some("has no latency to compare".to_owned())
        }
        State::Complete => None,
    }
}

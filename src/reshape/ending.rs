//! The end of a reshape: when it was, whether one that is not mentioned any more has come to it, and
//! where readings of another pass begin.

use jiff::{SignedDuration, Timestamp};

use super::reading::{Extent, Word};
use super::readings::{Readings, Span};
use super::track::{Move, Track};

/// A reshape that is gone from its source may have finished when it would have been within this of
/// its end by now.
const NEAR_END: f64 = 0.02;
/// So many chunks may pass unseen between two readings: the one under way, and a small one of the
/// file system's own, which go last.
const UNSEEN_CHUNKS: f64 = 2.0;
/// So many of the latest movements say how fast it is now.
const LATEST: usize = 3;

/// The end of a reshape, which lies between two readings.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Ending {
    /// The last reading of it.
    pub not_before: Timestamp,
    /// The first reading that finds it done.
    pub not_after: Timestamp,
    /// When it was probably done: as its latest speed has it, between the two.
    pub at: Timestamp,
    /// Whether the source, or a person, said that it is done; else it is only not mentioned any more
    /// at a time when it would have been.
    pub told: bool,
}

impl Ending {
    /// The end, of a reshape that is known to be done. `None` where no reading shows it at work.
    pub(super) fn of<R: Readings + ?Sized>(readings: Span<'_, R>, track: &Track) -> Option<Self> {
        let worked = readings.before_run(|word| !at_work(word));
        let after = readings.behind(worked);
        let not_before = readings.up_to(worked).last()?.at;
        let not_after = after.iter().find(|r| over(r.reported.word))?.at;
        let place = track.points.iter().rfind(|point| point.at <= not_before)?;
        let latest = track.moves.iter().rfind(|m| m.ended <= not_before);
        let at = latest.and_then(|m| {
            let left = (1.0 - place.fraction).max(0.0) * m.seconds / (m.to - m.from);
            let span = SignedDuration::try_from_secs_f64(left).ok()?;
            place.at.checked_add(span).ok()
        });
        Some(Self {
            not_before,
            not_after,
            at: at.unwrap_or(not_after).max(not_before).min(not_after),
            told: after.iter().any(|r| r.reported.word == Word::Finished),
        })
    }
}

/// The source tells of the reshape.
pub(super) fn at_work(word: Word) -> bool {
    matches!(word, Word::Running | Word::Waiting | Word::Paused)
}

/// The source answers, and not of a reshape that is still to be done.
pub(super) fn over(word: Word) -> bool {
    matches!(word, Word::Finished | Word::Absent | Word::Other)
}

/// Fraction per second over the latest movements.
pub(super) fn latest_speed(moves: &[Move]) -> Option<f64> {
    let latest = &moves[moves.len().saturating_sub(LATEST)..];
    let seconds: f64 = latest.iter().map(|m| m.seconds).sum();
    let way: f64 = latest.iter().map(|m| m.to - m.from).sum();
    (seconds > 0.0).then(|| way / seconds)
}

/// Whether the source counts chunks of a file system: then it does not tell an end from a cancel.
pub(super) fn counts_chunks<R: Readings + ?Sized>(answered: Span<'_, R>) -> bool {
    let told = answered.told();
    told.is_some_and(|r| r.reported.extent == Some(Extent::Chunks))
}

/// Whether a reshape that `since` then is not mentioned any more may have come to its end: at its
/// speed it would be there by now, had it gone on since it was last seen to move. One whose end was
/// asked for has not.
pub(super) fn may_have_ended<R: Readings + ?Sized>(
    answered: Span<'_, R>,
    track: &Track,
    since: Timestamp,
) -> bool {
    let (Some(last), Some(stood)) = (track.last(), track.standing_since()) else {
        return false;
    };
    let told = answered.told();
    if told.as_ref().is_some_and(|r| r.reported.cancelled()) {
        return false;
    }
    // What counts chunks moves between its steps; what stood still for too long did not.
    let waited = last.seconds - stood.seconds;
    let seen = if waited > track.patience { last } else { stood };
    let unseen = since.duration_since(seen.at).as_secs_f64().max(0.0);
    let ahead = last.fraction + speed(track).unwrap_or(0.0) * unseen;
    // The number of chunks is an estimate, and the last of them differ in size.
    let slack = told
        .filter(|r| r.reported.extent == Some(Extent::Chunks))
        .and_then(|r| r.reported.total)
        .map_or(0.0, |total| UNSEEN_CHUNKS / total.max(2.0 * UNSEEN_CHUNKS));
    ahead >= 1.0 - slack.max(NEAR_END)
}

/// The latest speed; where no whole movement was seen yet, that from the first reading to the last.
fn speed(track: &Track) -> Option<f64> {
    latest_speed(&track.moves).or_else(|| {
        let (first, last) = (track.points.first()?, track.points.last()?);
        let seconds = last.seconds - first.seconds;
        (seconds > 0.0).then(|| (last.fraction - first.fraction).max(0.0) / seconds)
    })
}

/// How many of `readings` tell of the first pass: a reading that begins anew after the end, and all
/// that follow it, tell of another. `finished` says whether the reshape is done by so many readings.
pub(super) fn first_pass<'a, R: Readings + ?Sized>(
    readings: Span<'a, R>,
    finished: impl Fn(Span<'a, R>) -> bool,
) -> usize {
    let mut over_since = None;
    // Where the reshape was before it was over.
    let mut before: Option<f64> = None;
    for (index, reading) in readings.iter().enumerate() {
        let word = reading.reported.word;
        if over(word) {
            over_since = over_since.or(Some(index));
        }
        let Some(position) = reading.position().filter(|_| at_work(word)) else {
            continue;
        };
        if let Some((since, place)) = over_since.zip(before) {
            let between = readings.up_to(index).behind(since);
            let said = between.iter().any(|r| r.reported.word == Word::Finished);
            let answers = between.iter().filter(|r| over(r.reported.word)).count();
            let anew = match said {
                // A single hundred by hand may have been a slip.
                true => position < place || answers > 1,
                // A power cut near the end takes an array back a little, and a balance nowhere.
                false => {
                    let balance = reading.reported.extent == Some(Extent::Chunks);
                    let back = if balance { place } else { place / 2.0 };
                    answers > 1 && position < back
                }
            };
            if anew && finished(readings.up_to(index)) {
                return index;
            }
        }
        (over_since, before) = (None, Some(position));
    }
    readings.len()
}

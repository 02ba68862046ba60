//! In what state a reshape is, and what somebody has to do.

use jiff::Timestamp;

use super::ending::{Ending, at_work, counts_chunks, first_pass, latest_speed, may_have_ended};
use super::forecast::{Forecast, forecast};
use super::reading::{Reading, Word};
use super::readings::{Readings, Span};
use super::track::{Move, Point, Track};
use super::work::{Hours, Model, Zones};
use crate::stats::describe::median;
use crate::stats::quantile::{Definition, quantile};

/// So many readings in a row without an answer, and its track is lost.
const SILENCE: usize = 3;
/// A reshape is gone when so many answers in a row do not mention it.
const CONFIRMED: usize = 2;
/// Below this part of its usual speed a reshape is slowing.
const SLOW: f64 = 0.5;
/// So many of the latest movements say how fast it is now.
const LATEST: usize = 3;
/// The usual speed needs so many movements before those.
const USUAL: usize = 4;
/// Reads beyond the reshape's own count as those of others from this part of its usual own on.
const OTHERS: f64 = 0.5;

/// The state of a reshape.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum State {
    /// It has not begun.
    Waiting,
    /// It moves.
    Moving,
    /// It moves at less than half of its usual speed.
    Slowing,
    /// It is held, or waits for its turn.
    Paused,
    /// It should move and does not.
    Stalled,
    /// It is done.
    Finished,
    /// No balance runs any more, and nothing tells whether it was done or cancelled.
    Ended,
    /// Nobody knows: no answers, or it is gone before its end.
    Lost,
}

impl State {
    /// All of them.
    pub const ALL: [Self; 8] = [
        Self::Waiting,
        Self::Moving,
        Self::Slowing,
        Self::Paused,
        Self::Stalled,
        Self::Finished,
        Self::Ended,
        Self::Lost,
    ];

    /// The word used in texts.
    pub fn word(self) -> &'static str {
        match self {
            Self::Waiting => "waiting",
            Self::Moving => "moving",
            Self::Slowing => "slowing",
            Self::Paused => "paused",
            Self::Stalled => "stalled",
            Self::Finished => "finished",
            Self::Ended => "ended",
            Self::Lost => "lost",
        }
    }
}

/// What somebody has to know; each has one thing to do, which may be nothing.
#[derive(Clone, Debug, PartialEq)]
pub enum Alarm {
    /// Reads of others take priority, so it slows or stands.
    OthersFirst,
    /// It goes at this part of its usual speed, and why is not known.
    Slow(f64),
    /// It does not move.
    Stalled,
    /// It waits for its turn, as the source says.
    Waits(String),
    /// It is held, as the source says.
    Held(String),
    /// It went back to an earlier position.
    WentBack {
        /// Fraction before.
        from: f64,
        /// Fraction after.
        to: f64,
    },
    /// It was here, and is not mentioned any more.
    Gone(f64),
    /// It was here, runs no more, and was done or cancelled.
    Unsettled(f64),
    /// The source gives no answers, for this reason.
    NoAnswer(String),
}

impl Alarm {
    /// The words of all of them.
    pub const WORDS: [&str; 9] = [
        "others-first",
        "slow",
        "stalled",
        "waits",
        "held",
        "went-back",
        "gone",
        "unsettled",
        "no-answer",
    ];

    /// A word that tells alarms apart; a new one is raised when it changes.
    pub fn word(&self) -> &'static str {
        match self {
            Self::OthersFirst => "others-first",
            Self::Slow(_) => "slow",
            Self::Stalled => "stalled",
            Self::Waits(_) => "waits",
            Self::Held(_) => "held",
            Self::WentBack { .. } => "went-back",
            Self::Gone(_) => "gone",
            Self::Unsettled(_) => "unsettled",
            Self::NoAnswer(_) => "no-answer",
        }
    }
}

/// What all readings together say.
#[derive(Clone, Debug, PartialEq)]
pub struct Assessment {
    /// The state.
    pub state: State,
    /// Since when, as far as readings tell; of one that is done, its end.
    pub since: Timestamp,
    /// The latest reading's time.
    pub at: Timestamp,
    /// The latest position.
    pub fraction: Option<f64>,
    /// Fraction per second by the latest movements; `None` when it does not move.
    pub speed: Option<f64>,
    /// Speed that the source told last, in bytes per second.
    pub told_speed: Option<f64>,
    /// What somebody has to know.
    pub alarm: Option<Alarm>,
    /// When it will be done; `None` when it does not move or too little was seen.
    pub forecast: Option<Forecast>,
    /// When it was done; `None` before that, and where no reading showed it at work.
    pub ending: Option<Ending>,
    /// What runs now, after the end; it has no part in all the others.
    pub another: Option<Another>,
    /// Readings with their accidents set apart.
    pub track: Track,
}

/// Another pass, after the reshape was done: a balance or a reshape of its own.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Another {
    /// Its first reading.
    pub since: Timestamp,
    /// The position that was read of it last.
    pub fraction: Option<f64>,
    /// Whether it was still at work at the latest reading.
    pub at_work: bool,
    /// How many readings there were before it.
    pub from: usize,
}

/// Assesses `readings`, in the order in which they were made; `None` when there are none. Zones and
/// hours as for [`forecast`].
pub fn assess<R: Readings + ?Sized>(
    readings: &R,
    zones: Option<Zones>,
    hours: Option<&Hours>,
) -> Option<Assessment> {
    let readings = Span::of(readings);
    let done = |readings: Span<'_, R>| {
        let verdict = Verdict::of(readings, &Track::over(readings), zones);
        verdict.state == State::Finished
    };
    let first = first_pass(readings, done);
    let (own, later) = (readings.up_to(first), readings.behind(first));
    let latest = own.last()?;
    let track = Track::over(own);
    let Verdict {
        state,
        since,
        alarm,
    } = Verdict::of(own, &track, zones);
    let moves = matches!(state, State::Moving | State::Slowing);
    let forecast = moves.then(|| forecast(&track, zones, hours)).flatten();
    let ended = state == State::Finished;
    let ending = ended.then(|| Ending::of(own, &track)).flatten();
    Some(Assessment {
        state,
        since: ending.map_or(since, |ending| ending.at),
        at: later.last().unwrap_or(latest).at,
        fraction: track.last().map(|point| point.fraction),
        speed: latest_speed(&track.moves).filter(|_| moves),
        told_speed: own.told().and_then(|r| r.reported.speed).filter(|_| moves),
        alarm,
        forecast,
        ending,
        another: Another::of(later, own.len()),
        track,
    })
}

impl Another {
    fn of<R: Readings + ?Sized>(later: Span<'_, R>, from: usize) -> Option<Self> {
        let since = later.first()?.at;
        let answered = later.before_run(|word| word == Word::Unreadable);
        Some(Self {
            since,
            fraction: later.told().and_then(|r| r.position()),
            at_work: later
                .up_to(answered)
                .last()
                .is_some_and(|r| at_work(r.reported.word)),
            from,
        })
    }
}

struct Verdict {
    state: State,
    since: Timestamp,
    alarm: Option<Alarm>,
}

impl Verdict {
    /// By `readings`, of which there is at least one.
    fn of<R: Readings + ?Sized>(
        readings: Span<'_, R>,
        track: &Track,
        zones: Option<Zones>,
    ) -> Self {
        let answered = readings.up_to(readings.before_run(|word| word == Word::Unreadable));
        let silent = readings.behind(answered.len());
        let Some(latest) = answered.last().filter(|_| silent.len() < SILENCE) else {
            let first = silent.first().expect("there is a reading");
            let why = silent.last().map(|r| r.reported.note.clone());
            return Self {
                state: State::Lost,
                since: first.at,
                alarm: Some(Alarm::NoAnswer(why.unwrap_or_default())),
            };
        };
        let note = latest.reported.note.clone();
        // Since the first of those at the end that say the same.
        let since = |state: State, word: Word, alarm| {
            let run = answered.behind(answered.before_run(|of| of == word));
            let since = run.first().map_or(latest.at, |first| first.at);
            Self {
                state,
                since,
                alarm,
            }
        };
        match latest.reported.word {
            Word::Finished => since(State::Finished, Word::Finished, None),
            Word::Absent | Word::Other => Self::without_reshape(answered, track, zones),
            Word::Paused => since(State::Paused, Word::Paused, Some(Alarm::Held(note))),
            Word::Waiting if track.moves.is_empty() => since(State::Waiting, Word::Waiting, None),
            Word::Waiting => since(State::Paused, Word::Waiting, Some(Alarm::Waits(note))),
            Word::Running | Word::Unreadable => Self::running(&latest, track, zones),
        }
    }

    /// Nothing is said of a reshape: not begun, done, or gone.
    fn without_reshape<R: Readings + ?Sized>(
        answered: Span<'_, R>,
        track: &Track,
        zones: Option<Zones>,
    ) -> Self {
        let gone = answered.before_run(|word| matches!(word, Word::Absent | Word::Other));
        let (before, gone) = (answered.up_to(gone), answered.behind(gone));
        let since = gone.first().expect("the latest is of them").at;
        let finished = before.before_run(|word| word == Word::Finished) < before.len();
        let Some(last) = track.last() else {
            return Self {
                state: State::Waiting,
                since,
                alarm: None,
            };
        };
        if finished || may_have_ended(answered, track, since) {
            return Self {
                state: State::Finished,
                since,
                alarm: None,
            };
        }
        if gone.len() < CONFIRMED && before.len() > 0 {
            // One such answer may come from a text that was cut off.
            return Self::of(before, track, zones);
        }
        let (state, alarm) = match counts_chunks(answered) {
            // `btrfs balance status` says the same of one that is done and one that was cancelled.
            true => (State::Ended, Alarm::Unsettled(last.fraction)),
            false => (State::Lost, Alarm::Gone(last.fraction)),
        };
        Self {
            state,
            since,
            alarm: Some(alarm),
        }
    }

    fn running(latest: &Reading, track: &Track, zones: Option<Zones>) -> Self {
        let moving = |since| Self {
            state: State::Moving,
            since,
            alarm: None,
        };
        let (Some(last), Some(stood)) = (track.last(), track.standing_since()) else {
            return moving(latest.at);
        };
        let still = last.seconds - stood.seconds;
        let told_still = last.still && (still > 0.0 || track.points.len() == 1);
        if told_still || still > track.patience {
            let others = others_read(track, stood, last);
            return Self {
                state: State::Stalled,
                since: stood.at,
                alarm: Some(if others {
                    Alarm::OthersFirst
                } else {
                    Alarm::Stalled
                }),
            };
        }
        let first = track.points.iter().find(|point| !point.held);
        let began = first.map_or(last.at, |point| point.at);
        if let Some(jump) = track.jumps.last() {
            let after = track.moves.iter().filter(|m| m.began >= jump.at).count();
            // Until it has shown that it goes on.
            if after < USUAL {
                return Self {
                    state: State::Moving,
                    since: jump.at,
                    alarm: Some(Alarm::WentBack {
                        from: jump.from,
                        to: jump.to,
                    }),
                };
            }
        }
        match slow(&track.moves, zones) {
            Some((part, since)) => {
                let from = track.points.iter().find(|p| p.at >= since).unwrap_or(last);
                let others = others_read(track, from, last);
                Self {
                    state: State::Slowing,
                    since,
                    alarm: Some(if others {
                        Alarm::OthersFirst
                    } else {
                        Alarm::Slow(part)
                    }),
                }
            }
            None => moving(began),
        }
    }
}

/// The part of its usual speed at which it goes, and since when, if that is slow. Zones are reckoned
/// with, so that inner tracks alarm nobody.
fn slow(moves: &[Move], zones: Option<Zones>) -> Option<(f64, Timestamp)> {
    let model = Model::new(zones, 1.0);
    // Past the end that a source expects, nothing is known of the way.
    let moves = &moves[..moves.partition_point(|m| m.to < 1.0)];
    let speeds: Vec<f64> = moves
        .iter()
        .map(|m| (model.work(m.to) - model.work(m.from)) / m.seconds)
        .collect();
    if speeds.len() < LATEST + USUAL {
        return None;
    }
    let usual = median(&speeds[..speeds.len() - LATEST])?;
    let now = median(&speeds[speeds.len() - LATEST..])?;
    let first = speeds.iter().rposition(|speed| *speed >= SLOW * usual);
    let since = moves
        .get(first.map_or(0, |index| index + 1))
        .map(|m| m.began);
    (now < SLOW * usual).then(|| {
        (
            now / usual,
            since.unwrap_or(moves[moves.len() - LATEST].began),
        )
    })
}

/// Whether the member drives read much more since `from` than the reshape needs.
///
/// What it needs by itself is taken from its quietest movements: a tenth of them needed less for
/// their way.
fn others_read(track: &Track, from: &Point, to: &Point) -> bool {
    let reads = |m: &Move| Some((m.members_read? as f64, m.to - m.from, m.seconds));
    let before: Vec<(f64, f64, f64)> = track
        .moves
        .iter()
        .filter(|m| m.ended <= from.at)
        .filter_map(reads)
        .collect();
    let mut needs: Vec<f64> = before.iter().map(|(bytes, way, _)| bytes / way).collect();
    let paces: Vec<f64> = before
        .iter()
        .map(|(_, way, seconds)| way / seconds)
        .collect();
    needs.sort_unstable_by(f64::total_cmp);
    let need = quantile(&needs, 0.1, Definition::Linear);
    let Some((need, pace)) = need.zip(median(&paces)) else {
        return false;
    };
    let seen = to.members_read.zip(from.members_read);
    let Some(bytes) = seen.and_then(|(now, then)| now.checked_sub(then)) else {
        return false;
    };
    let seconds = to.seconds - from.seconds;
    let own = need * (to.fraction - from.fraction).max(0.0);
    seconds > 0.0 && (bytes as f64 - own) / seconds > OTHERS * need * pace
}

#[cfg(test)]
mod tests;

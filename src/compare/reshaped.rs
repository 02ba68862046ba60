//! The reshape as its readings tell it: since when it was followed, how fast it went at any time, and
//! when it was done.

use jiff::{SignedDuration, Timestamp};

use crate::reshape::{Reading, State, Track, Word, assess};
use crate::study::{ProgressRow, Study};

/// A span shorter than this, in seconds, has no speed of its own.
const SHORTEST: f64 = 60.0;

/// A reshape that was followed.
#[derive(Clone, Debug)]
pub struct Reshaped {
    /// All readings, in the order in which they were made.
    pub readings: Vec<Reading>,
    /// Readings with their accidents set apart.
    pub track: Track,
    /// The first reading that tells a position.
    pub began: Timestamp,
    /// The position that it tells.
    pub from: f64,
    /// The latest moment of which readings tell: its end, or the latest reading.
    pub until: Timestamp,
    /// When it was done, where that was read.
    pub ending: Option<Ending>,
    /// Way over time: begin and end of each stretch, and its part of the whole.
    stretches: Vec<Stretch>,
    /// Whether neither their begins nor their ends go back.
    ordered: bool,
}

/// Begin, end, and the part of the whole between them.
type Stretch = (Timestamp, Timestamp, f64);

/// The end of a reshape, which lies between two readings.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Ending {
    /// The last reading of it.
    pub not_before: Timestamp,
    /// The first reading that finds it done.
    pub not_after: Timestamp,
    /// When it was probably done: as its latest speed has it, between the two.
    pub at: Timestamp,
}

impl Reshaped {
    /// What the readings of `study` tell; `None` where none tells a position.
    pub fn of(study: &Study) -> Option<Self> {
        let readings: Vec<Reading> = study.progress.iter().map(ProgressRow::reading).collect();
        let seen = assess(&readings, study.config.zones(), None)?;
        let track = seen.track;
        let first = *track.points.first()?;
        let mut stretches: Vec<Stretch> = track
            .moves
            .iter()
            .map(|m| (m.began, m.ended, m.to - m.from))
            .collect();
        let ending = (seen.state == State::Finished)
            .then(|| ending(&readings, &track))
            .flatten();
        if let Some((ending, last)) = ending.zip(track.last()) {
            let left = 1.0 - last.fraction;
            if left > 0.0 && ending.at > last.at {
                stretches.push((last.at, ending.at, left));
            }
        }
        let latest = track.last().map_or(first.at, |last| last.at);
        Some(Self {
            began: first.at,
            from: first.fraction,
            until: ending.map_or(latest, |ending| ending.at),
            ending,
            ordered: stretches.is_sorted_by(|a, b| a.0 <= b.0 && a.1 <= b.1),
            stretches,
            track,
            readings,
        })
    }

    /// Hours from the first reading to the end; `None` before the end.
    pub fn hours(&self) -> Option<f64> {
        let ending = self.ending?;
        Some(ending.at.duration_since(self.began).as_secs_f64() / 3600.0)
    }

    /// The mean speed from `from` to `to` in parts of the whole an hour, time in which it stood
    /// included. `None` where readings cover less than half of that span, or less than a minute.
    pub fn speed(&self, from: Timestamp, to: Timestamp) -> Option<f64> {
        let span = |from: Timestamp, to: Timestamp| to.duration_since(from).as_secs_f64();
        let asked = span(from, to);
        let (from, to) = (from.max(self.began), to.min(self.until));
        let covered = span(from, to);
        if covered < SHORTEST || covered < asked / 2.0 {
            return None;
        }
        let way: f64 = self
            .during(from, to)
            .map(|(began, ended, way)| {
                let inside = span((*began).max(from), (*ended).min(to)).max(0.0);
                let length = span(*began, *ended);
                if length > 0.0 {
                    way * inside / length
                } else {
                    0.0
                }
            })
            .sum();
        Some(way / covered * 3600.0)
    }

    /// The stretches that may have a part between `from` and `to`. A clock that was set back leaves them
    /// out of order: then that is all of them.
    fn during(&self, from: Timestamp, to: Timestamp) -> impl Iterator<Item = &Stretch> {
        let (first, last) = match self.ordered {
            true => (
                self.stretches.partition_point(|stretch| stretch.1 <= from),
                self.stretches.partition_point(|stretch| stretch.0 < to),
            ),
            false => (0, self.stretches.len()),
        };
        self.stretches[first.min(last)..last].iter()
    }
}

/// The end, of a reshape that is known to be done.
fn ending(readings: &[Reading], track: &Track) -> Option<Ending> {
    let runs = |reading: &Reading| {
        matches!(
            reading.reported.word,
            Word::Running | Word::Waiting | Word::Paused
        )
    };
    let last = readings.iter().rposition(runs)?;
    let done = |reading: &&Reading| {
        let word = reading.reported.word;
        matches!(word, Word::Finished | Word::Absent | Word::Other)
    };
    let not_after = readings[last + 1..].iter().find(done)?.at;
    let not_before = readings[last].at;
    let place = track.points.iter().rfind(|point| point.at <= not_before)?;
    let latest = track.moves.iter().rfind(|m| m.ended <= not_before);
    let at = latest.and_then(|m| {
        let left = (1.0 - place.fraction).max(0.0) * m.seconds / (m.to - m.from);
        let span = SignedDuration::try_from_secs_f64(left).ok()?;
        place.at.checked_add(span).ok()
    });
    Some(Ending {
        not_before,
        not_after,
        at: at.unwrap_or(not_after).max(not_before).min(not_after),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::compare::scene::{START, at, reshaping};
    use crate::reshape::Word;

    /// Two percent an hour from 0 to 10 %, one hour held, then four percent an hour: 50 in all of
    /// hours are 5 + 1 + 22.5.
    #[test]
    fn speeds_and_the_end_are_those_that_were_made() {
        let study = reshaping(|hour| match hour {
            h if h < 5.0 => (0.02 * h, Word::Running),
            h if h < 6.0 => (0.1, Word::Paused),
            h if h < 28.5 => (0.1 + 0.04 * (h - 6.0), Word::Running),
            _ => (1.0, Word::Finished),
        });
        let seen = Reshaped::of(&study).unwrap();
        assert_eq!((seen.began, seen.from), (START.parse().unwrap(), 0.0));
        assert!((seen.hours().unwrap() - 28.5).abs() < 0.02, "{seen:?}");
        let speed = |from, to| seen.speed(at(from), at(to));
        assert!((speed(1.0, 2.0).unwrap() - 0.02).abs() < 1e-9);
        assert!((speed(10.0, 20.0).unwrap() - 0.04).abs() < 1e-9);
        // The move that a pause begins or ends in is short of it by a reading at most.
        assert!(speed(5.2, 5.8).unwrap() < 1e-9);
        assert!((speed(4.0, 7.0).unwrap() - 0.02).abs() < 2e-3);
        // Before the first reading and after the end nothing is known.
        assert_eq!(speed(-3.0, -1.0), None);
        assert_eq!(speed(28.4, 30.0), None);
        assert_eq!(speed(4.0, 4.01), None);
    }

    #[test]
    fn a_reshape_that_runs_has_no_end_and_one_that_nobody_read_is_unknown() {
        let study = reshaping(|hour| ((0.02 * hour).min(0.5), Word::Running));
        let seen = Reshaped::of(&study).unwrap();
        assert_eq!((seen.hours(), seen.ending), (None, None));
        let study = reshaping(|_| (0.0, Word::Unreadable));
        assert!(Reshaped::of(&study).is_none());
    }

    #[test]
    fn an_end_that_nobody_watched_lies_between_its_readings() {
        let mut study = reshaping(|hour| match hour {
            h if h < 20.0 => (0.05 * h, Word::Running),
            _ => (1.0, Word::Absent),
        });
        // From 16 h on nobody looked until 24 h.
        let unseen = at(16.0)..at(24.0);
        study.progress.retain(|row| !unseen.contains(&row.at));
        for row in &mut study.progress {
            row.fraction = row.fraction.filter(|_| row.state == Word::Running);
        }
        let ending = Reshaped::of(&study).unwrap().ending.unwrap();
        assert!(ending.not_before < at(16.0) && ending.not_after >= at(24.0));
        let off = ending.at.duration_since(at(20.0)).as_secs_f64().abs();
        assert!(off < 120.0, "{ending:?}");
    }
}

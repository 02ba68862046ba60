//! The reshape as its readings tell it: since when it was followed, how fast it went at any time, and
//! when it was done.

use std::borrow::Cow;

use jiff::Timestamp;

use crate::reshape::{Ending, Move, Reading, Span, Track, assess};
use crate::study::{Packed, ProgressRow, Study};

/// A span shorter than this, in seconds, has no speed of its own.
const SHORTEST: f64 = 60.0;
/// A reshape that was first read beyond this part of it was not followed from its begin,
const BEGIN: f64 = 0.02;
/// unless the begin lies within this part of its time, after a reading that nothing ran yet: one that counts
/// few chunks has its first position far along.
const GAP: f64 = 0.1;

/// A reshape that was followed.
#[derive(Clone, Debug)]
pub struct Reshaped {
    /// So many of the study's readings, in front, are of it; the others of a later pass.
    pub count: usize,
    /// Readings with their accidents set apart; its moves have become stretches.
    pub track: Track,
    /// The first reading that tells a position.
    pub began: Timestamp,
    /// The position that it tells.
    pub from: f64,
    /// The latest reading that told that it had not begun.
    pub idle: Option<Timestamp>,
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

impl Reshaped {
    /// What the readings of `study` tell; `None` where none tells a position.
    pub fn of(study: &Study) -> Option<Self> {
        let seen = assess(&study.progress, study.config.zones(), None)?;
        let count = seen.another.map(|another| another.from);
        let count = count.unwrap_or_else(|| study.progress.len());
        let (mut track, ending) = (seen.track, seen.ending);
        if let Some(ending) = ending {
            // That it was done may have been found, or said by hand, long after it was.
            track.points.retain(|point| point.at <= ending.at);
            track.moves.retain(|m| m.ended <= ending.at);
        }
        let moves = std::mem::take(&mut track.moves);
        let first = *track.points.first()?;
        let stretch = |m: Move| (m.began, m.ended, m.to - m.from);
        let mut stretches: Vec<Stretch> = moves.into_iter().map(stretch).collect();
        stretches.shrink_to_fit();
        if let Some((ending, last)) = ending.zip(track.last()) {
            let left = 1.0 - last.fraction;
            if left > 0.0 && ending.at > last.at {
                stretches.push((last.at, ending.at, left));
            }
        }
        let latest = track.last().map_or(first.at, |last| last.at);
        let ahead = |reading: &Cow<'_, Reading>| {
            reading.position() != Some(first.fraction) || reading.at != first.at
        };
        let idle = |reading: &Cow<'_, Reading>| reading.reported.word.is_idle();
        let readings = Span::of(&study.progress).up_to(count);
        Some(Self {
            began: first.at,
            from: first.fraction,
            idle: readings
                .iter()
                .take_while(ahead)
                .filter(idle)
                .last()
                .map(|reading| reading.at),
            until: ending.map_or(latest, |ending| ending.at),
            ending,
            ordered: stretches.is_sorted_by(|a, b| a.0 <= b.0 && a.1 <= b.1),
            stretches,
            track,
            count,
        })
    }

    /// All readings of it in `study`, of which it was made, in the order in which they were made.
    pub fn readings<'a>(&self, study: &'a Study) -> Span<'a, Packed<ProgressRow>> {
        Span::of(&study.progress).up_to(self.count)
    }

    /// When it began; `None` where it was not read soon enough to tell.
    pub fn begun(&self) -> Option<Timestamp> {
        if self.from <= BEGIN {
            return Some(self.began);
        }
        let span = |from: Timestamp, to: Timestamp| to.duration_since(from).as_secs_f64();
        let gap = |idle: &Timestamp| span(*idle, self.began) <= GAP * span(*idle, self.until);
        self.idle.filter(gap)
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

    /// A person says hours later that it is done, and a month later a balance of maintenance runs.
    #[test]
    fn what_is_said_or_runs_later_moves_no_end() {
        let mut study = reshaping(|hour| match hour {
            h if h < 10.0 => (0.06 * h, Word::Running),
            _ => (1.0, Word::Absent),
        });
        study.progress.retain(|row| row.at < at(11.0));
        study.progress.change(|_, row| {
            row.fraction = row.fraction.filter(|_| row.state == Word::Running);
        });
        let mut said = study.progress.first().unwrap();
        (said.at, said.elapsed_s) = (at(15.0), None);
        (said.state, said.fraction) = (Word::Finished, Some(1.0));
        study.progress.push(said.clone());
        let first = Reshaped::of(&study).unwrap();
        let ending = first.ending.unwrap();
        assert!(ending.at >= at(9.9) && ending.at <= at(10.1), "{ending:?}");
        assert_eq!(first.until, ending.at);
        assert!(first.track.points.iter().all(|point| point.at <= ending.at));
        for (hours, fraction) in [(800.0, 0.1), (800.5, 0.2), (801.0, 0.3)] {
            let mut row = said.clone();
            row.at = at(hours);
            (row.state, row.fraction) = (Word::Running, Some(fraction));
            study.progress.push(row);
        }
        let later = Reshaped::of(&study).unwrap();
        assert_eq!((later.ending, later.until), (first.ending, first.until));
        assert_eq!(later.track, first.track);
        assert_eq!(later.count, first.count);
    }

    /// A balance of six chunks: nothing runs until 2 h, five minutes later one chunk is done. Or nobody
    /// looked for three hours before the first chunk was seen.
    #[test]
    fn a_first_position_far_along_has_a_begin_where_nothing_ran_shortly_before() {
        let chunks = |hour: f64| match hour {
            h if h < 2.05 => (0.0, Word::Absent),
            h if h < 7.0 => ((h - 1.0).floor() / 6.0, Word::Running),
            _ => (1.0, Word::Finished),
        };
        let mut study = reshaping(|hour| (chunks(hour).0.max(1.0 / 6.0), chunks(hour).1));
        study.progress.change(|_, row| {
            row.fraction = row.fraction.filter(|_| row.state != Word::Absent);
        });
        let seen = Reshaped::of(&study).unwrap();
        assert!((seen.from - 1.0 / 6.0).abs() < 1e-9);
        assert_eq!(seen.begun(), Some(at(2.0)));
        let hours = seen.hours().unwrap();
        assert!((hours - 5.0).abs() < 0.1, "{hours}");
        let unseen = at(0.5)..at(3.0);
        study.progress.retain(|row| !unseen.contains(&row.at));
        let late = Reshaped::of(&study).unwrap();
        assert_eq!(late.begun(), None);
        let hours = late.hours().unwrap();
        assert!((hours - 4.0).abs() < 0.1, "{hours}");
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
        study.progress.change(|_, row| {
            row.fraction = row.fraction.filter(|_| row.state == Word::Running);
        });
        let ending = Reshaped::of(&study).unwrap().ending.unwrap();
        assert!(ending.not_before < at(16.0) && ending.not_after >= at(24.0));
        let off = ending.at.duration_since(at(20.0)).as_secs_f64().abs();
        assert!(off < 120.0, "{ending:?}");
    }
}

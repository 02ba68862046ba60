//! Which readings count, and how long the reshape really moved between them.

use jiff::Timestamp;

use super::reading::{Extent, Word};
use super::readings::{Readings, Span};
use crate::stats::describe::median;

/// Wall clocks that differ by less than this from the steady one were not set, only slewed.
const CLOCK_STEP: f64 = 2.0;
/// A reshape that has not moved for so long stands, whatever its source says of it.
const STANDING: f64 = 600.0;
/// So many usual times between two movements without one say that it stands: a source that counts
/// chunks, or prints one decimal, shows no movement for a while.
const PATIENCE: f64 = 5.0;
/// A latest reading that lies so many times as far ahead as usual waits for the next to confirm it.
const LEAP: f64 = 20.0;

/// A reading that tells a position.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Point {
    /// When, by the watching machine's clock.
    pub at: Timestamp,
    /// Seconds since the first reading, with steps of the clock taken out.
    pub seconds: f64,
    /// Part that is done.
    pub fraction: f64,
    /// Whether the source called it held or waiting.
    pub held: bool,
    /// Whether the source called its speed zero.
    pub still: bool,
    /// Bytes read from all member drives, a counter.
    pub members_read: Option<u64>,
    /// Whether the way to the next point has an unknown length in time.
    pub broken: bool,
    /// Whether the source counts steps, and may have reached this one at any time before.
    pub stepwise: bool,
}

/// The watching machine's clock was set between two readings.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ClockStep {
    /// The reading after it, by the new time.
    pub at: Timestamp,
    /// Forward, in seconds; negative for back.
    pub seconds: f64,
}

/// The position went back, as it does when an array is stopped and assembled again.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Jump {
    /// The first reading after it.
    pub at: Timestamp,
    /// Fraction before.
    pub from: f64,
    /// Fraction after.
    pub to: f64,
}

/// A stretch over which the position advanced.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Move {
    /// Fraction at its start.
    pub from: f64,
    /// Fraction at its end.
    pub to: f64,
    /// When it began.
    pub began: Timestamp,
    /// When it ended.
    pub ended: Timestamp,
    /// Time in which it moved, in seconds.
    pub seconds: f64,
    /// Bytes read from all member drives meanwhile.
    pub members_read: Option<u64>,
}

/// What readings tell when their accidents are set apart.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Track {
    /// Readings that count, in order.
    pub points: Vec<Point>,
    /// Movements, in order.
    pub moves: Vec<Move>,
    /// Readings left out because no other agrees with them.
    pub corrupt: Vec<Point>,
    /// Steps of the watching machine's clock.
    pub clock_steps: Vec<ClockStep>,
    /// Jumps backwards.
    pub jumps: Vec<Jump>,
    /// Seconds in which it stood still or was held.
    pub standing: f64,
    /// Longer than this, in seconds, and a reshape that does not move stands.
    pub patience: f64,
}

impl Track {
    /// The track of `readings`, which are in the order in which they were made.
    pub fn of<R: Readings + ?Sized>(readings: &R) -> Self {
        Self::over(Span::of(readings))
    }

    /// The track of some of them.
    pub(super) fn over<R: Readings + ?Sized>(readings: Span<'_, R>) -> Self {
        let mut track = Self::default();
        let points = track.timeline(readings);
        track.keep_plausible(points);
        track.patience = patience(&track.points);
        track.walk();
        track
    }

    /// The latest reading with a position.
    pub fn last(&self) -> Option<&Point> {
        self.points.last()
    }

    /// The reading since which it could have moved and did not: the first at the position of now, or
    /// the first after it was last held there.
    pub fn standing_since(&self) -> Option<&Point> {
        let last = self.points.last()?;
        let other = self
            .points
            .iter()
            .rposition(|p| p.fraction != last.fraction || p.held);
        let first = other.map_or(0, |index| index + 1);
        self.points.get(first.min(self.points.len() - 1))
    }

    /// Puts readings on an axis of time that nobody sets.
    fn timeline<R: Readings + ?Sized>(&mut self, readings: Span<'_, R>) -> Vec<Point> {
        let mut points: Vec<Point> = Vec::new();
        let mut seconds = 0.0;
        let mut before: Option<Timestamp> = None;
        for reading in readings.iter() {
            if let Some(before) = before {
                let wall = reading.at.duration_since(before).as_secs_f64();
                let step = reading.elapsed.map_or(0.0, |elapsed| wall - elapsed);
                if step.abs() > CLOCK_STEP {
                    self.clock_steps.push(ClockStep {
                        at: reading.at,
                        seconds: step,
                    });
                }
                if reading.elapsed.is_none() && wall < 0.0 {
                    // The clock went back while nobody watched: how long that was is not known.
                    self.clock_steps.push(ClockStep {
                        at: reading.at,
                        seconds: wall,
                    });
                    points
                        .iter_mut()
                        .last()
                        .into_iter()
                        .for_each(|p| p.broken = true);
                }
                seconds += reading.elapsed.unwrap_or(wall).max(0.0);
            }
            before = Some(reading.at);
            if let Some(fraction) = reading.position() {
                points.push(Point {
                    at: reading.at,
                    seconds,
                    fraction,
                    held: matches!(reading.reported.word, Word::Paused | Word::Waiting),
                    still: reading.reported.speed == Some(0.0),
                    members_read: reading.members_read,
                    broken: false,
                    stepwise: reading.reported.extent == Some(Extent::Chunks),
                });
            }
        }
        points
    }

    /// Leaves out single readings that lie beyond both of their neighbours, while those agree with
    /// each other; and a latest reading far ahead of all, until the next agrees with it.
    fn keep_plausible(&mut self, mut points: Vec<Point>) {
        // Those that are kept move to the front, in place: they may be very many.
        let mut kept = 0;
        for index in 0..points.len() {
            let point = points[index];
            let next = points.get(index + 1);
            let alone = match (points[..kept].last(), next) {
                (Some(before), Some(next)) => {
                    let agree = next.fraction >= before.fraction;
                    let beyond = point.fraction > next.fraction || point.fraction < before.fraction;
                    agree && beyond
                }
                (Some(before), None) => leaps(&points[..kept], before, &point),
                // The very first: a fall to the second that later ones go on from.
                (None, Some(next)) => {
                    let onwards = points.get(index + 2);
                    onwards.is_some_and(|third| {
                        third.fraction >= next.fraction
                            && point.fraction > third.fraction
                            && points.iter().skip(1).all(|p| p.fraction < point.fraction)
                    }) && points.len() > 3
                }
                (None, None) => false,
            };
            if alone {
                self.corrupt.push(point);
            } else {
                points[kept] = point;
                kept += 1;
            }
        }
        points.truncate(kept);
        self.points = points;
    }

    /// Finds movements, jumps, and time without movement.
    fn walk(&mut self) {
        let Some(mut start) = self.points.first().copied() else {
            return;
        };
        let (mut held, mut latest) = (0.0, start);
        // A step that was there when it was first looked at began at an unknown time.
        let mut begun = !start.stepwise;
        for point in self.points.iter().skip(1) {
            let span = point.seconds - latest.seconds;
            held += if latest.held || point.held { span } else { 0.0 };
            if latest.broken || point.fraction < start.fraction {
                if point.fraction < start.fraction {
                    let (at, from, to) = (point.at, start.fraction, point.fraction);
                    self.jumps.push(Jump { at, from, to });
                }
                (start, held, begun) = (*point, 0.0, !point.stepwise);
            } else if point.fraction > start.fraction {
                let all = point.seconds - start.seconds;
                // Of a long stand, only the last stretch may have seen movement.
                let stood = latest.seconds - start.seconds;
                let still = if stood > self.patience { stood } else { 0.0 };
                let moving = (all - held.max(still)).max(0.0);
                self.standing += all - moving;
                if moving > 0.0 && begun {
                    let began = if still > 0.0 { &latest } else { &start };
                    self.moves.push(Move {
                        from: start.fraction,
                        to: point.fraction,
                        began: began.at,
                        ended: point.at,
                        seconds: moving,
                        members_read: point
                            .members_read
                            .zip(start.members_read)
                            .and_then(|(now, then)| now.checked_sub(then)),
                    });
                }
                (start, held, begun) = (*point, 0.0, true);
            }
            latest = *point;
        }
        // What it stands now counts once it is longer than patience, or held.
        let stood = latest.seconds - start.seconds;
        self.standing += held.max(if stood > self.patience { stood } else { 0.0 });
    }
}

/// Whether the latest point lies further ahead than anything usual explains.
fn leaps(points: &[Point], before: &Point, point: &Point) -> bool {
    let speeds: Vec<f64> = points
        .windows(2)
        .filter(|w| w[1].fraction > w[0].fraction && w[1].seconds > w[0].seconds)
        .map(|w| (w[1].fraction - w[0].fraction) / (w[1].seconds - w[0].seconds))
        .collect();
    let span = point.seconds - before.seconds;
    match median(&speeds) {
        Some(usual) if speeds.len() >= 3 && span > 0.0 => {
            (point.fraction - before.fraction) / span > LEAP * usual
        }
        _ => false,
    }
}

/// How long it may stand before that means something: the usual time between two movements, five
/// times, and ten minutes at least.
fn patience(points: &[Point]) -> f64 {
    let mut spans = Vec::new();
    let mut start: Option<&Point> = None;
    for point in points {
        match start {
            Some(before) if point.fraction > before.fraction => {
                spans.push(point.seconds - before.seconds);
                start = Some(point);
            }
            Some(before) if point.fraction == before.fraction => {}
            _ => start = Some(point),
        }
    }
    (PATIENCE * median(&spans).unwrap_or(0.0)).max(STANDING)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reshape::reading::{Reading, Reported};

    const START: &str = "2026-03-02T08:00:00Z";

    /// Readings every five minutes at the given percentages.
    fn readings(percents: &[f64]) -> Vec<Reading> {
        let start: Timestamp = START.parse().unwrap();
        let reading = |(index, percent): (i64, &f64)| {
            let reported = Reported {
                fraction: Some(percent / 100.0),
                ..Reported::bare(Word::Running, "")
            };
            let at = start + jiff::SignedDuration::from_secs(300 * index);
            let elapsed = (index > 0).then_some(300.0);
            Reading {
                elapsed,
                ..Reading::of(at, reported)
            }
        };
        (0..).zip(percents).map(reading).collect()
    }

    fn corrupt(percents: &[f64]) -> usize {
        Track::of(&readings(percents)).corrupt.len()
    }

    #[test]
    fn a_single_corrupt_reading_is_left_out_wherever_it_stands() {
        for (percents, left_out) in [
            (vec![1.0, 2.0, 90.0, 3.0, 4.0], 1),
            (vec![1.0, 2.0, 0.0, 3.0, 4.0], 1),
            (vec![90.0, 2.0, 3.0, 4.0, 5.0], 1),
            (vec![1.0, 2.0, 3.0, 4.0, 90.0], 1),
            (vec![1.0, 2.0, 3.0, 4.0, 5.0], 0),
            (vec![3.0, 4.0, 2.0, 3.0, 4.0], 0),
        ] {
            assert_eq!(corrupt(&percents), left_out, "{percents:?}");
        }
        let track = Track::of(&readings(&[1.0, 2.0, 90.0, 3.0, 4.0]));
        assert_eq!((track.moves.len(), track.jumps.len()), (3, 0));
    }

    #[test]
    fn a_power_cut_takes_the_position_back_and_is_no_movement() {
        let track = Track::of(&readings(&[40.0, 41.0, 42.0, 38.0, 39.0, 40.0]));
        let jumps: Vec<(f64, f64)> = track.jumps.iter().map(|j| (j.from, j.to)).collect();
        assert_eq!(jumps, [(0.42, 0.38)]);
        assert_eq!(track.moves.len(), 4);
        assert!(
            track
                .moves
                .iter()
                .all(|m| m.to > m.from && m.seconds == 300.0)
        );
    }

    #[test]
    fn steps_of_the_clock_move_nothing() {
        let mut all = readings(&[1.0, 2.0, 3.0, 4.0]);
        let hour = jiff::SignedDuration::from_hours(1);
        all[2].at -= hour;
        all[3].at -= hour;
        let track = Track::of(&all);
        assert_eq!(track.clock_steps.len(), 1);
        assert_eq!(track.clock_steps[0].seconds, -3600.0);
        assert!(track.moves.iter().all(|m| m.seconds == 300.0));
        // While nobody watched there is no steady clock: the way across is left out.
        all[2].elapsed = None;
        let track = Track::of(&all);
        assert_eq!((track.moves.len(), track.clock_steps.len()), (2, 1));
    }

    #[test]
    fn time_that_stood_still_is_no_slow_movement() {
        let mut percents = vec![1.0, 2.0, 3.0];
        percents.extend([3.0; 30]);
        percents.extend([4.0, 5.0]);
        let track = Track::of(&readings(&percents));
        assert_eq!(track.standing, 9000.0);
        assert!(
            track.moves.iter().all(|m| m.seconds == 300.0),
            "{:?}",
            track.moves
        );
        assert_eq!(track.patience, 1500.0);
    }

    #[test]
    fn a_source_that_counts_in_chunks_moves_between_its_steps() {
        // One chunk every 25 minutes.
        let percents: Vec<f64> = (0..50).map(|i| f64::from(i / 5)).collect();
        let track = Track::of(&readings(&percents));
        assert_eq!((track.moves.len(), track.standing), (9, 0.0));
        assert!(track.moves.iter().all(|m| m.seconds == 1500.0));
    }

    #[test]
    fn the_first_step_that_is_seen_to_end_began_at_an_unknown_time() {
        // A chunk takes 25 minutes, and the first one had begun 20 minutes before.
        let percents: Vec<f64> = (4..24).map(|i| f64::from(i / 5)).collect();
        let mut all = readings(&percents);
        for reading in &mut all {
            reading.reported.extent = Some(Extent::Chunks);
        }
        let moves = Track::of(&all).moves;
        assert_eq!(moves.len(), 3);
        assert!(moves.iter().all(|m| m.seconds == 1500.0), "{moves:?}");
    }

    #[test]
    fn held_time_does_not_count() {
        let mut all = readings(&[1.0, 2.0, 2.0, 2.0, 3.0]);
        all[2].reported.word = Word::Paused;
        let track = Track::of(&all);
        assert_eq!(track.moves.last().unwrap().seconds, 300.0);
        assert_eq!(track.standing, 600.0);
    }
}

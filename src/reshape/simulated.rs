//! Made-up reshapes with a known end, for tests.

use jiff::{SignedDuration, Timestamp};

use super::reading::{Reading, Reported, Word};
use super::work::{Model, Zones};
use crate::seed::{Seed, standard_normal};

/// How a made-up reshape goes.
#[derive(Clone, Debug)]
pub(crate) struct Course {
    /// Hours that it takes at its mean speed.
    pub(crate) hours: f64,
    /// Spread of the speed over itself.
    pub(crate) spread: f64,
    /// Seconds over which the speed remembers.
    pub(crate) memory: f64,
    /// Zones that set the pace.
    pub(crate) zones: Option<Zones>,
    /// Relative speed of each hour of the day.
    pub(crate) by_hour: [f64; 24],
    /// From this fraction on, the speed is so many times as high.
    pub(crate) change: Option<(f64, f64)>,
    /// Seconds between readings.
    pub(crate) every: f64,
}

impl Course {
    /// A straight one.
    pub(crate) fn straight(hours: f64, spread: f64, memory: f64) -> Self {
        Self {
            hours,
            spread,
            memory,
            zones: None,
            by_hour: [1.0; 24],
            change: None,
            every: 300.0,
        }
    }

    /// Readings up to the end, and when that was.
    pub(crate) fn run(&self, start: Timestamp, seed: Seed) -> (Vec<Reading>, Timestamp) {
        const STEP: f64 = 60.0;
        let mut rng = seed.rng();
        let model = Model::new(self.zones, 1.0);
        let keep = (-STEP / self.memory).exp();
        let mut mood = standard_normal(&mut rng);
        let (mut fraction, mut seconds) = (0.0f64, 0.0f64);
        let mut readings = vec![self.reading(start, 0.0, fraction)];
        loop {
            mood = keep * mood + (1.0 - keep * keep).sqrt() * standard_normal(&mut rng);
            let log = (1.0 + self.spread * self.spread).ln();
            let luck = (mood * log.sqrt() - log / 2.0).exp();
            let hour = (start.as_second() + seconds as i64).rem_euclid(86_400) / 3600;
            let change = self.change.filter(|(from, _)| fraction >= *from);
            let speed =
                luck * self.by_hour[hour as usize] * change.map_or(1.0, |(_, factor)| factor)
                    / (self.hours * 3600.0);
            // The way that a unit of work covers here.
            let near = 1e-3;
            let cost = (model.work(fraction + near) - model.work(fraction))
                / near.min(1.0 - fraction).max(1e-9);
            let step = speed * STEP / cost.max(1e-9);
            if fraction + step >= 1.0 {
                seconds += STEP * (1.0 - fraction) / step;
                return (readings, start + SignedDuration::from_secs_f64(seconds));
            }
            fraction += step;
            seconds += STEP;
            if seconds.rem_euclid(self.every) < STEP {
                readings.push(self.reading(start, seconds, fraction));
            }
        }
    }

    fn reading(&self, start: Timestamp, seconds: f64, fraction: f64) -> Reading {
        let reported = Reported {
            fraction: Some(fraction),
            ..Reported::bare(Word::Running, "")
        };
        let elapsed = (seconds > 0.0).then_some(self.every);
        let at = start + SignedDuration::from_secs_f64(seconds);
        Reading {
            elapsed,
            ..Reading::of(at, reported)
        }
    }
}

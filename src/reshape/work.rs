//! How much work lies between two positions, and how much of it an hour of the day gets done.

use jiff::Timestamp;
use jiff::tz::TimeZone;

use crate::pool::Drive;
use crate::units::{Nanos, Rate};

/// Steps of the numerical integral over the drive.
const STEPS: usize = 1000;

/// How much slower the inner tracks of the drives are, and where a reshape reads and writes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Zones {
    /// Rate on the outermost over that on the innermost track, 1 or more.
    pub ratio: f64,
    /// Data drives after over data drives before: what is written at a position is read so many
    /// times as far in.
    pub widening: f64,
    /// Whether the person stated the ratio, and with it that the drives set the pace; else it is
    /// what rotating drives usually have.
    pub stated: bool,
}

impl Zones {
    /// The ratio of rotating drives of which nothing else is known (common practice, no source).
    pub const USUAL: f64 = 2.0;
}

/// Time that the way to each position takes, of all the time, when drives set the pace: zones 0
/// (every position takes alike) to 1.
#[derive(Clone, Debug, PartialEq)]
pub struct Model {
    /// Cumulative work at evenly spaced positions, from 0 to 1.
    work: Vec<f64>,
}

impl Model {
    /// The part `weight` of the time goes with the drives' zones, the rest is alike everywhere:
    /// seeks, rotation, and a limit on the speed do not depend on the track.
    ///
    /// At position `u` of each drive a reshape reads at `min(1, widening u)` and writes at `u`, one
    /// after the other on the same drives, so the time there goes with the sum of the inverse rates
    /// (the rate by location as in [`Drive::rate_at`]).
    pub fn new(zones: Option<Zones>, weight: f64) -> Self {
        let cost = |u: f64| match zones {
            Some(zones) => {
                let drive = Drive {
                    outer: Rate(zones.ratio.max(1.0)),
                    inner: Rate(1.0),
                    rpm: 7200,
                    nearest_seek: Nanos(0),
                    average_seek: Nanos(0),
                };
                let inverse = |at: f64| 1.0 / drive.rate_at(at.min(1.0)).0;
                inverse(u) + inverse(u * zones.widening.max(1.0))
            }
            None => 1.0,
        };
        let step = |index: usize| (index as f64 + 0.5) / STEPS as f64;
        let total: f64 = (0..STEPS).map(|index| cost(step(index))).sum();
        let mut work = vec![0.0];
        let mut sum = 0.0;
        for index in 0..STEPS {
            let zoned = cost(step(index)) / total;
            sum += weight * zoned + (1.0 - weight) / STEPS as f64;
            work.push(sum);
        }
        Self { work }
    }

    /// Work up to `fraction`, 0 to 1 of all.
    pub fn work(&self, fraction: f64) -> f64 {
        let place = fraction.clamp(0.0, 1.0) * STEPS as f64;
        let index = (place as usize).min(STEPS - 1);
        let within = place - index as f64;
        self.work[index] + within * (self.work[index + 1] - self.work[index])
    }
}

/// How fast a reshape goes by the hour of the day, relative to its mean over the day.
#[derive(Clone, Debug, PartialEq)]
pub struct Hours {
    speeds: [f64; 24],
    zone: TimeZone,
}

impl Hours {
    /// Speeds of the 24 hours of the clock of `zone`, from midnight on, in any unit; `None` unless
    /// all are finite and not negative and one is positive.
    pub fn new(speeds: [f64; 24], zone: TimeZone) -> Option<Self> {
        let mean = speeds.iter().sum::<f64>() / 24.0;
        let good = speeds
            .iter()
            .all(|speed| speed.is_finite() && *speed >= 0.0)
            && mean > 0.0;
        good.then(|| Self {
            speeds: speeds.map(|speed| speed / mean),
            zone,
        })
    }

    /// Hours of the mean speed that `seconds` from `start` on are worth, in seconds.
    pub fn worth(&self, start: Timestamp, seconds: f64) -> f64 {
        let (mut left, mut worth) = (seconds, 0.0);
        for (speed, length) in self.slices(start) {
            let part = left.min(length);
            worth += part * speed;
            left -= part;
            if left <= 0.0 {
                break;
            }
        }
        worth
    }

    /// How many seconds from `start` on are worth `worth`: the inverse of [`Self::worth`].
    pub fn seconds(&self, start: Timestamp, worth: f64) -> f64 {
        let (mut left, mut seconds) = (worth, 0.0);
        for (speed, length) in self.slices(start) {
            if speed * length >= left {
                return seconds + left / speed.max(f64::MIN_POSITIVE);
            }
            left -= speed * length;
            seconds += length;
        }
        seconds
    }

    /// Speed and length in seconds of the hours from `start` on, over ten years.
    fn slices(&self, start: Timestamp) -> impl Iterator<Item = (f64, f64)> {
        let clock = start.to_zoned_datetime(self.zone.clone());
        let (hour, minute, second) = (clock.hour(), clock.minute(), clock.second());
        let first = 3600.0 - f64::from(minute) * 60.0 - f64::from(second);
        let speed =
            move |offset: usize| self.speeds[(usize::from(hour.unsigned_abs()) + offset) % 24];
        (0..87_600).map(move |offset| (speed(offset), if offset == 0 { first } else { 3600.0 }))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Derived: on a 2:1 drive the time to fraction f is `(1 − sqrt(1 − 0.75 f)) / 0.5` of the whole.
    /// What is left at the speed of just now is 24 % too short at 10 % done, 18 % at 50 % and 6 % at
    /// 90 %.
    #[test]
    fn the_speed_of_just_now_promises_too_much_on_a_drive_with_zones() {
        let zones = Zones {
            ratio: 2.0,
            widening: 1.0,
            stated: true,
        };
        let model = Model::new(Some(zones), 1.0);
        for (fraction, expected) in [(0.1f64, 0.24), (0.5, 0.18), (0.9, 0.06)] {
            let exact = (1.0 - (1.0 - 0.75 * fraction).sqrt()) / 0.5;
            assert!((model.work(fraction) - exact).abs() < 1e-5, "{fraction}");
            let pace = (model.work(fraction + 1e-3) - model.work(fraction - 1e-3)) / 2e-3;
            let short = 1.0 - (1.0 - fraction) * pace / (1.0 - exact);
            assert!((short - expected).abs() < 0.005, "{fraction}: {short}");
        }
    }

    #[test]
    fn without_zones_work_is_position() {
        for model in [
            Model::new(None, 1.0),
            Model::new(
                Some(Zones {
                    ratio: 2.0,
                    widening: 1.5,
                    stated: true,
                }),
                0.0,
            ),
        ] {
            assert!((model.work(0.37) - 0.37).abs() < 1e-12);
        }
        let model = Model::new(
            Some(Zones {
                ratio: 2.0,
                widening: 1.5,
                stated: true,
            }),
            1.0,
        );
        assert!((model.work(1.0) - 1.0).abs() < 1e-12 && model.work(2.0) == model.work(1.0));
    }

    #[test]
    fn hours_count_by_their_speed_and_back() {
        let mut speeds = [1.0; 24];
        speeds[9..17].fill(0.25);
        let hours = Hours::new(speeds, TimeZone::UTC).unwrap();
        // 18 of 24 full hours are done in a day: a full hour is worth 24/18.
        let start: Timestamp = "2026-03-02T08:30:00Z".parse().unwrap();
        let hour = 3600.0;
        assert!((hours.worth(start, hour / 2.0) - hour / 2.0 * 24.0 / 18.0).abs() < 1e-6);
        assert!((hours.worth(start, hour) - hour * 0.625 * 24.0 / 18.0).abs() < 1e-6);
        assert!((hours.worth(start, 24.0 * hour) - 24.0 * hour).abs() < 1e-6);
        for seconds in [10.0, 5000.0, 1e5, 1e6] {
            let back = hours.seconds(start, hours.worth(start, seconds));
            assert!((back - seconds).abs() < 1e-3, "{seconds}: {back}");
        }
        assert_eq!(Hours::new([0.0; 24], TimeZone::UTC), None);
    }
}

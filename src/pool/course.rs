//! How long a pass over a drive takes on the calendar, and where it stands meanwhile.
//!
//! A reshape does not run at one rate: it makes way for users, and it slows towards the inner tracks.
//! Time on the calendar is that of the place where the pool stands, without a zone: a change to or
//! from summer time is not in it.

use jiff::civil::{DateTime, Time, Weekday};
use jiff::{SignedDuration, ToSpan, Unit};

use crate::units::{Bytes, Rate};

const HOUR: f64 = 3600.0;

/// The hours in which people use the pool.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct UseHours {
    /// The hour of the day at which use begins, 0 to 23.
    pub from: u8,
    /// Hours of use in a day, 0 to 24. What goes beyond midnight belongs to the next day.
    pub hours: f64,
    /// Whether Saturdays and Sundays are such days.
    pub weekends: bool,
}

/// Mean rates at which the whole of one drive is passed over.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pace {
    /// While nobody uses the pool.
    pub idle: Rate,
    /// While people use it.
    pub in_use: Rate,
}

/// One pass over a drive.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Course {
    /// Bytes of the drive that are passed over.
    pub bytes: Bytes,
    /// Mean rates over the whole pass.
    pub pace: Pace,
    /// When they hold.
    pub hours: UseHours,
}

/// More than any expansion takes; such a pass is never finished.
const LONGEST: f64 = 10.0 * 366.0 * 24.0 * HOUR;

impl Course {
    /// Hours that the pass takes when it begins at `start`; `None` when that is over ten years, or a
    /// rate makes no sense.
    ///
    /// Zones do not change this: where the rate at each place is the pace times a shape whose
    /// harmonic mean is 1, the pass ends when the paces over time add up to its bytes.
    pub fn hours(&self, start: DateTime) -> Option<f64> {
        let paces = [self.pace.idle.0, self.pace.in_use.0];
        if paces.iter().any(|rate| !rate.is_finite() || *rate < 0.0) {
            return None;
        }
        let mut left = self.bytes.0 as f64;
        let mut now = start;
        while passed(start, now) <= LONGEST {
            let (in_use, end) = self.hours.stretch(now);
            let rate = if in_use { paces[1] } else { paces[0] };
            let seconds = end.map_or(f64::INFINITY, |end| passed(now, end));
            if rate > 0.0 && left <= rate * seconds {
                return Some((passed(start, now) + left / rate) / HOUR)
                    .filter(|hours| *hours <= LONGEST / HOUR);
            }
            left -= rate * seconds;
            now = end?;
        }
        None
    }
}

/// Seconds from `start` to `end`.
fn passed(start: DateTime, end: DateTime) -> f64 {
    end.duration_since(start).as_secs_f64()
}

/// The moment `hours` after `start`, to the minute; `None` where the calendar does not go so far.
pub fn finish(start: DateTime, hours: f64) -> Option<DateTime> {
    let span = SignedDuration::try_from_secs_f64(hours * HOUR).ok()?;
    start.checked_add(span).ok()?.round(Unit::Minute).ok()
}

/// The fraction of a drive (0 to 1) that a pass at one pace has covered after the fraction `time` of
/// its time, when the innermost track is `ratio` (above 0, at most 1) times as fast as the outermost:
/// `(1 − (1 − (1 − ratio) t)²) ÷ (1 − ratio²)`, from [`super::Drive::rate_at`].
pub fn place_after(ratio: f64, time: f64) -> f64 {
    let time = time.clamp(0.0, 1.0);
    if ratio >= 1.0 {
        return time;
    }
    let root = 1.0 - (1.0 - ratio) * time;
    (1.0 - root * root) / (1.0 - ratio * ratio)
}

/// The time left as it is reckoned from the present rate, over the true one, when the fraction
/// `place` of the drive has been passed at one pace; `ratio` as for [`place_after`]. Below 1 the
/// reckoning is too short.
pub fn naive_over_true(ratio: f64, place: f64) -> f64 {
    let lost = 1.0 - ratio * ratio;
    let here = (1.0 - lost * place).sqrt();
    if lost <= 0.0 || here <= ratio {
        return 1.0;
    }
    (1.0 - place) / here / (2.0 / lost * (here - ratio))
}

impl UseHours {
    /// Whether people use the pool at `now`, and the moment until which that stays so; none when it
    /// stays so for ever.
    fn stretch(&self, now: DateTime) -> (bool, Option<DateTime>) {
        // Whole seconds, so that every step along the stretches is one ahead.
        let length = SignedDuration::from_secs((self.hours.clamp(0.0, 24.0) * HOUR).round() as i64);
        let begin = |day: DateTime| {
            let at = Time::constant(i8::try_from(self.from.min(23)).unwrap_or(0), 0, 0, 0);
            self.counts(day.weekday())
                .then(|| day.date().to_datetime(at))
        };
        let yesterday = now.checked_sub(1.day()).ok();
        let open = [yesterday, Some(now)].into_iter().flatten();
        for start in open.filter_map(begin).filter(|start| *start <= now) {
            if let Some(end) = start.checked_add(length).ok().filter(|end| *end > now) {
                return (true, Some(end));
            }
        }
        if length.is_zero() {
            return (false, None);
        }
        // The next day that counts is at most three ahead.
        let days = (0..4).filter_map(|ahead| now.checked_add(ahead.days()).ok());
        (false, days.filter_map(begin).find(|start| *start > now))
    }

    fn counts(&self, day: Weekday) -> bool {
        self.weekends || !matches!(day, Weekday::Saturday | Weekday::Sunday)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// A Monday.
    fn monday(hour: i8) -> DateTime {
        jiff::civil::date(2026, 3, 2).at(hour, 0, 0, 0)
    }

    const NEVER: UseHours = UseHours {
        from: 9,
        hours: 0.0,
        weekends: false,
    };
    const OFFICE: UseHours = UseHours {
        hours: 8.0,
        ..NEVER
    };

    fn course(bytes: Bytes, idle: f64, in_use: f64, hours: UseHours) -> Course {
        Course {
            bytes,
            pace: Pace {
                idle: Rate(idle),
                in_use: Rate(in_use),
            },
            hours,
        }
    }

    /// Device bytes over rate: 8 TB in 44 h and 16 TB in 89 h at 50 MB/s (derived).
    #[test]
    fn without_users_it_is_bytes_over_rate() {
        for (terabytes, hours) in [(8, 44.4), (16, 88.9)] {
            let course = course(Bytes::TB.times(terabytes), 50e6, 0.0, NEVER);
            assert!((course.hours(monday(0)).unwrap() - hours).abs() < 0.05);
        }
    }

    /// Derived by hand: 36 MB/s for 15 h from Monday 18:00 to Tuesday 9:00 are 1.944 TB; 10 MB/s for 8
    /// hours 0.288 TB; the rest of 2.5 TB, 0.268 TB, takes 2.068 h: 25.07 h.
    #[test]
    fn it_makes_way_for_users() {
        let hours = course(Bytes::GB.times(2500), 36e6, 10e6, OFFICE);
        assert!((hours.hours(monday(18)).unwrap() - 25.0679).abs() < 1e-3);
        assert_eq!(
            finish(monday(18), 25.0679).unwrap().to_string(),
            "2026-03-03T19:04:00"
        );
    }

    #[test]
    fn weekends_are_free_unless_they_are_not() {
        let friday_evening = jiff::civil::date(2026, 3, 6).at(17, 0, 0, 0);
        let whole = |hours| course(Bytes::TB.times(6), 50e6, 5e6, hours).hours(friday_evening);
        let free = whole(OFFICE).unwrap();
        assert!((free - 6e12 / 50e6 / 3600.0).abs() < 1e-9, "{free}");
        let weekends = UseHours {
            weekends: true,
            ..OFFICE
        };
        assert!(whole(weekends).unwrap() > free + 7.0);
    }

    #[test]
    fn use_past_midnight_belongs_to_the_next_day_too() {
        let tuesday = |hour| jiff::civil::date(2026, 3, 3).at(hour, 0, 0, 0);
        let night = UseHours {
            from: 22,
            hours: 8.0,
            weekends: false,
        };
        assert_eq!(night.stretch(monday(23)), (true, Some(tuesday(6))));
        // Monday at 3: the night before began on a Sunday, which does not count.
        assert_eq!(night.stretch(monday(3)), (false, Some(monday(22))));
        assert_eq!(night.stretch(tuesday(3)), (true, Some(tuesday(6))));
    }

    #[test]
    fn what_never_ends_has_no_hours() {
        assert_eq!(course(Bytes::TB, 0.0, 0.0, OFFICE).hours(monday(0)), None);
        assert_eq!(course(Bytes::TB, 1.0, 1.0, OFFICE).hours(monday(0)), None);
        assert_eq!(
            course(Bytes::TB, f64::NAN, 1.0, OFFICE).hours(monday(0)),
            None
        );
        assert_eq!(course(Bytes::TB, 0.0, 1.0, NEVER).hours(monday(0)), None);
    }

    /// Derived for drives twice as fast outside: reckoned from the present rate, the time left is
    /// 24 % too short at 10 % done, 18 % at 50 %, 6 % at 90 %.
    #[test]
    fn zones_deceive_a_naive_reckoning() {
        for (place, short) in [(0.1, 0.24), (0.5, 0.18), (0.9, 0.06)] {
            let seen = 1.0 - naive_over_true(0.5, place);
            assert!((seen - short).abs() < 0.006, "{place}: {seen}");
        }
        assert_eq!(naive_over_true(1.0, 0.3), 1.0);
        // Half of the time passes more than half of the drive: (1 − 0.75²) ÷ 0.75.
        assert!((place_after(0.5, 0.5) - 0.4375 / 0.75).abs() < 1e-12);
        assert_eq!(place_after(1.0, 0.25), 0.25);
    }

    proptest! {
        #[test]
        fn more_use_and_more_bytes_never_shorten_a_pass(
            gigabytes in 1..20_000u64,
            idle in 20e6..200e6f64,
            share in 0.1..1.0f64,
            hours in 0.0..16.0f64,
            from in 0..24u8,
            begin in 0..24i8,
        ) {
            let used = UseHours { from, hours, weekends: false };
            let more = UseHours { hours: hours + 4.0, ..used };
            let of = |bytes, hours| {
                course(bytes, idle, idle * share, hours).hours(monday(begin)).unwrap()
            };
            let bytes = Bytes::GB.times(gigabytes);
            let time = of(bytes, used);
            prop_assert!(of(bytes, NEVER) <= time + 1e-9);
            prop_assert!(time <= of(bytes, more) + 1e-9);
            prop_assert!(time <= of(bytes + Bytes::GB, used));
            prop_assert!(time <= bytes.0 as f64 / (idle * share) / HOUR + 1e-9);
        }
    }
}

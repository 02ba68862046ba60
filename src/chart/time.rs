//! An axis of time by the clock of a place.

use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};
use plotters::style::text_anchor::HPos;

use super::axis::Scale;
use super::canvas::{Canvas, Failure, rule, write};
use super::palette;

const MINUTE: i64 = 60;
const HOUR: i64 = 60 * MINUTE;
/// Seconds between two ticks.
const STEPS: [i64; 16] = [
    10,
    30,
    MINUTE,
    2 * MINUTE,
    5 * MINUTE,
    10 * MINUTE,
    15 * MINUTE,
    30 * MINUTE,
    HOUR,
    3 * HOUR,
    6 * HOUR,
    12 * HOUR,
    24 * HOUR,
    48 * HOUR,
    96 * HOUR,
    168 * HOUR,
];
/// Ticks of an axis at most.
const MOST: i64 = 8;

/// Seconds, as scales have them.
pub(super) fn seconds(at: Timestamp) -> f64 {
    at.as_second() as f64
}

/// Round times of the clock of `zone` from `first` to `last`, about as many as an axis has room for,
/// with their words: full hours, and of what took few of them minutes or seconds.
fn ticks(first: Timestamp, last: Timestamp, zone: &TimeZone) -> Vec<(Timestamp, String)> {
    let span = last.duration_since(first).as_secs().max(1);
    let step = STEPS.into_iter().find(|step| span / step < MOST);
    let step = step.unwrap_or((span / MOST / HOUR + 1) * HOUR);
    let clock = first.to_zoned_datetime(zone.clone());
    let of_day = i64::from(clock.hour()) * HOUR
        + i64::from(clock.minute()) * MINUTE
        + i64::from(clock.second());
    let mut at = first.as_second() - of_day % step.min(24 * HOUR);
    let words = match step {
        step if step < MINUTE => "%H:%M:%S",
        step if step < HOUR => "%H:%M",
        step if step < 24 * HOUR => "%a %H:%M",
        _ => "%-d %b",
    };
    let mut ticks = Vec::new();
    while at <= last.as_second() && ticks.len() <= MOST as usize {
        if let Ok(tick) = Timestamp::from_second(at)
            && tick >= first
        {
            let told = tick.to_zoned_datetime(zone.clone());
            ticks.push((tick, told.strftime(words).to_string()));
        }
        at += step;
    }
    ticks
}

/// Draws upright lines at round times from `top` to `bottom`, their words below.
pub(super) fn draw(
    canvas: &Canvas<'_>,
    x: Scale,
    (first, last): (Timestamp, Timestamp),
    (top, bottom): (i32, i32),
    zone: &TimeZone,
) -> Result<(), Failure> {
    for (tick, words) in ticks(first, last, zone) {
        let at = x.at(seconds(tick));
        rule(canvas, (at, top), (at, bottom), palette::RULE, 1)?;
        let place = (at, bottom + 13);
        write(canvas, &words, place, 11.0, palette::MUTED, HPos::Center)?;
    }
    Ok(())
}

/// `at` and so many times its way from `first`: where a picture ends that has no room for more.
pub(super) fn beyond(first: Timestamp, at: Timestamp, times: f64) -> Timestamp {
    let way = at.duration_since(first).as_secs_f64().max(3600.0) * times;
    let span = SignedDuration::try_from_secs_f64(way).unwrap_or_default();
    first.checked_add(span).unwrap_or(at)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_are_round_times_of_the_place_and_few() {
        let first: Timestamp = "2026-03-03T07:12:00Z".parse().unwrap();
        let zone = TimeZone::fixed(jiff::tz::offset(2));
        for hours in [0, 1, 5, 30, 100, 1000, 20_000] {
            let last = first + SignedDuration::from_hours(hours);
            let ticks = ticks(first, last, &zone);
            assert!(ticks.len() <= 9, "{hours}: {}", ticks.len());
            let round = |at: &Timestamp| hours < 5 || at.as_second() % 3600 == 0;
            assert!(ticks.iter().all(|(at, _)| round(at)));
        }
        let words = |seconds: i64| -> Vec<String> {
            let last = first + SignedDuration::from_secs(seconds);
            let ticks = ticks(first, last, &zone).into_iter();
            ticks.map(|(_, words)| words).collect()
        };
        assert_eq!(words(30 * 3600)[..2], ["Tue 12:00", "Tue 18:00"]);
        // What took minutes has times, too.
        assert_eq!(words(88), ["09:12:00", "09:12:30", "09:13:00"]);
        assert_eq!(words(50 * 60)[..3], ["09:20", "09:30", "09:40"]);
    }
}

//! An axis of time by the clock of a place.

use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};
use plotters::style::text_anchor::HPos;

use super::axis::Scale;
use super::canvas::{Canvas, Failure, rule, write};
use super::palette;

/// Hours between two ticks.
const STEPS: [i64; 8] = [1, 3, 6, 12, 24, 48, 96, 168];
/// Ticks of an axis at most.
const MOST: i64 = 8;

/// Seconds, as scales have them.
pub(super) fn seconds(at: Timestamp) -> f64 {
    at.as_second() as f64
}

/// Full hours of the clock of `zone` from `first` to `last`, about as many as an axis has room for,
/// with their words.
fn ticks(first: Timestamp, last: Timestamp, zone: &TimeZone) -> Vec<(Timestamp, String)> {
    let hours = last.duration_since(first).as_hours().max(1);
    let step = STEPS.into_iter().find(|step| hours / step < MOST);
    let step = step.unwrap_or(hours / MOST + 1);
    let clock = first.to_zoned_datetime(zone.clone());
    let past = i64::from(clock.minute()) * 60 + i64::from(clock.second());
    let behind = i64::from(clock.hour()) % step.min(24);
    let mut at = first.as_second() - past - behind * 3600;
    let mut ticks = Vec::new();
    while at <= last.as_second() && ticks.len() <= MOST as usize {
        if let Ok(tick) = Timestamp::from_second(at)
            && tick >= first
        {
            let told = tick.to_zoned_datetime(zone.clone());
            let words = if step < 24 { "%a %H:%M" } else { "%-d %b" };
            ticks.push((tick, told.strftime(words).to_string()));
        }
        at += step * 3600;
    }
    ticks
}

/// Draws upright lines at full hours from `top` to `bottom`, their words below.
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
    fn ticks_are_full_hours_of_the_place_and_few() {
        let first: Timestamp = "2026-03-03T07:12:00Z".parse().unwrap();
        let zone = TimeZone::fixed(jiff::tz::offset(2));
        for hours in [0, 1, 5, 30, 100, 1000, 20_000] {
            let last = first + SignedDuration::from_hours(hours);
            let ticks = ticks(first, last, &zone);
            assert!(ticks.len() <= 9, "{hours}: {}", ticks.len());
            assert!(ticks.iter().all(|(at, _)| at.as_second() % 3600 == 0));
        }
        let last = first + SignedDuration::from_hours(30);
        let words: Vec<String> = ticks(first, last, &zone)
            .into_iter()
            .map(|(_, words)| words)
            .collect();
        assert_eq!(words[..2], ["Tue 12:00", "Tue 18:00"]);
    }
}

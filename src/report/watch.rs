//! The state of a reshape in words: a line a reading, an alarm as one sentence, and all that is known
//! as a short text. Times are those of the clock of `zone`.

use std::path::Path;
use std::time::Duration;

use jiff::Timestamp;
use jiff::tz::TimeZone;

use super::layout::{clamp, heading, list, paragraph};
use super::words;
use crate::reshape::{Alarm, Assessment, Cost, Extent, Forecast, Range, State};
use crate::study::{ProbeRow, ProgressRow};
use crate::text::{plain, typed};
use crate::units::{Nanos, Rate, percent};

/// The clock of the place, as it is told.
#[derive(Clone, Copy, Debug)]
pub struct Clock<'a> {
    zone: &'a TimeZone,
    seconds: bool,
}

impl<'a> Clock<'a> {
    /// That of `zone`, with its seconds or without.
    pub fn new(zone: &'a TimeZone, seconds: bool) -> Self {
        Self { zone, seconds }
    }

    /// For readings that come so often: with seconds where that is faster than minutes.
    pub fn every(period: Duration, zone: &'a TimeZone) -> Self {
        Self::new(zone, period < Duration::from_secs(60))
    }

    /// For readings that came as often as the latest two.
    fn of(seen: &Assessment, zone: &'a TimeZone) -> Self {
        match seen.track.points.as_slice() {
            [.., before, last] => {
                let period = (last.seconds - before.seconds).max(0.0);
                Self::every(
                    Duration::try_from_secs_f64(period).unwrap_or_default(),
                    zone,
                )
            }
            _ => Self::new(zone, false),
        }
    }

    /// `Tue 3 Mar 09:10`, or `Tue 3 Mar 09:10:24`.
    pub fn tell(self, at: Timestamp) -> String {
        let at = at.to_zoned_datetime(self.zone.clone());
        let form = match self.seconds {
            true => "%a %-d %b %H:%M:%S",
            false => "%a %-d %b %H:%M",
        };
        at.strftime(form).to_string()
    }

    /// Both ends of a range.
    pub(super) fn between(self, range: Range) -> String {
        format!("{} to {}", self.tell(range.early), self.tell(range.late))
    }
}

pub(super) fn position(fraction: Option<f64>) -> String {
    fraction.map_or(words::NONE.to_owned(), |fraction| percent(fraction, 1))
}

/// `27 h 23 min`, `12 min`.
pub fn span(seconds: f64) -> String {
    let minutes = (seconds / 60.0).round().max(0.0) as u64;
    match minutes {
        0..60 => format!("{minutes} min"),
        60..2_880 => format!("{} h {:02} min", minutes / 60, minutes % 60),
        _ => format!("{} days {} h", minutes / 1440, minutes % 1440 / 60),
    }
}

/// A speed in parts of the whole a second: `2.50 % an hour`, `0.83 % a minute`.
pub(super) fn pace(per_second: f64) -> String {
    let (per, unit) = match per_second.abs() {
        speed if speed * 3600.0 <= 1.0 => (3600.0, "an hour"),
        speed if speed * 60.0 <= 1.0 => (60.0, "a minute"),
        _ => (1.0, "a second"),
    };
    format!("{} {unit}", percent(per_second * per, 2))
}

/// A line for the latest reading: when, how far, in what state, how fast, done when.
pub fn reading_line(seen: &Assessment, clock: Clock<'_>) -> String {
    let mut line = format!(
        "{}  {:>7}  {:<8}",
        clock.tell(seen.at),
        position(seen.fraction),
        seen.state.word()
    );
    if let Some(sentence) = another_sentence(seen, clock) {
        line += &format!("  {sentence}");
    }
    if let Some(speed) = speed_now(seen) {
        line += &format!("  {}", pace(speed));
    }
    if let Some(forecast) = &seen.forecast {
        line += &format!(
            "  done {} (80 %: {})",
            clock.tell(forecast.finish),
            clock.between(forecast.range80)
        );
    }
    line.trim_end().to_owned()
}

/// The speed of the latest movements. A source that counts steps stands between two, but no longer than two of
/// them took: then it is not the speed of now.
pub(super) fn speed_now(seen: &Assessment) -> Option<f64> {
    let (speed, track) = (seen.speed?, &seen.track);
    let (last, since) = (track.last()?, track.standing_since()?);
    let step = track.moves.last().map_or(0.0, |m| m.to - m.from);
    let stood = last.seconds - since.seconds;
    (!last.stepwise || stood * speed <= 2.0 * step).then_some(speed)
}

/// What runs now, after the reshape is done.
fn another_sentence(seen: &Assessment, clock: Clock<'_>) -> Option<String> {
    let another = seen.another?;
    let state = match another.at_work {
        true => "what runs now is another pass",
        false => "what ran since was another pass",
    };
    let begun = clock.tell(another.since);
    Some(format!(
        "the reshape that this study follows ended {}; {state}, read since {begun} and last at {}, which changes nothing here: a study of its own would follow it",
        clock.tell(seen.since),
        position(another.fraction)
    ))
}

/// Where the latest reading found it: `, at 37.5 %`.
fn found_at(seen: &Assessment) -> String {
    match seen.fraction {
        Some(fraction) if seen.state == State::Finished && fraction < 1.0 => {
            format!(", last read at {}", percent(fraction, 1))
        }
        Some(fraction) => format!(", at {}", percent(fraction, 1)),
        None => String::new(),
    }
}

/// The alarm as one sentence: first the one thing to do, then why. `None` when there is none.
pub fn alarm_sentence(seen: &Assessment, typed: &str, clock: Clock<'_>) -> Option<String> {
    let since = clock.tell(seen.since);
    let place = position(seen.fraction);
    let because = |note: &str| match plain(note) {
        note if note.is_empty() => String::new(),
        note => format!(" ({note})"),
    };
    Some(match seen.alarm.as_ref()? {
        Alarm::OthersFirst => {
            format!("do nothing: reads of other users are taking priority since {since}")
        }
        Alarm::Slow(part) => format!(
            "look for errors of a member drive in the server's kernel log: since {since} the reshape goes at {} of its usual speed, and nothing that is seen here explains it",
            percent(*part, 0)
        ),
        Alarm::Stalled => format!(
            "look for errors in the server's kernel log, and restart nothing before: the reshape stands at {place} since {since}"
        ),
        Alarm::Waits(note) if note.contains("read-only") => {
            format!(
                "let the array be written to: the reshape waits since {since}{}",
                because(note)
            )
        }
        Alarm::Waits(note) => {
            format!(
                "do nothing: the reshape waits for its turn since {since}{}",
                because(note)
            )
        }
        Alarm::Held(note) if note.contains("resilver") => {
            format!(
                "do nothing: the pool heals itself first, since {since}{}",
                because(note)
            )
        }
        Alarm::Held(note) => format!(
            "ask who paused it, and let it go on: the reshape is held at {place} since {since}{}",
            because(note)
        ),
        Alarm::WentBack { from, to } => format!(
            "find out what stopped the array, power or a restart: at {since} the reshape went back from {} to {}, and goes on from there by itself",
            percent(*from, 1),
            percent(*to, 1)
        ),
        Alarm::Gone(at) => format!(
            "look whether the array runs, and force nothing: since {since} no reshape is mentioned any more, and it was at {}; if you know that it is done, say `poolproof watch {typed} --at 100`",
            percent(*at, 1)
        ),
        Alarm::Unsettled(at) => format!(
            "ask `btrfs balance status` and `btrfs device usage`: no balance is running any more since {since}, and {} was the last seen, so it ended or was cancelled; if it is done, say `poolproof watch {typed} --at 100`",
            percent(*at, 1)
        ),
        Alarm::NoAnswer(why) => format!(
            "look whether the server can be reached: since {since} there is no answer{}; the reshape itself does not need this watch",
            because(why)
        ),
    })
}

/// All that is known: state, alarm, forecast with its ranges, what it rests on. `name` is the
/// study's; `row` the latest of the table.
pub fn watch_text(
    name: &str,
    row: &ProgressRow,
    seen: &Assessment,
    zone: &TimeZone,
    width: usize,
) -> String {
    let width = clamp(width);
    let banner = words::banner(row.simulated);
    let mut text = heading(&format!("{banner}Reshape of {}", plain(name)));
    let place = match (row.done, row.total) {
        (Some(done), Some(total)) if seen.another.is_none() => {
            format!(", {}", amounts(done, total, row.counts))
        }
        _ => String::new(),
    };
    let clock = Clock::of(seen, zone);
    let since = clock.tell(seen.since);
    text += &paragraph(
        width,
        "state     ",
        &format!(
            "{} since {since}{}{place}",
            seen.state.word(),
            found_at(seen)
        ),
    );
    if let Some(sentence) = another_sentence(seen, clock) {
        text += &paragraph(width, "now       ", &sentence);
    }
    if let Some(sentence) = alarm_sentence(seen, &typed(Path::new(name)), clock) {
        text += &paragraph(width, "alarm     ", &sentence);
    }
    if let Some(speed) = seen.speed {
        let told = match (seen.told_speed, row.counts) {
            (Some(rate), Some(Extent::Drive)) => format!(", {} on each drive", Rate(rate)),
            (Some(rate), _) => format!(", {}", Rate(rate)),
            // Between two chunks its position stands still.
            (None, Some(Extent::Chunks)) => ", by its latest steps from chunk to chunk".to_owned(),
            (None, _) => String::new(),
        };
        let speed = pace(speed);
        text += &paragraph(width, "speed     ", &format!("{speed}{told}"));
    }
    match &seen.forecast {
        Some(forecast) => text += &ahead(forecast, clock, width),
        None => text += &paragraph(width, "finish    ", &without_forecast(seen, row)),
    }
    text + &list(width, "What this rests on", &remarks(seen, clock))
}

pub(super) fn amounts(done: f64, total: f64, counts: Option<Extent>) -> String {
    let tera = |bytes: f64| format!("{:.2} TB", bytes / 1e12);
    match counts {
        Some(Extent::Chunks) => format!("{done} of about {total} chunks"),
        Some(Extent::Drive) => format!("{} of {} of each drive", tera(done), tera(total)),
        _ => format!("{} of {}", tera(done), tera(total)),
    }
}

fn ahead(forecast: &Forecast, clock: Clock<'_>, width: usize) -> String {
    let left = forecast.finish.duration_since(forecast.made).as_secs_f64();
    let line = |label: &str, text: String| paragraph(width, label, &text);
    line(
        "finish    ",
        format!(
            "{}, {} from the latest reading",
            clock.tell(forecast.finish),
            span(left)
        ),
    ) + &line("  80 %    ", clock.between(forecast.range80))
        + &line("  95 %    ", clock.between(forecast.range95))
}

/// Why there is no finish time of what was `seen`; `row` is the latest of the table.
pub(super) fn without_forecast(seen: &Assessment, row: &ProgressRow) -> String {
    let why = match seen.state {
        State::Waiting => "not known: it has not begun",
        State::Finished => {
            "done; what follows, and what of it is done already, says `poolproof next`"
        }
        State::Paused | State::Stalled => "not known while it does not move",
        State::Ended => "it may be done: see the alarm",
        State::Lost => "not known while nothing is heard of it",
        State::Moving | State::Slowing if seen.fraction.is_some_and(|f| f >= 1.0) => {
            "not known: it is past the end that was expected"
        }
        State::Moving | State::Slowing => {
            let needed = "not known yet: it takes four positions, each further than the one before";
            return match (row.counts, row.total) {
                (Some(Extent::Chunks), Some(total)) => {
                    format!("{needed}, and this one goes from chunk to chunk, about {total} in all")
                }
                _ => needed.to_owned(),
            };
        }
    };
    why.to_owned()
}

/// What a reader should know of the forecast and the readings below it.
pub(super) fn remarks(seen: &Assessment, clock: Clock<'_>) -> Vec<String> {
    let mut all = Vec::new();
    if let Some(forecast) = &seen.forecast {
        let since = clock.tell(forecast.since);
        let seen_for = forecast.made.duration_since(forecast.since).as_secs_f64();
        all.push(match forecast.changed {
            true => format!("the speed changed for good at {since}: only what came after counts"),
            false => format!("readings since {since}, over {}", span(seen_for)),
        });
        all.push(match forecast.zoned {
            Some(part) => format!(
                "slower inner tracks of the drives are reckoned with: by the curve, they set {} of the time",
                percent(part, 0)
            ),
            None => "nothing is known of slower inner tracks: if the drives rotate and set the pace, it will take longer (set rpm or zone_ratio in study.toml)".to_owned(),
        });
        all.push(match forecast.hourly {
            true => "the hours of the day are reckoned with (speed_by_hour in study.toml)",
            false => "nothing is known of the hours of the day (speed_by_hour in study.toml): the hours to come are taken to be like those that were seen",
        }.to_owned());
        if let Some(straight) = &forecast.straight {
            let robust = straight.robust_slope.map_or(String::new(), |slope| {
                format!(", {} by Theil and Sen", pace(slope))
            });
            all.push(format!(
                "straight line for comparison: {} by least squares{robust}, R² {:.4}",
                pace(straight.line.slope),
                straight.r_squared
            ));
        }
    }
    if let Some(ending) = seen.ending.filter(|ending| !ending.told) {
        all.push(format!(
            "nobody said that it is done: it was last seen at {}, and when it was not mentioned any more at {}, it had had the time for the rest, or lacked two chunks at most; look at the sizes that the server shows",
            position(seen.fraction),
            clock.tell(ending.not_after)
        ));
    }
    let track = &seen.track;
    if track.standing > 0.0 {
        all.push(format!(
            "it stood still or was held for {}, which does not count",
            span(track.standing)
        ));
    }
    for step in &track.clock_steps {
        let way = if step.seconds < 0.0 {
            "back"
        } else {
            "forward"
        };
        all.push(format!(
            "the clock of this machine was set {way} by {:.0} s before {}",
            step.seconds.abs(),
            clock.tell(step.at)
        ));
    }
    for point in &track.corrupt {
        all.push(format!(
            "the reading of {} at {} agrees with no other and is left out",
            percent(point.fraction, 1),
            clock.tell(point.at)
        ));
    }
    for jump in &track.jumps {
        all.push(format!(
            "it went back from {} to {} at {}",
            percent(jump.from, 1),
            percent(jump.to, 1),
            clock.tell(jump.at)
        ));
    }
    all
}

/// A line for a probe: what a user feels while the reshape runs.
pub fn probe_line(row: &ProbeRow) -> String {
    let banner = words::banner(row.simulated);
    if !row.cause.is_empty() {
        return format!("{banner}  {}: {}", row.kind, plain(&row.cause));
    }
    match row.rate_bytes_per_s {
        Some(rate) => format!("{banner}  large reads {}", Rate(rate)),
        None => {
            let of =
                |ns: Option<u64>| ns.map_or(words::NONE.to_owned(), |ns| Nanos(ns).to_string());
            format!(
                "{banner}  {}: median {}, worst {}",
                words::count(row.operations as usize, "small read"),
                of(row.p50_ns),
                of(row.max_ns)
            )
        }
    }
}

/// What probing costs the reshape, as a sentence.
pub fn cost_sentence(cost: &Cost) -> String {
    let speeds = format!(
        "{} with probes, {} without",
        pace(cost.with),
        pace(cost.without)
    );
    let pairs = words::count(cost.pairs, "pair");
    match cost.interval {
        Some(interval) => format!(
            "{speeds}: over the latest {pairs} probing costs {} of the speed (95 % interval {} to {})",
            percent(cost.loss, 1),
            percent(interval.low, 1),
            percent(interval.high, 1)
        ),
        None => format!("{speeds}: {pairs} of stretches tell too little of what probing costs"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reshape::simulated::Course;
    use crate::reshape::{Reading, Reported, Source, Word, assess};
    use crate::seed::Seed;

    fn readings(count: usize) -> Vec<Reading> {
        let start = "2026-03-02T08:00:00Z".parse().unwrap();
        let (mut readings, _) = Course::straight(20.0, 0.1, 600.0).run(start, Seed(5));
        readings.truncate(count);
        readings
    }

    fn text(readings: &[Reading]) -> String {
        let seen = assess(readings, None, None).unwrap();
        let row = ProgressRow::of(readings.last().unwrap(), Source::Percent, true);
        watch_text("scans", &row, &seen, &TimeZone::UTC, 80)
    }

    #[test]
    fn state_and_forecast_are_told_within_eighty_columns() {
        let text = text(&readings(60));
        assert!(text.starts_with("SIMULATED Reshape of scans\n"), "{text}");
        for part in [
            "moving since Mon 2 Mar 08:00",
            "finish    Tue 3 Mar 0",
            "80 %",
            "95 %",
            "R² 0.99",
        ] {
            assert!(text.contains(part), "{part}: {text}");
        }
        assert!(
            text.lines().all(|line| line.chars().count() <= 80),
            "{text}"
        );
        let seen = assess(&readings(60), None, None).unwrap();
        let line = reading_line(&seen, Clock::of(&seen, &TimeZone::UTC));
        assert!(
            line.starts_with("Mon 2 Mar 12:55") && line.contains("  done Tue 3 Mar"),
            "{line}"
        );
    }

    #[test]
    fn a_standing_reshape_has_no_finish_time() {
        let mut all = readings(20);
        let mut still = all[19].clone();
        still.at += jiff::SignedDuration::from_mins(5);
        still.reported.speed = Some(0.0);
        all.push(still);
        let text = text(&all);
        assert!(text.contains("stalled since Mon 2 Mar 09:35"), "{text}");
        assert!(text.contains("not known while it does not move"), "{text}");
        let words: Vec<&str> = text.split_whitespace().collect();
        assert!(
            words
                .join(" ")
                .contains("restart nothing before: the reshape stands at"),
            "{text}"
        );
    }

    /// README shows a made-up reshape of drives of 6 TB, as it moves and as it stalls.
    #[test]
    fn what_readme_shows_is_what_is_told() {
        const SIZE: f64 = 6e12;
        let mut all = readings(109);
        let pace = all.windows(2).map(|pair| {
            let way = pair[1].position().unwrap() - pair[0].position().unwrap();
            way * SIZE / 300.0
        });
        let mut paces: Vec<f64> = pace.collect();
        paces.insert(0, paces[0]);
        for (reading, pace) in all.iter_mut().zip(paces) {
            let reported = &mut reading.reported;
            reported.done = reported.fraction.map(|fraction| fraction * SIZE);
            (reported.total, reported.extent) = (Some(SIZE), Some(Extent::Drive));
            reported.speed = Some(pace);
        }
        let moving = text(&all);
        let mut still = all.last().unwrap().clone();
        still.at += jiff::SignedDuration::from_mins(5);
        still.reported.speed = Some(0.0);
        all.push(still);
        let readme = include_str!("../../README.md");
        let lacks = |told: &String| !readme.contains(told.as_str());
        let missing: Vec<String> = [moving, text(&all)].into_iter().filter(lacks).collect();
        assert!(missing.is_empty(), "README lacks:\n{}", missing.join("\n"));
    }

    #[test]
    fn every_alarm_begins_with_what_to_do_and_brings_no_control_characters() {
        let mut seen = assess(&readings(20), None, None).unwrap();
        let hostile = "\u{1b}[31mred\nresilver".to_owned();
        let alarms = [
            (
                Alarm::OthersFirst,
                "do nothing: reads of other users are taking priority since Mon 2 Mar 08:00",
            ),
            (Alarm::Slow(0.2), "look for errors"),
            (Alarm::Stalled, "look for errors"),
            (Alarm::Waits(hostile.clone()), "do nothing"),
            (
                Alarm::Waits("md0 is read-only".into()),
                "let the array be written to",
            ),
            (Alarm::Held(hostile.clone()), "do nothing"),
            (Alarm::Held(String::new()), "ask who paused it"),
            (
                Alarm::WentBack { from: 0.4, to: 0.3 },
                "find out what stopped",
            ),
            (Alarm::Gone(0.4), "look whether the array runs"),
            (Alarm::Unsettled(0.4), "ask `btrfs balance status`"),
            (Alarm::NoAnswer(hostile), "look whether the server"),
        ];
        for (alarm, begins) in alarms {
            seen.alarm = Some(alarm);
            let sentence =
                alarm_sentence(&seen, "my/scans", Clock::of(&seen, &TimeZone::UTC)).unwrap();
            assert!(sentence.starts_with(begins), "{sentence}");
            assert!(!sentence.contains("STUDY"), "{sentence}");
            assert!(!sentence.chars().any(char::is_control), "{sentence:?}");
        }
        seen.alarm = None;
        assert_eq!(
            alarm_sentence(&seen, "my/scans", Clock::of(&seen, &TimeZone::UTC)),
            None
        );
    }

    #[test]
    fn speeds_have_a_unit_in_which_they_are_small_and_fast_readings_their_seconds() {
        assert_eq!(pace(0.025 / 3600.0), "2.50 % an hour");
        assert_eq!(pace(44.9585 / 3600.0), "74.93 % a minute");
        assert_eq!(pace(0.025), "2.50 % a second");
        let mut all = readings(20);
        let seen = assess(&all, None, None).unwrap();
        assert!(
            reading_line(&seen, Clock::of(&seen, &TimeZone::UTC)).starts_with("Mon 2 Mar 09:35  ")
        );
        let start = all[0].at;
        for (reading, second) in all.iter_mut().zip(0..) {
            reading.at = start + jiff::SignedDuration::from_secs(5 * second);
            reading.elapsed = reading.elapsed.map(|_| 5.0);
        }
        let seen = assess(&all, None, None).unwrap();
        let line = reading_line(&seen, Clock::of(&seen, &TimeZone::UTC));
        assert!(line.starts_with("Mon 2 Mar 08:01:35  "), "{line}");
    }

    #[test]
    fn what_runs_after_the_end_is_told_as_another_pass() {
        let mut all = readings(300);
        let end = all.last().unwrap().at;
        let hours = |hours: i64| end + jiff::SignedDuration::from_hours(hours);
        all.push(Reading::of(hours(1), Reported::bare(Word::Finished, "")));
        all.push(Reading::of(hours(2), Reported::bare(Word::Absent, "")));
        let later = Reported {
            fraction: Some(0.286),
            ..Reported::bare(Word::Running, "")
        };
        all.push(Reading::of(hours(700), later));
        let text = text(&all);
        let joined = text.split_whitespace().collect::<Vec<_>>().join(" ");
        for part in [
            "state finished since",
            "what runs now is another pass",
            "last at 28.6 %, which changes nothing here",
        ] {
            assert!(joined.contains(part), "{part}: {joined}");
        }
        assert!(!joined.contains("alarm"), "{joined}");
    }

    #[test]
    fn a_reading_without_an_answer_is_told_too() {
        let start = "2026-03-02T08:00:00Z".parse().unwrap();
        let silent = [Reading::of(
            start,
            Reported::bare(Word::Unreadable, "no route to host"),
        )];
        let text = text(&silent);
        assert!(
            text.contains("lost since") && text.contains("no route to host"),
            "{text}"
        );
    }
}

//! What users felt while a reshape ran, and its speed below it, hour by hour.

use jiff::Timestamp;
use jiff::civil::Weekday;
use jiff::tz::TimeZone;
use plotters::element::Rectangle;
use plotters::style::Color;
use plotters::style::text_anchor::HPos;

use super::axis::{self, Scale};
use super::canvas::{Canvas, Caption, Failure, Place, hatch, line, mark, picture, rule, write};
use super::{palette, thin, time};
use crate::compare::cost::Hour;
use crate::plan::Phase;
use crate::units::{Nanos, percent};

const SIZE: (u32, u32) = (640, 380);
const LEFT: i32 = 84;
const RIGHT: i32 = 616;
/// Upper and lower edge of the latency of users.
const FELT: (i32, i32) = (52, 196);
/// The same of the speed of the reshape.
const SPEED: (i32, i32) = (236, 332);
/// Ticks of an axis.
const TICKS: usize = 4;
/// Stretches of hours, where there are more than twice as many: then hours have no marks of their own.
const STRETCHES: usize = 240;

/// Levels that stand beside the latency.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct CostLines {
    /// Mean latency of the like workload before, in nanoseconds.
    pub baseline_ns: Option<f64>,
    /// The person's limit, in nanoseconds.
    pub limit_ns: Option<f64>,
    /// When people work, where that is stated.
    pub busy: Option<Busy>,
}

/// The hours in which people work.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Busy {
    /// The hour of the day at which they begin.
    pub from: u8,
    /// For how many hours.
    pub hours: f64,
    /// Whether on Saturdays and Sundays too.
    pub weekends: bool,
}

impl Busy {
    /// Whether `hour` begins in them, by the clock of `zone`.
    fn holds(self, hour: &Hour, zone: &TimeZone) -> bool {
        let since = (24 + hour.hour - self.from % 24) % 24;
        let day = hour.begins.to_zoned_datetime(zone.clone()).weekday();
        let weekend = matches!(day, Weekday::Saturday | Weekday::Sunday);
        f64::from(since) < self.hours && (self.weekends || !weekend)
    }
}

/// Mean latency of small reads (logarithmic) over the hours, with its levels, and below it the speed of
/// the reshape from zero on; times by the clock of `zone`. Hours of which nothing is known have no mark,
/// and no line goes across them. `id` is unique on the page.
pub fn cost_chart(
    hours: &[Hour],
    lines: CostLines,
    zone: &TimeZone,
    simulated: bool,
    id: &str,
) -> String {
    let caption = Caption {
        id,
        title: "Small reads of users, and the reshape below".to_owned(),
        description: describe(hours, lines),
        simulated,
    };
    let span = hours.first().zip(hours.last());
    picture(caption, SIZE, 14.0, |canvas| {
        let Some((first, last)) = span else {
            let middle = ((LEFT + RIGHT) / 2, (FELT.0 + SPEED.1) / 2);
            let words = "no hour was followed";
            return write(canvas, words, middle, 12.0, palette::MUTED, HPos::Center);
        };
        let (first, last) = (first.begins, time::beyond(last.begins, last.begins, 1.0));
        let x = Scale::new(time::seconds(first), time::seconds(last), LEFT, RIGHT);
        shade(canvas, hours, lines, x, zone)?;
        time::draw(canvas, x, (first, last), (FELT.0, SPEED.1), zone)?;
        felt(canvas, hours, lines, x)?;
        speed(canvas, hours, x)
    })
}

/// The ground of the hours in which people work, over both pictures.
fn shade(
    canvas: &Canvas<'_>,
    hours: &[Hour],
    lines: CostLines,
    x: Scale,
    zone: &TimeZone,
) -> Result<(), Failure> {
    let Some(busy) = lines.busy else {
        return Ok(());
    };
    for run in hours.chunk_by(|a, b| busy.holds(a, zone) == busy.holds(b, zone)) {
        let (first, last) = (&run[0], &run[run.len() - 1]);
        if busy.holds(first, zone) {
            let at = |hour: &Hour, later: f64| x.at(time::seconds(hour.begins) + later);
            let corners = [(at(first, 0.0), FELT.0), (at(last, 3600.0), SPEED.1)];
            canvas.draw(&Rectangle::new(corners, palette::SHADE.colour().filled()))?;
        }
    }
    let place = (RIGHT, FELT.0 - 10);
    write(
        canvas,
        "shaded: busy hours",
        place,
        11.0,
        palette::MUTED,
        HPos::Right,
    )
}

/// What stands over each hour, for who points at it: its place across, and its values in words.
pub fn cost_points(hours: &[Hour], zone: &TimeZone) -> Vec<(i32, String)> {
    let Some((first, last)) = hours.first().zip(hours.last()) else {
        return Vec::new();
    };
    let last = time::beyond(last.begins, last.begins, 1.0);
    let (first, last) = (time::seconds(first.begins), time::seconds(last));
    let x = Scale::new(first, last, LEFT, RIGHT);
    let words = |hour: &Hour| {
        let clock = hour.begins.to_zoned_datetime(zone.clone());
        let felt = hour.small_read_mean_ns.map_or("not seen".to_owned(), |ns| {
            Nanos(ns.round() as u64).to_string()
        });
        let speed = hour
            .reshape_fraction_per_h
            .map_or("not seen".to_owned(), |speed| percent(speed, 2));
        format!(
            "{}: small read {felt} ({} probes), reshape {speed} an hour",
            clock.strftime("%a %-d %b %H:%M"),
            hour.probes
        )
    };
    let point = |hour: &Hour| (middle(hour.begins, x), words(hour));
    hours.iter().map(point).collect()
}

fn felt(canvas: &Canvas<'_>, hours: &[Hour], lines: CostLines, x: Scale) -> Result<(), Failure> {
    let levels = [lines.baseline_ns, lines.limit_ns];
    let all = hours
        .iter()
        .filter_map(|hour| hour.small_read_mean_ns)
        .chain(levels.into_iter().flatten())
        .filter(|ns| *ns > 0.0)
        .map(f64::log10);
    let (low, high) = all.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), value| {
        (low.min(value), high.max(value))
    });
    if low > high {
        return Ok(());
    }
    let (low, high) = (low - 0.1, high + 0.15);
    let y = Scale::new(low, high, FELT.1, FELT.0);
    for tick in axis::logarithmic(low, high, TICKS) {
        let words = axis::latency(10f64.powf(tick));
        level(canvas, y.at(tick), &words)?;
    }
    heading(canvas, FELT.0, "mean latency of a small read")?;
    if let Some(ns) = lines.limit_ns.filter(|ns| *ns > 0.0) {
        // What lies beyond the limit.
        hatch(
            canvas,
            [(LEFT, FELT.0), (RIGHT, y.at(ns.log10()))],
            palette::RULE,
        )?;
    }
    for (ns, words) in levels.into_iter().zip(["before", "your limit"]) {
        if let Some(ns) = ns.filter(|ns| *ns > 0.0) {
            let at = y.at(ns.log10());
            rule(canvas, (LEFT, at), (RIGHT, at), palette::TEXT, 1)?;
            write(
                canvas,
                words,
                (RIGHT - 4, at - 7),
                11.0,
                palette::TEXT,
                HPos::Right,
            )?;
        }
    }
    let place = |hour: &Hour| {
        let ns = hour.small_read_mean_ns.filter(|ns| *ns > 0.0)?;
        Some((middle(hour.begins, x), y.at(ns.log10())))
    };
    series(canvas, hours, place)
}

fn speed(canvas: &Canvas<'_>, hours: &[Hour], x: Scale) -> Result<(), Failure> {
    let speeds = hours.iter().filter_map(|hour| hour.reshape_fraction_per_h);
    let top = speeds.fold(0.0, f64::max) * 1.1;
    heading(canvas, SPEED.0, "reshape, of the whole in an hour")?;
    if top <= 0.0 {
        return Ok(());
    }
    let y = Scale::new(0.0, top, SPEED.1, SPEED.0);
    for tick in axis::linear(0.0, top, TICKS) {
        level(canvas, y.at(tick), &percent(tick, 1))?;
    }
    let place = |hour: &Hour| {
        let speed = hour.reshape_fraction_per_h?;
        Some((middle(hour.begins, x), y.at(speed)))
    };
    series(canvas, hours, place)
}

/// Half past the hour.
fn middle(begins: Timestamp, x: Scale) -> i32 {
    x.at(time::seconds(begins) + 1800.0)
}

fn level(canvas: &Canvas<'_>, at: i32, words: &str) -> Result<(), Failure> {
    rule(canvas, (LEFT, at), (RIGHT, at), palette::RULE, 1)?;
    let place = (LEFT - 6, at);
    write(canvas, words, place, 11.0, palette::MUTED, HPos::Right)
}

fn heading(canvas: &Canvas<'_>, top: i32, words: &str) -> Result<(), Failure> {
    let place = (LEFT, top - 10);
    write(canvas, words, place, 11.0, palette::MUTED, HPos::Left)
}

/// Marks of the hours that are known, joined where they follow one another; of very many hours, the
/// least and the greatest of each stretch, without marks.
fn series(
    canvas: &Canvas<'_>,
    hours: &[Hour],
    place: impl Fn(&Hour) -> Option<Place>,
) -> Result<(), Failure> {
    let places: Vec<Option<Place>> = hours.iter().map(place).collect();
    let many = hours.len() > 2 * STRETCHES;
    for run in places.split(Option::is_none) {
        let mut run: Vec<Place> = run.iter().flatten().copied().collect();
        if many {
            let heights: Vec<f64> = run.iter().map(|place| f64::from(place.1)).collect();
            let part = (STRETCHES * run.len()).div_ceil(hours.len());
            let kept = thin::thin(&heights, part).into_iter();
            run = kept.map(|index| run[index]).collect();
        }
        if run.len() > 1 {
            line(canvas, Phase::During, run.clone())?;
        }
        for at in run.into_iter().filter(|_| !many) {
            mark(canvas, Phase::During, at, 3)?;
        }
    }
    Ok(())
}

fn describe(hours: &[Hour], lines: CostLines) -> String {
    let known = || hours.iter().filter_map(|hour| hour.small_read_mean_ns);
    let told = |ns: f64| Nanos(ns.round() as u64).to_string();
    let mut text = format!(
        "Mean latency of small reads in {} of {} hours",
        known().count(),
        hours.len()
    );
    if let (Some(low), Some(high)) = (known().reduce(f64::min), known().reduce(f64::max)) {
        text += &format!(", from {} to {}", told(low), told(high));
    }
    if let Some(ns) = lines.baseline_ns {
        text += &format!("; {} before", told(ns));
    }
    if let Some(ns) = lines.limit_ns {
        text += &format!(
            "; the limit is {}, and what lies beyond it is hatched",
            told(ns)
        );
    }
    if let Some(Busy { from, hours, .. }) = lines.busy {
        text += &format!("; {hours} busy hours from {from:02}:00 on are shaded");
    }
    let speeds = || hours.iter().filter_map(|hour| hour.reshape_fraction_per_h);
    if let (Some(low), Some(high)) = (speeds().reduce(f64::min), speeds().reduce(f64::max)) {
        text += &format!(
            ". Below it the reshape, from {} to {} in an hour",
            percent(low, 2),
            percent(high, 2)
        );
    }
    text + "."
}

//! The progress of a reshape, and the finish as it would have been told at four moments.

use jiff::Timestamp;
use jiff::tz::TimeZone;
use plotters::element::PathElement;
use plotters::prelude::*;
use plotters::style::text_anchor::HPos;

use super::axis::Scale;
use super::canvas::{Canvas, Caption, Failure, mark, picture, rule, write};
use super::{palette, thin, time};
use crate::compare::Reshaped;
use crate::compare::forecasted::{Finish, Forecasted, Told};
use crate::plan::Phase;
use crate::reshape::Point;
use crate::units::percent;

const SIZE: (u32, u32) = (640, 380);
const LEFT: i32 = 84;
const RIGHT: i32 = 616;
/// The first lane of forecasts, and the way to the next.
const LANE: i32 = 62;
const STEP: i32 = 22;
/// Upper and lower edge of the curve.
const CURVE: (i32, i32) = (160, 336);
/// So many times the time that it took, and no more, has room.
const MOST: f64 = 1.6;
/// Stretches of a curve that has more points than twice as many.
const STRETCHES: usize = 300;
/// Points that can be read off, at most.
const READ: usize = 200;

/// Progress over time, and above it a lane for each forecast: where it was made, its finish, its 80 %
/// range as a bar and its 95 % range as a line, which a band joins to the curve; an upright where it was really done. Times by the clock
/// of `zone`; ranges that end beyond the picture are cut at its edge. `id` is unique on the page.
pub fn progress_chart(
    reshaped: &Reshaped,
    found: &Forecasted,
    zone: &TimeZone,
    simulated: bool,
    id: &str,
) -> String {
    let caption = Caption {
        id,
        title: "Progress, and the finish as it would have been told".to_owned(),
        description: describe(reshaped, found),
        simulated,
    };
    let (first, last) = span(reshaped, found);
    let x = Scale::new(time::seconds(first), time::seconds(last), LEFT, RIGHT);
    picture(caption, SIZE, 14.0, |canvas| {
        bands(canvas, found, x)?;
        time::draw(canvas, x, (first, last), (LANE - 14, CURVE.1), zone)?;
        lanes(canvas, found, x)?;
        curve(canvas, reshaped, x)?;
        if let Some(finished) = found.finished {
            let at = x.at(time::seconds(finished));
            rule(canvas, (at, LANE - 14), (at, CURVE.1), palette::TEXT, 2)?;
            let (place, end) = match at > (LEFT + RIGHT) / 2 {
                true => (at - 6, HPos::Right),
                false => (at + 6, HPos::Left),
            };
            write(
                canvas,
                "done",
                (place, CURVE.1 - 10),
                11.0,
                palette::TEXT,
                end,
            )?;
        }
        Ok(())
    })
}

/// From where each forecast was made a band to its 95 % range, the later ones on the earlier ones.
fn bands(canvas: &Canvas<'_>, found: &Forecasted, x: Scale) -> Result<(), Failure> {
    let y = Scale::new(0.0, 1.0, CURVE.1, CURVE.0);
    let place = |moment: Timestamp| x.at(time::seconds(moment));
    let finishes = found.moments.iter().filter_map(|of| finish(&of.told));
    for finish in finishes {
        let [early, late] = finish.range95.map(place);
        let apex = (place(finish.made), y.at(finish.fraction));
        let corners = vec![apex, (early, CURVE.0), (late, CURVE.0)];
        canvas.draw(&Polygon::new(
            corners.clone(),
            palette::SHADE.colour().filled(),
        ))?;
        for end in &corners[1..] {
            rule(canvas, apex, *end, palette::RULE, 1)?;
        }
    }
    Ok(())
}

/// What stands over each point of the curve, for who points at it: its place across, and its values in
/// words.
pub fn progress_points(
    reshaped: &Reshaped,
    found: &Forecasted,
    zone: &TimeZone,
) -> Vec<(i32, String)> {
    let (first, last) = span(reshaped, found);
    let x = Scale::new(time::seconds(first), time::seconds(last), LEFT, RIGHT);
    let points = &reshaped.track.points;
    let each = points.len().div_ceil(READ).max(1);
    let point = |point: &Point| {
        let clock = point.at.to_zoned_datetime(zone.clone());
        let words = format!(
            "{}: {} done",
            clock.strftime("%a %-d %b %H:%M"),
            percent(point.fraction, 1)
        );
        (x.at(time::seconds(point.at)), words)
    };
    let thinned = points.iter().step_by(each).chain(points.last());
    thinned.map(point).collect()
}

/// First and last moment of the picture.
fn span(reshaped: &Reshaped, found: &Forecasted) -> (Timestamp, Timestamp) {
    let ends = found.moments.iter().filter_map(|of| finish(&of.told));
    let latest = ends.map(|finish| finish.range95[1]).max();
    let most = time::beyond(reshaped.began, reshaped.until, MOST);
    let last = latest.unwrap_or(reshaped.until).clamp(reshaped.until, most);
    (reshaped.began, last)
}

/// What a reader is told of the readings that are not drawn, where there are any.
pub fn progress_told(reshaped: &Reshaped) -> Option<String> {
    let points = &reshaped.track.points;
    let fractions: Vec<f64> = points.iter().map(|point| point.fraction).collect();
    let kept = thin::thin(&fractions, STRETCHES).len();
    thin::told(kept, points.len(), "readings")
}

fn finish(told: &Told) -> Option<&Finish> {
    match told {
        Told::Finish(finish) => Some(finish),
        Told::NotRead | Told::Nothing(_) => None,
    }
}

fn lanes(canvas: &Canvas<'_>, found: &Forecasted, x: Scale) -> Result<(), Failure> {
    let mut at = LANE;
    for moment in &found.moments {
        let words = format!("told at {}", percent(moment.mark, 0));
        let place = (LEFT - 6, at);
        write(canvas, &words, place, 11.0, palette::MUTED, HPos::Right)?;
        match &moment.told {
            Told::Finish(finish) => lane(canvas, finish, x, at)?,
            other => {
                let words = other.without().unwrap_or_default();
                let place = (LEFT + 6, at);
                write(canvas, &words, place, 11.0, palette::MUTED, HPos::Left)?;
            }
        }
        at += STEP;
    }
    Ok(())
}

fn lane(canvas: &Canvas<'_>, finish: &Finish, x: Scale, at: i32) -> Result<(), Failure> {
    let place = |moment: Timestamp| x.at(time::seconds(moment));
    let made = place(finish.made);
    rule(canvas, (made, at - 5), (made, at + 5), palette::MUTED, 2)?;
    let ink = palette::of(Phase::During);
    let [early, late] = finish.range95.map(place);
    rule(canvas, (early, at), (late, at), ink, 1)?;
    let [early, late] = finish.range80.map(place);
    let bar = Rectangle::new([(early, at - 3), (late, at + 3)], ink.colour().filled());
    canvas.draw(&bar)?;
    mark(canvas, Phase::After, (place(finish.finish), at), 5)
}

fn curve(canvas: &Canvas<'_>, reshaped: &Reshaped, x: Scale) -> Result<(), Failure> {
    let y = Scale::new(0.0, 1.0, CURVE.1, CURVE.0);
    for tick in [0.0, 0.25, 0.5, 0.75, 1.0] {
        let at = y.at(tick);
        rule(canvas, (LEFT, at), (RIGHT, at), palette::RULE, 1)?;
        let (place, words) = ((LEFT - 6, at), percent(tick, 0));
        write(canvas, &words, place, 11.0, palette::MUTED, HPos::Right)?;
    }
    let points = &reshaped.track.points;
    let fractions: Vec<f64> = points.iter().map(|point| point.fraction).collect();
    let mut places: Vec<(i32, i32)> = thin::thin(&fractions, STRETCHES)
        .into_iter()
        .map(|index| &points[index])
        .map(|point| (x.at(time::seconds(point.at)), y.at(point.fraction)))
        .collect();
    if let Some(ending) = reshaped.ending {
        places.push((x.at(time::seconds(ending.at)), y.at(1.0)));
    }
    // A picture of few readings shows them.
    if places.len() < 40 {
        for place in &places {
            mark(canvas, Phase::During, *place, 3)?;
        }
    }
    let style = palette::of(Phase::During).colour().stroke_width(2);
    canvas.draw(&PathElement::new(places, style))
}

fn describe(reshaped: &Reshaped, found: &Forecasted) -> String {
    let hours = found.hours.map_or("not done yet".to_owned(), |hours| {
        format!("done after {hours:.1} hours")
    });
    let mut text = format!("Progress of the reshape, {hours}.");
    if let Some(told) = progress_told(reshaped) {
        text += &format!(" {told}.");
    }
    for moment in &found.moments {
        let at = percent(moment.mark, 0);
        let Some(finish) = finish(&moment.told) else {
            continue;
        };
        if let Some(error) = finish.error_h {
            let way = if error < 0.0 { "early" } else { "late" };
            text += &format!(" Told at {at}: {:.1} hours too {way}.", error.abs());
        }
    }
    text
}

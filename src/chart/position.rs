//! Where the test data lies on the drives, and how fast they are there.

use plotters::element::{PathElement, Rectangle};
use plotters::style::Color;
use plotters::style::text_anchor::HPos;

use super::axis::Scale;
use super::canvas::{Canvas, Caption, Failure, mark, picture, rule, write};
use super::palette;
use crate::compare::location::Place;
use crate::plan::Phase;
use crate::pool::relative_rate;
use crate::text::short;
use crate::units::percent;

/// Where the data of one workload lay in one phase.
#[derive(Clone, Debug, PartialEq)]
pub struct Lying {
    /// The workload.
    pub workload: String,
    /// The phase.
    pub phase: Phase,
    /// The place.
    pub place: Place,
}

const WIDTH: u32 = 640;
const LEFT: i32 = 190;
const RIGHT: i32 = 600;
/// Upper and lower edge of the curve of speed.
const CURVE: (i32, i32) = (54, 130);
const TOP: i32 = 146;
const LANE: i32 = 24;

/// The speed of the tracks from the outermost to the innermost, whose rate is `inner` (0 to 1) of the
/// outermost's, and below it a lane for each of `rows`: a bar from its first byte to its last, a mark at the
/// mean. `stated` is whether the person stated `inner`. `id` is unique on the page.
pub fn position_chart(
    rows: &[Lying],
    inner: f64,
    stated: bool,
    simulated: bool,
    id: &str,
) -> String {
    let bottom = TOP + LANE * rows.len() as i32;
    let caption = Caption {
        id,
        title: "Where the test data lies on the drives".to_owned(),
        description: describe(rows, inner),
        simulated,
    };
    let x = Scale::new(0.0, 1.0, LEFT, RIGHT);
    picture(caption, (WIDTH, (bottom + 46) as u32), 14.0, |canvas| {
        for tick in [0.0, 0.25, 0.5, 0.75, 1.0] {
            let at = x.at(tick);
            rule(canvas, (at, CURVE.0), (at, bottom), palette::RULE, 1)?;
            let place = (at, bottom + 12);
            write(
                canvas,
                &percent(tick, 0),
                place,
                12.0,
                palette::MUTED,
                HPos::Center,
            )?;
        }
        let middle = ((LEFT + RIGHT) / 2, bottom + 32);
        let words = "of the device, from its outermost track (0 %) inwards";
        write(canvas, words, middle, 12.0, palette::MUTED, HPos::Center)?;
        curve(canvas, x, inner, stated)?;
        for (index, row) in rows.iter().enumerate() {
            lane(canvas, row, x, TOP + LANE * index as i32 + LANE / 2)?;
        }
        Ok(())
    })
}

fn curve(canvas: &Canvas<'_>, x: Scale, inner: f64, stated: bool) -> Result<(), Failure> {
    let y = Scale::new(0.0, 1.0, CURVE.1, CURVE.0);
    for tick in [0.0, 0.5, 1.0] {
        let at = y.at(tick);
        rule(canvas, (LEFT, at), (RIGHT, at), palette::RULE, 1)?;
        let place = (LEFT - 8, at);
        write(
            canvas,
            &percent(tick, 0),
            place,
            11.0,
            palette::MUTED,
            HPos::Right,
        )?;
    }
    let source = if stated {
        "as stated"
    } else {
        "as rotating drives usually are"
    };
    let words = format!("rate of a track ({source})");
    write(
        canvas,
        &words,
        (LEFT, CURVE.0 - 12),
        11.0,
        palette::MUTED,
        HPos::Left,
    )?;
    let part = |step: i32| f64::from(step) / 50.0;
    let place = |step| (x.at(part(step)), y.at(relative_rate(part(step), inner)));
    let line = palette::TEXT.colour().stroke_width(2);
    canvas.draw(&PathElement::new(
        (0..=50).map(place).collect::<Vec<_>>(),
        line,
    ))
}

fn lane(canvas: &Canvas<'_>, row: &Lying, x: Scale, y: i32) -> Result<(), Failure> {
    let words = format!("{} {}", short(&row.workload, 16), row.phase);
    write(
        canvas,
        &words,
        (LEFT - 8, y),
        12.0,
        palette::TEXT,
        HPos::Right,
    )?;
    let (low, high) = (x.at(row.place.low), x.at(row.place.high));
    let corners = [(low, y - 6), (high.max(low + 2), y + 6)];
    canvas.draw(&Rectangle::new(corners, palette::SHADE.colour().filled()))?;
    let edge = palette::of(row.phase).colour().stroke_width(1);
    canvas.draw(&Rectangle::new(corners, edge))?;
    mark(canvas, row.phase, (x.at(row.place.mean), y), 4)
}

fn describe(rows: &[Lying], inner: f64) -> String {
    let row = |row: &Lying| {
        let Place { low, mean, high } = row.place;
        format!(
            "{} {}: from {} to {}, mean {}, where a track has {} of the outermost rate.",
            short(&row.workload, 60),
            row.phase,
            percent(low, 0),
            percent(high, 0),
            percent(mean, 0),
            percent(relative_rate(mean, inner), 0)
        )
    };
    let rows: Vec<String> = rows.iter().map(row).collect();
    format!(
        "Place of the test data as a part of the device. {}",
        rows.join(" ")
    )
}

#[cfg(test)]
mod tests {
    use super::super::tests::check;
    use super::*;
    use crate::report::testing::HOSTILE;

    #[test]
    fn places_stand_by_phase_with_the_rate_of_their_tracks() {
        let lying = |workload: &str, phase, mean| Lying {
            workload: workload.to_owned(),
            phase,
            place: Place {
                low: mean - 0.05,
                mean,
                high: mean + 0.05,
            },
        };
        let rows = [
            lying("large-read", Phase::Before, 0.9),
            lying(HOSTILE, Phase::After, 0.675),
        ];
        let svg = position_chart(&rows, 0.5, false, true, "x");
        check(&svg);
        // √(1 − 0.75·0.9) = 0.570 and √(1 − 0.75·0.675) = 0.703, derived.
        for part in [
            "where a track has 57 %",
            "where a track has 70 %",
            "SIMULATED",
        ] {
            assert!(svg.contains(part), "{part} in {svg}");
        }
    }
}

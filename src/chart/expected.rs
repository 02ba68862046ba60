//! What was expected of each workload against what was measured.

use plotters::element::Rectangle;
use plotters::style::Color;
use plotters::style::text_anchor::HPos;

use super::axis::Scale;
use super::canvas::{Canvas, Caption, Failure, hatch, mark, picture, rule, write};
use super::{axis, palette};
use crate::compare::Bounds;
use crate::plan::Phase;
use crate::text::short;

/// A workload with its expectation.
#[derive(Clone, Debug, PartialEq)]
pub struct Expected {
    /// Its name.
    pub workload: String,
    /// After over before as expected.
    pub band: Bounds,
    /// The same as measured; `None` where it is void or was not measured.
    pub measured: Option<f64>,
    /// Its interval.
    pub interval: Option<Bounds>,
    /// How they lie, in words.
    pub words: &'static str,
}

const WIDTH: u32 = 640;
const LEFT: i32 = 132;
const RIGHT: i32 = 486;
const TOP: i32 = 52;
const LANE: i32 = 32;
/// A measured ratio beyond so many times the largest expected has no room.
const MOST: f64 = 3.0;

/// A lane for each of `rows`: the expected band as a ground, the measured change as a mark with its 95 %
/// interval, an upright where nothing changes. What is void or missing is hatched and says so. `id` is unique
/// on the page.
pub fn expected_chart(rows: &[Expected], simulated: bool, id: &str) -> String {
    let bottom = TOP + LANE * rows.len() as i32;
    let caption = Caption {
        id,
        title: "After ÷ before, expected and measured".to_owned(),
        description: describe(rows),
        simulated,
    };
    let expected = rows.iter().map(|row| row.band.high).fold(1.0, f64::max);
    let most = expected * MOST;
    let values = rows.iter().flat_map(|row| {
        let interval = row
            .interval
            .map_or([None; 2], |of| [Some(of.low), Some(of.high)]);
        let ends = [Some(row.band.low), Some(row.band.high), row.measured];
        ends.into_iter().chain(interval).flatten()
    });
    let sound = values.filter(|value| value.is_finite() && (0.0..=most).contains(value));
    let (low, high) = sound.fold((1.0, 1.0), |(low, high): (f64, f64), value| {
        (low.min(value), high.max(value))
    });
    let pad = (high - low).max(0.1) * 0.06;
    let (low, high) = ((low - pad).max(0.0), high + pad);
    let x = Scale::new(low, high, LEFT, RIGHT);
    picture(caption, (WIDTH, (bottom + 44) as u32), 14.0, |canvas| {
        for tick in axis::linear(low, high, 6) {
            let at = x.at(tick);
            rule(canvas, (at, TOP - 6), (at, bottom), palette::RULE, 1)?;
            let place = (at, bottom + 12);
            write(
                canvas,
                &axis::number(tick),
                place,
                12.0,
                palette::MUTED,
                HPos::Center,
            )?;
        }
        let middle = ((LEFT + RIGHT) / 2, bottom + 31);
        write(
            canvas,
            "ratio of after to before",
            middle,
            12.0,
            palette::MUTED,
            HPos::Center,
        )?;
        for (index, row) in rows.iter().enumerate() {
            lane(canvas, row, x, TOP + LANE * index as i32 + LANE / 2)?;
        }
        let none = x.at(1.0);
        rule(canvas, (none, TOP - 6), (none, bottom), palette::TEXT, 1)?;
        let place = (none, TOP - 12);
        write(
            canvas,
            "no change",
            place,
            11.0,
            palette::TEXT,
            HPos::Center,
        )
    })
}

fn lane(canvas: &Canvas<'_>, row: &Expected, x: Scale, y: i32) -> Result<(), Failure> {
    let name = short(&row.workload, 18);
    write(
        canvas,
        &name,
        (LEFT - 8, y),
        12.0,
        palette::TEXT,
        HPos::Right,
    )?;
    let (low, high) = (x.at(row.band.low), x.at(row.band.high));
    // A band of one value still has to be seen.
    let (low, high) = if high - low < 4 {
        (low - 2, high + 2)
    } else {
        (low, high)
    };
    let corners = [(low, y - 10), (high, y + 10)];
    canvas.draw(&Rectangle::new(corners, palette::SHADE.colour().filled()))?;
    canvas.draw(&Rectangle::new(
        corners,
        palette::MUTED.colour().stroke_width(1),
    ))?;
    let words = match row.measured {
        Some(measured) => {
            if let Some(interval) = row.interval {
                let ink = palette::of(Phase::After);
                let (from, to) = (x.at(interval.low), x.at(interval.high));
                rule(canvas, (from, y), (to, y), ink, 2)?;
                for end in [from, to] {
                    rule(canvas, (end, y - 5), (end, y + 5), ink, 1)?;
                }
            }
            mark(canvas, Phase::After, (x.at(measured), y), 4)?;
            row.words
        }
        None => {
            hatch(canvas, [(LEFT, y - 12), (RIGHT, y + 12)], palette::MUTED)?;
            "void or not measured"
        }
    };
    write(
        canvas,
        words,
        (RIGHT + 10, y),
        12.0,
        palette::TEXT,
        HPos::Left,
    )
}

fn describe(rows: &[Expected]) -> String {
    let row = |row: &Expected| {
        let measured = row
            .measured
            .map_or("void or not measured".to_owned(), |ratio| {
                let interval = row.interval.map_or(String::new(), |Bounds { low, high }| {
                    format!(" ({low:.2} to {high:.2})")
                });
                format!("measured {ratio:.2}{interval}, {}", row.words)
            });
        let Bounds { low, high } = row.band;
        let name = short(&row.workload, 60);
        format!("{name}: expected {low:.2} to {high:.2}, {measured}.")
    };
    let rows: Vec<String> = rows.iter().map(row).collect();
    format!("Ratio of after to before. {}", rows.join(" "))
}

#[cfg(test)]
mod tests {
    use super::super::tests::{check, strokes};
    use super::*;
    use crate::report::testing::HOSTILE;

    #[test]
    fn what_is_void_is_hatched_and_wild_values_stay_in_the_picture() {
        let bounds = |low, high| Bounds { low, high };
        let row = |workload: &str, measured, interval| Expected {
            workload: workload.to_owned(),
            band: bounds(1.33, 1.5),
            measured,
            interval,
            words: "as expected",
        };
        let good = row("large-read", Some(1.4), Some(bounds(1.3, 1.5)));
        let alone = expected_chart(std::slice::from_ref(&good), false, "x");
        check(&alone);
        assert!(alone.contains("large-read: expected 1.33 to 1.50, measured 1.40 (1.30 to 1.50)"));
        let void = row(HOSTILE, None, None);
        let wild = row("mixed", Some(9e9), Some(bounds(-1.0, f64::INFINITY)));
        let all = expected_chart(&[good, void, wild], true, "x");
        check(&all);
        // A hatch is many lines.
        assert!(strokes(&all) > strokes(&alone) + 20, "{}", strokes(&all));
        assert!(all.contains("void or not measured") && all.contains("SIMULATED"));
        check(&expected_chart(&[], false, "x"));
    }
}

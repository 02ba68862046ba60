//! What the pictures share: their size and text, marks and lines of phases, title and description.

use plotters::coord::Shift;
use plotters::element::{DashedPathElement, PathElement};
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

use super::lean::lean;
use super::palette::{self, Ink};
use crate::plan::Phase;
use crate::text::{plain, short};

/// A picture being drawn.
pub(super) type Canvas<'a> = DrawingArea<SVGBackend<'a>, Shift>;
/// Why drawing failed; into memory it does not.
pub(super) type Failure = DrawingAreaErrorKind<std::io::Error>;
/// A place in pixels from the upper left corner.
pub(super) type Place = (i32, i32);

/// Width of a character as a part of the size of its font, on the wide side for the common
/// sans-serif fonts.
const CHARACTER: f64 = 0.58;

/// What a picture is called.
pub(super) struct Caption<'a> {
    /// Identifier, unique on the page.
    pub(super) id: &'a str,
    /// The line on top.
    pub(super) title: String,
    /// The same content in words.
    pub(super) description: String,
    /// Whether what is shown is made up.
    pub(super) simulated: bool,
}

/// Draws a picture of `width` × `height` pixels: background, title in `size` points, then `draw`.
pub(super) fn picture(
    caption: Caption<'_>,
    (width, height): (u32, u32),
    size: f64,
    draw: impl FnOnce(&Canvas<'_>) -> Result<(), Failure>,
) -> String {
    let mut svg = String::new();
    let Caption {
        id,
        title,
        description,
        simulated,
    } = caption;
    let title = match simulated {
        true => format!("SIMULATED · {title}"),
        false => title,
    };
    {
        let canvas = SVGBackend::with_string(&mut svg, (width, height)).into_drawing_area();
        let room = (f64::from(width - 16) / (size * CHARACTER)) as usize;
        let heading = font(size, palette::TEXT).pos(Pos::new(HPos::Left, VPos::Top));
        canvas
            .fill(&palette::PAPER.colour())
            .and_then(|()| canvas.draw(&Text::new(short(&title, room), (8, 6), heading)))
            .and_then(|()| draw(&canvas))
            .and_then(|()| canvas.present())
            .expect("a picture is drawn into memory");
    }
    let head = format!(
        "<svg role=\"img\" aria-labelledby=\"{id}-title {id}-desc\" font-family=\"sans-serif\" "
    );
    let words = format!(
        "><title id=\"{id}-title\">{}</title><desc id=\"{id}-desc\">{}</desc>",
        escape(&plain(&title)),
        escape(&plain(&description))
    );
    let themed = palette::themed(&lean(&svg));
    themed.replacen("<svg ", &head, 1).replacen('>', &words, 1)
}

pub(super) fn escape(text: &str) -> String {
    text.replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('>', "&gt;")
}

/// Text of `size` pixels. Plotters divides sizes by 1.24 when it writes SVG.
pub(super) fn font(size: f64, ink: Ink) -> TextStyle<'static> {
    ("sans-serif", size * 1.24)
        .into_font()
        .color(&ink.colour())
        .into_text_style(&(0, 0))
}

/// Text of `size` pixels at `place`, which is its left, middle or right end, half way up. One that is
/// centred too near to an edge is moved, so that none of it is cut off.
pub(super) fn write(
    canvas: &Canvas<'_>,
    text: &str,
    place: Place,
    size: f64,
    ink: Ink,
    end: HPos,
) -> Result<(), Failure> {
    let place = match end {
        HPos::Center => (
            kept_inside(text, place.0, size, canvas.dim_in_pixel().0),
            place.1,
        ),
        HPos::Left | HPos::Right => place,
    };
    let style = font(size, ink).pos(Pos::new(end, VPos::Center));
    canvas.draw(&Text::new(text.to_owned(), place, style))
}

/// Where the middle of `text` of `size` pixels has to be, at `x` or beside it, so that all of it lies within
/// a picture of `width`.
fn kept_inside(text: &str, x: i32, size: f64, width: u32) -> i32 {
    // Characters are reckoned by their mean, and digits are wider.
    const MARGIN: f64 = 4.0;
    let half = (text.chars().count() as f64 * size * CHARACTER / 2.0 + MARGIN).ceil() as i32;
    let (least, most) = (half, i32::try_from(width).unwrap_or(i32::MAX) - half);
    match least < most {
        true => x.clamp(least, most),
        false => x,
    }
}

/// The mark of `phase`: a disc, a triangle, a square.
pub(super) fn mark(
    canvas: &Canvas<'_>,
    phase: Phase,
    (x, y): Place,
    reach: i32,
) -> Result<(), Failure> {
    let style = palette::of(phase).colour().filled();
    match phase {
        Phase::Before => canvas.draw(&Circle::new((x, y), reach, style)),
        Phase::During => {
            let corners = vec![
                (x - reach, y + reach),
                (x + reach, y + reach),
                (x, y - reach),
            ];
            canvas.draw(&Polygon::new(corners, style))
        }
        Phase::After => {
            let corners = [(x - reach, y - reach), (x + reach, y + reach)];
            canvas.draw(&Rectangle::new(corners, style))
        }
    }
}

/// The mark of `phase` as an outline: of something that is void.
pub(super) fn hollow(
    canvas: &Canvas<'_>,
    phase: Phase,
    (x, y): Place,
    reach: i32,
) -> Result<(), Failure> {
    mark(canvas, phase, (x, y), reach)?;
    let inside = palette::PAPER.colour().filled();
    canvas.draw(&Circle::new((x, y), (reach - 2).max(1), inside))
}

/// A hatched ground without an edge: nothing of it is to be read as a quantity.
pub(super) fn hatch(canvas: &Canvas<'_>, corners: [Place; 2], ink: Ink) -> Result<(), Failure> {
    const STEP: usize = 7;
    let [(left, top), (right, bottom)] = corners;
    let height = bottom - top;
    for start in (left - height..right).step_by(STEP) {
        // From the lower edge up to the right, cut at both sides.
        let (from, to) = (start.max(left), (start + height).min(right));
        let rise = |x: i32| bottom - (x - start);
        rule(canvas, (from, rise(from)), (to, rise(to)), ink, 1)?;
    }
    Ok(())
}

/// A straight line.
pub(super) fn rule(
    canvas: &Canvas<'_>,
    from: Place,
    to: Place,
    ink: Ink,
    width: u32,
) -> Result<(), Failure> {
    let style = ink.colour().stroke_width(width);
    canvas.draw(&PathElement::new(vec![from, to], style))
}

/// The line of `phase` through `places`: before dashed, during dotted, after whole.
pub(super) fn line(canvas: &Canvas<'_>, phase: Phase, places: Vec<Place>) -> Result<(), Failure> {
    let style = palette::of(phase).colour().stroke_width(2);
    match phase {
        Phase::Before => canvas.draw(&DashedPathElement::new(places, 8, 4, style)),
        Phase::During => canvas.draw(&DashedPathElement::new(places, 2, 3, style)),
        Phase::After => canvas.draw(&PathElement::new(places, style)),
    }
}

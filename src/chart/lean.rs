//! A drawn picture with nothing said twice: a page holds hundreds of them.
//!
//! The backend writes each mark as an element of its own with all that could be said of it. Here what
//! holds anyway is left out, lines of one style that follow one another become one path, each place told
//! from the one before, and discs of one style share it. What is drawn stays the same, in the same order.

use std::fmt::Write as _;

/// What SVG takes for granted (SVG 2, properties' initial values), and the font, which pictures name once.
const GRANTED: [&str; 5] = [
    " opacity=\"1\"",
    " stroke=\"none\"",
    " stroke-width=\"1\"",
    " text-anchor=\"start\"",
    " font-family=\"sans-serif\"",
];
/// How the backend begins lines that nothing shines through.
const LINES: &str = "<polyline fill=\"none\" opacity=\"1\" ";
const POINTS: &str = " points=\"";
const DISC: &str = "<circle ";

/// `svg`, as the backend wrote it, element by element on lines of their own.
pub(super) fn lean(svg: &str) -> String {
    let mut lean = String::with_capacity(svg.len() / 2);
    let mut lines = svg.lines().peekable();
    while let Some(line) = lines.next() {
        if let Some((style, places)) = stroke(line) {
            let mut path = Path::default();
            path.add(&places);
            while let Some((_, more)) = lines
                .peek()
                .and_then(|line| stroke(line))
                .filter(|(next, _)| *next == style)
            {
                path.add(&more);
                lines.next();
            }
            let style = brief(style);
            writeln!(lean, "<path fill=\"none\" {style} d=\"{}\"/>", path.words)
                .expect("memory does not fail");
        } else if let Some((place, style)) = disc(line) {
            let mut alike = vec![place];
            while let Some((more, _)) = lines
                .peek()
                .and_then(|line| disc(line))
                .filter(|(_, next)| *next == style)
            {
                alike.push(more);
                lines.next();
            }
            discs(&mut lean, &alike, style);
        } else {
            lean += &brief(line);
            lean.push('\n');
        }
    }
    lean
}

/// An element without what holds anyway; a line of text as it is.
fn brief(line: &str) -> String {
    let granted = GRANTED
        .iter()
        .filter(|_| !line.contains('>') || line.starts_with('<'));
    granted.fold(line.to_owned(), |line, words| line.replace(words, ""))
}

/// The style of a line and the places that it goes through.
fn stroke(line: &str) -> Option<(&str, Vec<(i32, i32)>)> {
    let (style, points) = line.strip_prefix(LINES)?.split_once(POINTS)?;
    let places = points.strip_suffix("\"/>")?.split_ascii_whitespace();
    let places = places.map(|place| {
        let (x, y) = place.split_once(',')?;
        Some((x.parse().ok()?, y.parse().ok()?))
    });
    let places = places.collect::<Option<Vec<_>>>()?;
    (!places.is_empty()).then_some((style, places))
}

/// Strokes, each place told from the one before (SVG 2, section 9.3: `m` and what follows it).
#[derive(Default)]
struct Path {
    words: String,
    at: (i32, i32),
}

impl Path {
    fn add(&mut self, places: &[(i32, i32)]) {
        let mut first = true;
        for (x, y) in places {
            let (right, down) = (x - self.at.0, y - self.at.1);
            // A sign parts two numbers as well as a space does.
            let part = if down < 0 { "" } else { " " };
            let before = match first {
                true => "m",
                false if right < 0 => "",
                false => " ",
            };
            write!(self.words, "{before}{right}{part}{down}").expect("memory does not fail");
            (self.at, first) = ((*x, *y), false);
        }
    }
}

/// Where a disc stands, and all else that is said of it.
fn disc(line: &str) -> Option<(&str, &str)> {
    let rest = line.strip_prefix(DISC)?.strip_suffix("/>")?;
    // The radius is no property that discs could share.
    let (place, style) = rest.split_once(" opacity=")?;
    Some((place, &rest[rest.len() - style.len() - " opacity=".len()..]))
}

fn discs(lean: &mut String, places: &[&str], style: &str) {
    let style = brief(style);
    // Of a whole group the opacity is another thing.
    let share = places.len() > 1 && !style.contains(" opacity=");
    let (group, own) = match share {
        true => (style.as_str(), ""),
        false => ("", style.as_str()),
    };
    if share {
        writeln!(lean, "<g{group}>").expect("memory does not fail");
    }
    for place in places {
        writeln!(lean, "<circle {place}{own}/>").expect("memory does not fail");
    }
    if share {
        *lean += "</g>\n";
    }
}

#[cfg(test)]
mod tests {
    use plotters::element::{Circle, DashedPathElement, PathElement};
    use plotters::prelude::*;

    use super::super::canvas::{Canvas, Failure, hatch, write};
    use super::super::{Painter, palette};
    use super::*;
    use plotters::style::text_anchor::HPos;

    fn drawn(draw: impl FnOnce(&Canvas<'_>) -> Result<(), Failure>) -> String {
        let mut svg = String::new();
        let canvas = SVGBackend::with_string(&mut svg, (120, 90)).into_drawing_area();
        canvas.fill(&WHITE).unwrap();
        draw(&canvas).unwrap();
        canvas.present().unwrap();
        drop(canvas);
        // As pictures name it, once.
        svg.replacen("<svg ", "<svg font-family='sans-serif' ", 1)
    }

    fn marks(canvas: &Canvas<'_>) -> Result<(), Failure> {
        let (ink, rust) = (palette::TEXT, RGBColor(180, 80, 20));
        hatch(canvas, [(10, 10), (60, 80)], ink)?;
        let wave: Vec<(i32, i32)> = (0..20).map(|x| (62 + 2 * x, 40 + 9 * (x % 3))).collect();
        canvas.draw(&PathElement::new(wave.clone(), rust.stroke_width(1)))?;
        canvas.draw(&DashedPathElement::new(
            [(5, 85), (115, 82)],
            8,
            4,
            rust.stroke_width(2),
        ))?;
        for (index, place) in wave.into_iter().enumerate() {
            let style = match index {
                0..5 => rust.filled(),
                5..9 => rust.mix(0.4).filled(),
                _ => rust.stroke_width(1),
            };
            canvas.draw(&Circle::new(place, 4, style))?;
        }
        write(
            canvas,
            "\" opacity=\"1\" < a",
            (70, 20),
            10.0,
            ink,
            HPos::Left,
        )
    }

    #[test]
    fn what_is_drawn_stays_the_same_to_the_pixel() {
        let svg = drawn(marks);
        let lean = lean(&svg);
        let painter = Painter::default();
        assert!(
            painter.png(&lean).unwrap() == painter.png(&svg).unwrap(),
            "{lean}"
        );
        assert!(
            2 * lean.len() < svg.len(),
            "{} of {}",
            lean.len(),
            svg.len()
        );
        assert!(painter.png(&svg).unwrap() != painter.png(&drawn(|_| Ok(()))).unwrap());
    }

    #[test]
    fn lines_of_one_style_are_one_path_and_others_keep_their_order() {
        let line = |canvas: &Canvas<'_>, y: i32, style: ShapeStyle| {
            canvas.draw(&PathElement::new(vec![(1, y), (9, y - 2), (5, y)], style))
        };
        let svg = lean(&drawn(|canvas| {
            line(canvas, 10, BLACK.stroke_width(1))?;
            line(canvas, 20, BLACK.stroke_width(1))?;
            line(canvas, 30, BLACK.stroke_width(2))?;
            line(canvas, 40, BLACK.mix(0.5).stroke_width(2))
        }));
        let first = "<path fill=\"none\" stroke=\"#000000\" d=\"m1 10 8-2-4 2m-4 10 8-2-4 2\"/>\n";
        let second =
            "<path fill=\"none\" stroke=\"#000000\" stroke-width=\"2\" d=\"m1 30 8-2-4 2\"/>\n";
        assert!(svg.contains(&format!("{first}{second}<polyline ")), "{svg}");
    }
}

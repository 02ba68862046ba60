//! The way from a drive to the client: what each layer can carry, what was seen, and where it is
//! narrowest.

use plotters::element::Rectangle;
use plotters::style::Color;
use plotters::style::text_anchor::HPos;

use super::axis::{self, Scale};
use super::canvas::{Canvas, Caption, Failure, Place, hatch, picture, rule, write};
use super::palette;
use super::spots::Spots;
use crate::plan::Phase;
use crate::text::short;
use crate::units::Rate;

/// One layer on the way from a drive to the client.
#[derive(Clone, Debug, PartialEq)]
pub struct Stage {
    /// What it is called: drive, pool, server, wire, client.
    pub name: &'static str,
    /// The most that it can carry, where that is known.
    pub ceiling: Option<Rate>,
    /// What is known of it, in words.
    pub words: String,
    /// Set at the layer that limited: `narrowest`, or `served from here`.
    pub mark: Option<&'static str>,
}

/// What reached the client.
#[derive(Clone, Debug, PartialEq)]
pub struct Reached {
    /// When.
    pub phase: Phase,
    /// How much.
    pub rate: Rate,
    /// What to write beside it: the grade, and whether it is void.
    pub words: String,
    /// Whether the rate is not the drives' speed.
    pub void: bool,
}

const WIDTH: u32 = 430;
const LEFT: i32 = 48;
const RIGHT: i32 = 232;
const TOP: i32 = 36;
const LANE: i32 = 34;

/// A lane for each of `stages`, a bar as long as its ceiling where that is known and a broken line
/// where it is not, the one that limited framed and marked in words; below them what reached the
/// client, hatched when it is void. `id` is unique on the page.
pub fn layers_chart(
    title: &str,
    stages: &[Stage],
    reached: &Reached,
    simulated: bool,
    id: &str,
) -> String {
    let bottom = TOP + LANE * (stages.len() as i32 + 1);
    let caption = Caption {
        id,
        title: format!("{title}, MB/s"),
        description: describe(stages, reached),
        simulated,
    };
    let mut spots = Spots::new(simulated);
    let svg = picture(caption, (WIDTH, (bottom + 28) as u32), 14.0, |canvas| {
        let most = stages
            .iter()
            .filter_map(|stage| stage.ceiling)
            .fold(reached.rate.0, |most, ceiling| most.max(ceiling.0))
            / 1e6;
        let scale = Scale::new(0.0, most * 1.04, LEFT + 8, RIGHT);
        for tick in axis::linear(0.0, most * 1.04, 4) {
            let x = scale.at(tick);
            rule(canvas, (x, TOP), (x, bottom), palette::RULE, 1)?;
            let place = (x, bottom + 12);
            let words = axis::number(tick);
            write(canvas, &words, place, 12.0, palette::MUTED, HPos::Center)?;
        }
        let mut y = TOP + LANE / 2;
        for stage in stages {
            lane(canvas, stage, scale, y)?;
            spots.put(band(y), &stage_words(stage));
            y += LANE;
        }
        spots.put(band(y), &reached_words(reached));
        seen(canvas, reached, scale, y)
    });
    spots.over(&svg)
}

/// A lane's area.
fn band(y: i32) -> [Place; 2] {
    [(0, y - LANE / 2), (WIDTH as i32, y + LANE / 2)]
}

fn lane(canvas: &Canvas<'_>, stage: &Stage, scale: Scale, y: i32) -> Result<(), Failure> {
    write(
        canvas,
        stage.name,
        (LEFT, y),
        12.0,
        palette::TEXT,
        HPos::Right,
    )?;
    let (start, end) = (
        scale.at(0.0),
        stage.ceiling.map(|rate| scale.at(rate.0 / 1e6)),
    );
    match end {
        Some(end) => {
            let corners = [(start, y - 8), (end, y + 8)];
            canvas.draw(&Rectangle::new(corners, palette::SHADE.colour().filled()))?;
            let outline = palette::MUTED.colour().stroke_width(1);
            canvas.draw(&Rectangle::new(corners, outline))?;
        }
        None => {
            let dashes = (start..RIGHT).step_by(10);
            for x in dashes {
                rule(canvas, (x, y), ((x + 4).min(RIGHT), y), palette::MUTED, 1)?;
            }
        }
    }
    if let Some(mark) = stage.mark {
        let end = end.unwrap_or(RIGHT);
        for (from, to) in [
            ((start, y - 10), (end, y - 10)),
            ((start, y + 10), (end, y + 10)),
            ((end, y - 10), (end, y + 10)),
            ((start, y - 10), (start, y + 10)),
        ] {
            rule(canvas, from, to, palette::TEXT, 2)?;
        }
        let words = format!("◀ {mark}");
        let place = (RIGHT + 10, y - 8);
        write(canvas, &words, place, 12.0, palette::TEXT, HPos::Left)?;
    }
    let y = if stage.mark.is_some() { y + 8 } else { y };
    let words = short(&stage.words, 29);
    write(
        canvas,
        &words,
        (RIGHT + 10, y),
        11.0,
        palette::MUTED,
        HPos::Left,
    )
}

fn seen(canvas: &Canvas<'_>, reached: &Reached, scale: Scale, y: i32) -> Result<(), Failure> {
    write(canvas, "seen", (LEFT, y), 12.0, palette::TEXT, HPos::Right)?;
    let corners = [
        (scale.at(0.0), y - 6),
        (scale.at(reached.rate.0 / 1e6), y + 6),
    ];
    if reached.void {
        hatch(canvas, corners, palette::MUTED)?;
        let frame = palette::MUTED.colour().stroke_width(1);
        canvas.draw(&Rectangle::new(corners, frame))?;
    } else {
        let style = palette::of(reached.phase).colour().filled();
        canvas.draw(&Rectangle::new(corners, style))?;
    }
    let words = short(&reached.words, 29);
    let place = (RIGHT + 10, y);
    write(canvas, &words, place, 11.0, palette::TEXT, HPos::Left)
}

fn describe(stages: &[Stage], reached: &Reached) -> String {
    let stages: Vec<String> = stages.iter().map(stage_words).collect();
    format!(
        "From a drive to the client. {} {}",
        stages.join(" "),
        reached_words(reached)
    )
}

fn stage_words(stage: &Stage) -> String {
    let mark = stage
        .mark
        .map_or(String::new(), |mark| format!(" ({mark})"));
    format!("{}{mark}: {}.", stage.name, stage.words)
}

fn reached_words(reached: &Reached) -> String {
    format!("Seen: {}, {}.", reached.rate, reached.words)
}

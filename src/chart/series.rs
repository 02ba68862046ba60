//! One trial, window by window; small, so that many fit on a page.

use plotters::element::{Circle, PathElement, Rectangle};
use plotters::style::Color;
use plotters::style::text_anchor::HPos;

use super::axis::{self, Scale};
use super::canvas::{Canvas, Caption, Failure, hatch, picture, rule, write};
use super::grade::letter;
use super::spots::Spots;
use super::{palette, thin};
use crate::judge::Grade;
use crate::study::{Trial, WindowRow};
use crate::units::Rate;

const SIZE: (u32, u32) = (252, 140);
const LEFT: i32 = 44;
const RIGHT: i32 = 244;
const TOP: i32 = 28;
const BOTTOM: i32 = 112;
/// Up to so many windows, each is a dot on the line.
const MOST_DOTS: usize = 60;
/// Areas that say something under the pointer, of more windows than that: a page has many such pictures.
const MOST_AREAS: usize = 20;
/// Stretches of a series that has more windows than twice as many: each is two pixels wide.
const STRETCHES: usize = 100;

/// The rate of each 1 s window of `trial` in MB/s: windows before steady state hollow on a shaded
/// ground, the mean of the others as a level line. `grade` stands above; where it does not hold, so does
/// `void`, on a hatched ground, and there is no mean.
///
/// `top` is the rate in bytes per second at the upper end of the axis, so that pictures which stand
/// together can share it; `id` is unique on the page.
pub fn trial_series(
    trial: &Trial,
    windows: &[WindowRow],
    grade: Option<Grade>,
    top: f64,
    id: &str,
) -> String {
    let megabytes: Vec<f64> = windows.iter().map(|w| w.bytes() as f64 / 1e6).collect();
    let void = grade.is_some_and(|grade| grade.is_void());
    let mean = mean_kept(windows, &megabytes).filter(|_| !void);
    let words = match void {
        true => format!("grade {}: void", letter(grade)),
        false => format!("grade {}", letter(grade)),
    };
    let caption = Caption {
        id,
        title: format!("trial {}, {}", trial.trial, trial.phase),
        description: describe(trial, windows, mean, &words),
        simulated: trial.simulated,
    };
    let mut spots = Spots::new(trial.simulated);
    let svg = picture(caption, SIZE, 12.0, |canvas| {
        let corner = (RIGHT, TOP - 4);
        write(canvas, &words, corner, 10.0, palette::TEXT, HPos::Right)?;
        if windows.is_empty() {
            let middle = ((LEFT + RIGHT) / 2, (TOP + BOTTOM) / 2);
            return write(
                canvas,
                "no windows were kept",
                middle,
                11.0,
                palette::MUTED,
                HPos::Center,
            );
        }
        let most = megabytes.iter().copied().fold(top / 1e6, f64::max) * 1.04;
        let x = Scale::new(0.0, windows.len() as f64, LEFT, RIGHT);
        let y = Scale::new(0.0, most, BOTTOM, TOP);
        // A window stands at its middle.
        let kept = thin::thin(&megabytes, STRETCHES);
        let places: Vec<(i32, i32)> = kept
            .iter()
            .map(|index| (x.at(*index as f64 + 0.5), y.at(megabytes[*index])))
            .collect();
        let warm = windows.iter().take_while(|window| window.warmup).count();
        if warm > 0 {
            let ground = palette::SHADE.colour().filled();
            let corners = [(LEFT, TOP), (x.at(warm as f64), BOTTOM)];
            canvas.draw(&Rectangle::new(corners, ground))?;
        }
        if void {
            hatch(canvas, [(LEFT, TOP), (RIGHT, BOTTOM)], palette::RULE)?;
        }
        // What a cache served has no values to be read off.
        if !void {
            point(&mut spots, x, windows, &megabytes);
        }
        axes(canvas, x, y, windows.len(), most)?;
        if let Some(mean) = mean {
            let (from, to) = ((x.at(warm as f64), y.at(mean)), (RIGHT, y.at(mean)));
            rule(canvas, from, to, palette::TEXT, 1)?;
        }
        let colour = palette::of(trial.phase).colour();
        canvas.draw(&PathElement::new(places.clone(), colour.stroke_width(1)))?;
        for (index, place) in kept.iter().zip(&places) {
            if windows[*index].warmup {
                canvas.draw(&Circle::new(*place, 2, palette::PAPER.colour().filled()))?;
                canvas.draw(&Circle::new(*place, 2, colour.stroke_width(1)))?;
            } else if windows.len() <= MOST_DOTS {
                canvas.draw(&Circle::new(*place, 1, colour.filled()))?;
            }
        }
        Ok(())
    });
    spots.over(&svg)
}

/// What each window says under the pointer; of many windows, stretches of them.
fn point(spots: &mut Spots, x: Scale, windows: &[WindowRow], megabytes: &[f64]) {
    let areas = match windows.len() {
        few if few <= MOST_DOTS => few,
        _ => MOST_AREAS,
    };
    for area in 0..areas {
        let [from, to] = [area, area + 1].map(|edge| windows.len() * edge / areas);
        let of = &megabytes[from..to];
        let rate = |megabytes: f64| Rate(megabytes * 1e6);
        let most = rate(of.iter().copied().fold(0.0, f64::max));
        let least = rate(of.iter().copied().fold(f64::INFINITY, f64::min));
        let mut words = match of.len() {
            1 => format!("{to} s: {most}"),
            _ => format!("{} to {to} s: {least} to {most}", from + 1),
        };
        if windows[from].warmup {
            words += ", warm-up";
        }
        spots.put(
            [(x.at(from as f64), TOP), (x.at(to as f64), BOTTOM)],
            &words,
        );
    }
}

/// Mean of the windows that count.
fn mean_kept(windows: &[WindowRow], megabytes: &[f64]) -> Option<f64> {
    let kept: Vec<f64> = windows
        .iter()
        .zip(megabytes)
        .filter(|(window, _)| !window.warmup)
        .map(|(_, rate)| *rate)
        .collect();
    crate::stats::describe::mean(&kept)
}

fn axes(canvas: &Canvas<'_>, x: Scale, y: Scale, seconds: usize, most: f64) -> Result<(), Failure> {
    for tick in axis::linear(0.0, most, 3) {
        let level = y.at(tick);
        rule(canvas, (LEFT, level), (RIGHT, level), palette::RULE, 1)?;
        let place = (LEFT - 5, level);
        write(
            canvas,
            &axis::number(tick),
            place,
            10.0,
            palette::MUTED,
            HPos::Right,
        )?;
    }
    write(
        canvas,
        "MB/s",
        (8, TOP - 4),
        10.0,
        palette::MUTED,
        HPos::Left,
    )?;
    let ticks = axis::linear(0.0, seconds as f64, 4);
    let last = ticks.len() - 1;
    for (index, tick) in ticks.into_iter().enumerate() {
        let unit = if index == last { " s" } else { "" };
        let words = axis::number(tick) + unit;
        write(
            canvas,
            &words,
            (x.at(tick), BOTTOM + 11),
            10.0,
            palette::MUTED,
            HPos::Center,
        )?;
    }
    Ok(())
}

/// What a reader is told of the windows of a trial that are not drawn, where there are any.
pub fn series_told(windows: &[WindowRow]) -> Option<String> {
    let bytes: Vec<f64> = windows.iter().map(|w| w.bytes() as f64).collect();
    thin::told(thin::thin(&bytes, STRETCHES).len(), bytes.len(), "windows")
}

fn describe(trial: &Trial, windows: &[WindowRow], mean: Option<f64>, grade: &str) -> String {
    let warm = windows.iter().filter(|window| window.warmup).count();
    let mean = mean.map_or("none".to_owned(), |mean| Rate(mean * 1e6).to_string());
    let told = series_told(windows).map_or(String::new(), |told| format!("; {told}"));
    format!(
        "Rate of trial {} ({}, {}) in windows of one second: {} windows, {warm} of them before \
         steady state; mean of the others {mean}; {grade}{told}.",
        trial.trial,
        trial.workload,
        trial.phase,
        windows.len()
    )
}

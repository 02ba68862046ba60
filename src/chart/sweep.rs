//! How fast working sets of growing size are read again, and the levels found in it.

use plotters::style::text_anchor::HPos;

use super::axis::{self, Scale};
use super::canvas::{Canvas, Caption, Failure, mark, picture, rule, write};
use super::palette;
use super::spots::Spots;
use crate::judge::{Level, cache_size};
use crate::plan::Phase;
use crate::study::SweepRow;
use crate::units::{Bytes, Rate};

const SIZE: (u32, u32) = (640, 300);
const LEFT: i32 = 84;
const RIGHT: i32 = 616;
const TOP: i32 = 48;
const BOTTOM: i32 = 236;
/// Ticks of an axis.
const TICKS: usize = 6;

/// Rate of rereading by size of the working set, both logarithmic: a point a working set, a line a
/// level, and an upright where the largest cache ends. `id` is unique on the page.
pub fn sweep_chart(rows: &[SweepRow], levels: &[Level], simulated: bool, id: &str) -> String {
    let points: Vec<(f64, f64)> = rows
        .iter()
        .filter(|row| row.working_set_bytes > 0 && row.rate_bytes_per_s > 0.0)
        .map(|row| {
            let size = (row.working_set_bytes as f64).log2();
            (size, row.rate_bytes_per_s.log10())
        })
        .collect();
    let cache = cache_size(levels);
    let caption = Caption {
        id,
        title: "Where memory ends".to_owned(),
        description: describe(rows, levels, cache),
        simulated,
    };
    let mut spots = Spots::new(simulated);
    let svg = picture(caption, SIZE, 14.0, |canvas| {
        if points.is_empty() {
            let middle = ((LEFT + RIGHT) / 2, (TOP + BOTTOM) / 2);
            let words = "no working set was read";
            return write(canvas, words, middle, 12.0, palette::MUTED, HPos::Center);
        }
        let range = |values: &dyn Fn(&(f64, f64)) -> f64, pad: f64| {
            let low = points.iter().map(values).fold(f64::INFINITY, f64::min);
            let high = points.iter().map(values).fold(f64::NEG_INFINITY, f64::max);
            (low - pad, high + pad)
        };
        let sizes = range(&|point| point.0, 0.5);
        let rates = range(&|point| point.1, 0.2);
        let x = Scale::new(sizes.0, sizes.1, LEFT, RIGHT);
        let y = Scale::new(rates.0, rates.1, BOTTOM, TOP);
        axes(canvas, (x, sizes), (y, rates))?;
        if let Some(cache) = cache {
            let at = x.at((cache.0 as f64).log2());
            rule(canvas, (at, TOP), (at, BOTTOM), palette::TEXT, 1)?;
            let words = format!("memory ends below {}", cache.iec());
            // On the side that has room.
            let (place, end) = match at > (LEFT + RIGHT) / 2 {
                true => (at - 6, HPos::Right),
                false => (at + 6, HPos::Left),
            };
            write(canvas, &words, (place, TOP + 8), 11.0, palette::TEXT, end)?;
        }
        let mut from = x.at(sizes.0);
        for level in levels {
            let to = x.at(level.below.map_or(sizes.1, |below| {
                ((below.0 as f64).log2() + (level.up_to.0 as f64).log2()) / 2.0
            }));
            let height = y.at(level.rate.0.log10());
            rule(canvas, (from, height), (to, height), palette::MUTED, 2)?;
            from = to;
        }
        for (size, rate) in &points {
            let place = (x.at(*size), y.at(*rate));
            mark(canvas, Phase::After, place, 4)?;
            let (size, rate) = (Bytes(size.exp2().round() as u64), Rate(10f64.powf(*rate)));
            spots.around(place, 7, &format!("{}: {rate}", size.iec()));
        }
        Ok(())
    });
    spots.over(&svg)
}

fn axes(
    canvas: &Canvas<'_>,
    (x, sizes): (Scale, (f64, f64)),
    (y, rates): (Scale, (f64, f64)),
) -> Result<(), Failure> {
    for tick in axis::logarithmic(rates.0, rates.1, TICKS) {
        let level = y.at(tick);
        rule(canvas, (LEFT, level), (RIGHT, level), palette::RULE, 1)?;
        let words = Rate(10f64.powf(tick)).to_string();
        let place = (LEFT - 6, level);
        write(canvas, &words, place, 11.0, palette::MUTED, HPos::Right)?;
    }
    let (first, last) = (sizes.0.ceil() as u32, sizes.1.floor() as u32);
    let step = last.saturating_sub(first) as usize / TICKS + 1;
    for power in (first..=last).step_by(step) {
        let at = x.at(f64::from(power));
        rule(canvas, (at, TOP), (at, BOTTOM), palette::RULE, 1)?;
        let words = Bytes(1 << power.min(63)).iec().to_string();
        let place = (at, BOTTOM + 13);
        write(canvas, &words, place, 11.0, palette::MUTED, HPos::Center)?;
    }
    let place = ((LEFT + RIGHT) / 2, BOTTOM + 36);
    let words = "size of the working set";
    write(canvas, words, place, 11.0, palette::MUTED, HPos::Center)
}

fn describe(rows: &[SweepRow], levels: &[Level], cache: Option<Bytes>) -> String {
    let mut text = format!("Rate of rereading {} working sets.", rows.len());
    for level in levels {
        text += &format!(" {} up to {}.", level.rate, level.up_to.iec());
    }
    text + &match cache {
        Some(size) => format!(" Memory ends below {}.", size.iec()),
        None => " No memory shows.".to_owned(),
    }
}

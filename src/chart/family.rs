//! Rates of the workloads of one family, phase by phase, with every trial.

use plotters::element::{Circle, Rectangle};
use plotters::style::Color;
use plotters::style::text_anchor::HPos;

use super::axis::{self, Scale};
use super::canvas::{Canvas, Caption, Failure, font, hatch, mark, picture, rule, write};
use super::grade::{letter, void};
use super::palette;
use super::spots::Spots;
use super::thin::evenly;
use crate::compare::{Group, Row};
use crate::plan::{Access, Phase};
use crate::text::{count, short};

/// Workloads whose rates are read in the same unit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Family {
    /// Large blocks in order: bytes per second.
    Sequential,
    /// Blocks here and there: operations per second.
    Random,
}

impl Family {
    /// Both, in the order of pages.
    pub const ALL: [Self; 2] = [Self::Sequential, Self::Random];

    /// The family of a workload.
    pub fn of(row: &Row) -> Self {
        match row.load.access {
            Access::Sequential => Self::Sequential,
            Access::Random => Self::Random,
        }
    }

    /// The word used in headings and file names.
    pub fn word(self) -> &'static str {
        match self {
            Self::Sequential => "sequential",
            Self::Random => "random",
        }
    }

    /// The unit of [`Family::value`].
    pub fn unit(self) -> &'static str {
        match self {
            Self::Sequential => "MB/s",
            Self::Random => "operations/s",
        }
    }

    /// A rate of `bytes_per_s` with blocks of `block_bytes` in the family's unit.
    pub fn value(self, bytes_per_s: f64, block_bytes: u64) -> f64 {
        match self {
            Self::Sequential => bytes_per_s / 1e6,
            Self::Random => bytes_per_s / block_bytes.max(1) as f64,
        }
    }
}

const WIDTH: u32 = 592;
const LEFT: i32 = 64;
const RIGHT: i32 = 446;
const TOP: i32 = 34;
const NAME: i32 = 24;
const LANE: i32 = 26;
/// Rings of a lane at most: of more trials, evenly from the slowest to the fastest.
const RINGS: usize = 60;
/// The median stands so far above the middle of a lane, interval and single trials as far below it,
/// so that neither hides the other.
const APART: i32 = 6;
const GAP: i32 = 12;
/// From this ratio of the largest to the smallest median on, a straight axis would press the small
/// ones together.
const WIDE: f64 = 6.0;

/// A lane a phase for each of `rows`: the median as the phase's mark and in figures, below it the
/// interval of the mean as a bar and a small ring for each trial; the grade stands beside the figure.
/// A group that is void has a hatched lane with the reason and no place on the axis. `id` is unique
/// on the page.
pub fn family_chart(
    title: &str,
    family: Family,
    rows: &[&Row],
    simulated: bool,
    id: &str,
) -> String {
    let groups = || rows.iter().flat_map(|row| row.groups.iter().flatten());
    let lanes = groups().count() as i32;
    let bottom = TOP + lanes * LANE + rows.len() as i32 * (NAME + GAP);
    let caption = Caption {
        id,
        title: format!("{title}, {}", family.unit()),
        description: describe(family, rows),
        simulated,
    };
    let mut spots = Spots::new(simulated);
    let svg = picture(caption, (WIDTH, (bottom + 48) as u32), 14.0, |canvas| {
        let sound = groups().filter(|group| group.void.is_none());
        let values: Vec<f64> = sound.flat_map(|group| extent(family, group)).collect();
        let axis = Axis::of(&values);
        axis.draw(canvas, family, bottom)?;
        let mut y = TOP;
        for row in rows {
            let name = short(&row.workload, 60);
            write(
                canvas,
                &name,
                (8, y + NAME / 2 + 2),
                13.0,
                palette::TEXT,
                HPos::Left,
            )?;
            y += NAME;
            for group in row.groups.iter().flatten() {
                let band = [(0, y), (WIDTH as i32, y + LANE)];
                spots.put(band, &lane_words(family, group));
                lane(canvas, family, group, axis, y + LANE / 2, &mut spots)?;
                y += LANE;
            }
            y += GAP;
        }
        Ok(())
    });
    spots.over(&svg)
}

/// Median and interval of a group with its grade, or why it is void.
fn lane_words(family: Family, group: &Group) -> String {
    let value = |rate: f64| axis::number(family.value(rate, group.block_bytes));
    let told = void(group).unwrap_or_else(|| {
        let interval = group.mean_interval.map_or(String::new(), |interval| {
            let (low, high) = (value(interval.low), value(interval.high));
            format!(", mean within {low} to {high}")
        });
        let median = value(group.median_rate);
        format!("median {median} {}{interval}", family.unit())
    });
    format!("{}: {told} (grade {})", group.phase, beside(group))
}

/// Everything of a group that has to be within the axis.
fn extent(family: Family, group: &Group) -> Vec<f64> {
    let interval = group.mean_interval.into_iter();
    let ends = interval.flat_map(|interval| [interval.low, interval.high]);
    let rates = group.rates.iter().copied().chain([group.median_rate]);
    // An interval from two unlike trials can reach absurdly far; it is cut at the axis instead.
    let most = rates.clone().fold(0.0, f64::max) * 1.5;
    ends.filter(|end| *end <= most)
        .chain(rates)
        .map(|rate| family.value(rate, group.block_bytes))
        .filter(|value| value.is_finite() && *value > 0.0)
        .collect()
}

#[derive(Clone, Copy)]
struct Axis {
    logarithmic: bool,
    low: f64,
    high: f64,
    scale: Scale,
}

impl Axis {
    fn of(values: &[f64]) -> Self {
        let most = values.iter().copied().fold(0.0, f64::max);
        let least = values.iter().copied().fold(most, f64::min);
        let logarithmic = least > 0.0 && most / least >= WIDE;
        let (low, high) = match logarithmic {
            true => (least.log10() - 0.06, most.log10() + 0.06),
            false => (0.0, most * 1.05),
        };
        Self {
            logarithmic,
            low,
            high,
            scale: Scale::new(low, high, LEFT + 8, RIGHT),
        }
    }

    fn at(self, value: f64) -> i32 {
        match self.logarithmic {
            true => self.scale.at(value.max(f64::MIN_POSITIVE).log10()),
            false => self.scale.at(value),
        }
    }

    fn draw(self, canvas: &Canvas<'_>, family: Family, bottom: i32) -> Result<(), Failure> {
        let ticks: Vec<f64> = match self.logarithmic {
            true => axis::logarithmic(self.low, self.high, 6)
                .into_iter()
                .map(|tick| 10f64.powf(tick))
                .collect(),
            false => axis::linear(self.low, self.high, 5),
        };
        for tick in ticks {
            let x = self.at(tick);
            rule(canvas, (x, TOP), (x, bottom), palette::RULE, 1)?;
            let place = (x, bottom + 12);
            write(
                canvas,
                &axis::number(tick),
                place,
                12.0,
                palette::MUTED,
                HPos::Center,
            )?;
        }
        let scale = match self.logarithmic {
            true => "; logarithmic: equal distances are equal ratios",
            false => "",
        };
        let words = format!("{}{scale}", family.unit());
        let middle = (LEFT + RIGHT) / 2;
        write(
            canvas,
            &words,
            (middle, bottom + 32),
            12.0,
            palette::MUTED,
            HPos::Center,
        )
    }
}

fn lane(
    canvas: &Canvas<'_>,
    family: Family,
    group: &Group,
    axis: Axis,
    y: i32,
    spots: &mut Spots,
) -> Result<(), Failure> {
    let ink = palette::of(group.phase);
    let at = |rate: f64| axis.at(family.value(rate, group.block_bytes));
    let label = (LEFT, y);
    write(
        canvas,
        group.phase.word(),
        label,
        12.0,
        palette::MUTED,
        HPos::Right,
    )?;
    if let Some(words) = void(group) {
        return void_lane(canvas, group, &words, y);
    }
    let below = y + APART;
    if let Some(interval) = group.mean_interval {
        let (low, high) = (at(interval.low), at(interval.high));
        rule(canvas, (low, below), (high, below), ink, 1)?;
        for end in [low, high] {
            rule(canvas, (end, below - 4), (end, below + 4), ink, 1)?;
        }
    }
    let mut rates: Vec<f64> = group
        .rates
        .iter()
        .copied()
        .filter(|rate| rate.is_finite())
        .collect();
    if rates.len() > RINGS {
        rates.sort_by(f64::total_cmp);
        rates = evenly(rates.len(), RINGS)
            .map(|index| rates[index])
            .collect();
    }
    for rate in &rates {
        let place = (at(*rate), below);
        canvas.draw(&Circle::new(place, 2, ink.colour().stroke_width(1)))?;
        let value = axis::number(family.value(*rate, group.block_bytes));
        let words = format!("a trial {}: {value} {}", group.phase, family.unit());
        spots.around(place, 3, &words);
    }
    mark(canvas, group.phase, (at(group.median_rate), y - APART), 4)?;
    let median = axis::number(family.value(group.median_rate, group.block_bytes));
    let words = format!("{median}  ({})", beside(group));
    let place = (RIGHT + 10, y);
    write(canvas, &words, place, 12.0, palette::TEXT, HPos::Left)
}

/// A lane in which no rate is drawn: a reader would take it for one of the drives.
fn void_lane(canvas: &Canvas<'_>, group: &Group, words: &str, y: i32) -> Result<(), Failure> {
    let lane = [(LEFT + 8, y - 9), (RIGHT, y + 9)];
    hatch(canvas, lane, palette::MUTED)?;
    let (width, _) = canvas.estimate_text_size(words, &font(12.0, palette::TEXT))?;
    let middle = (LEFT + 8 + RIGHT) / 2;
    let reach = width as i32 / 2 + 8;
    let ground = [(middle - reach, y - 10), (middle + reach, y + 10)];
    canvas.draw(&Rectangle::new(ground, palette::PAPER.colour().filled()))?;
    write(
        canvas,
        words,
        (middle, y),
        12.0,
        palette::TEXT,
        HPos::Center,
    )?;
    let beside = format!("void  ({})", beside(group));
    let place = (RIGHT + 10, y);
    write(canvas, &beside, place, 12.0, palette::TEXT, HPos::Left)
}

/// Grade and number of trials.
fn beside(group: &Group) -> String {
    format!(
        "{}, {}",
        letter(group.grade),
        count(group.rates.len(), "trial")
    )
}

fn describe(family: Family, rows: &[&Row]) -> String {
    let group = |group: &Group| {
        let median = axis::number(family.value(group.median_rate, group.block_bytes));
        let value = void(group).unwrap_or(median);
        let trials = count(group.rates.len(), "trial");
        let grade = letter(group.grade);
        format!("{} {value} (grade {grade}, {trials})", group.phase)
    };
    let row = |row: &&Row| {
        let groups: Vec<String> = Phase::ALL
            .into_iter()
            .filter_map(|phase| row.group(phase).map(group))
            .collect();
        format!("{}: {}.", short(&row.workload, 60), groups.join(", "))
    };
    let rows: Vec<String> = rows.iter().map(row).collect();
    format!("Median rates in {}. {}", family.unit(), rows.join(" "))
}

//! How latency is distributed in each phase of a workload.

use hdrhistogram::Histogram;
use plotters::element::DashedPathElement;
use plotters::style::Color;
use plotters::style::text_anchor::HPos;

use super::axis::{self, Scale};
use super::canvas::{Canvas, Caption, Failure, Place, hollow, line, mark, picture, rule, write};
use super::grade::letter;
use super::palette;
use super::spots::Spots;
use crate::judge::Grade;
use crate::plan::Phase;
use crate::text::short;
use crate::units::Nanos;

const SIZE: (u32, u32) = (430, 300);
const LEFT: i32 = 62;
const RIGHT: i32 = 410;
const TOP: i32 = 58;
const BOTTOM: i32 = 248;
/// A percentile is drawn where so many operations lie beyond it (common practice, no source).
const BEYOND: f64 = 10.0;
/// Lines begin here: the quickest operations of all tell little, and press the rest together.
const START: f64 = 0.1;
/// Percentiles that get a tick and a mark.
const TICKS: [(f64, &str); 6] = [
    (0.5, "50 %"),
    (0.9, "90 %"),
    (0.99, "99 %"),
    (0.999, "99.9 %"),
    (0.9999, "99.99 %"),
    (0.99999, "99.999 %"),
];

/// The latencies of one phase.
#[derive(Clone, Debug)]
pub struct PhaseLatency {
    /// The phase.
    pub phase: Phase,
    /// All its trials merged, in nanoseconds.
    pub histogram: Histogram<u64>,
    /// The worst grade of these trials.
    pub grade: Option<Grade>,
    /// Whether they are not the drives' latencies.
    pub void: bool,
}

impl PhaseLatency {
    fn words(&self) -> String {
        let void = if self.void { " void" } else { "" };
        format!("{} {}{void}", self.phase, letter(self.grade))
    }
}

/// Latency of `workload` by percentile, a line a phase; those that are void are drawn as a faint
/// trace with hollow marks, and say so. The percentiles are spaced by their number of nines, latency is
/// logarithmic, and a line goes from 10 % to where fewer than ten operations lie beyond. `id` is unique on the
/// page.
pub fn latency_distribution(
    workload: &str,
    phases: &[PhaseLatency],
    simulated: bool,
    id: &str,
) -> String {
    let curves: Vec<Curve> = phases.iter().filter_map(Curve::of).collect();
    let caption = Caption {
        id,
        title: format!("Latency of {}", short(workload, 34)),
        description: describe(workload, &curves),
        simulated,
    };
    let mut spots = Spots::new(simulated);
    let svg = picture(caption, SIZE, 14.0, |canvas| {
        if curves.is_empty() {
            let middle = ((LEFT + RIGHT) / 2, (TOP + BOTTOM) / 2);
            let words = "too few operations for a distribution";
            return write(canvas, words, middle, 12.0, palette::MUTED, HPos::Center);
        }
        let nines_end = curves.iter().map(|c| c.end).fold(0.0, f64::max);
        let values = || {
            curves
                .iter()
                .flat_map(|c| c.points.iter().map(|(_, ns)| ns.log10()))
        };
        let low = values().fold(f64::INFINITY, f64::min);
        let high = values().fold(f64::NEG_INFINITY, f64::max);
        // At least half a decade, so that close curves look close.
        let pad = ((0.5 - (high - low)) / 2.0).max(0.08);
        let (low, high) = (low - pad, high + pad);
        let x = Scale::new(nines(START), nines_end, LEFT, RIGHT);
        let y = Scale::new(low, high, BOTTOM, TOP);
        axes(canvas, x, y, (low, high), nines_end)?;
        legend(canvas, &curves)?;
        for curve in &curves {
            let place = |(at, ns): &(f64, f64)| (x.at(*at), y.at(ns.log10()));
            curve.stroke(canvas, curve.points.iter().map(place).collect())?;
            for (share, words) in TICKS {
                if let Some(ns) = curve.value(share) {
                    let place = place(&(nines(share), ns));
                    curve.mark(canvas, place)?;
                    let told = format!("{}: {}", curve.of.words(), within(words, ns));
                    spots.around(place, 7, &told);
                }
            }
        }
        Ok(())
    });
    spots.over(&svg)
}

/// A percentile in words.
fn within(share: &str, ns: f64) -> String {
    format!("{share} within {}", Nanos(ns as u64))
}

/// `−log10(1 − share)`: 1 for 90 %, 2 for 99 %.
fn nines(share: f64) -> f64 {
    -(1.0 - share).log10()
}

/// The line of a phase.
struct Curve<'a> {
    of: &'a PhaseLatency,
    /// Nines at which it ends.
    end: f64,
    /// Nines and nanoseconds.
    points: Vec<(f64, f64)>,
}

impl<'a> Curve<'a> {
    fn of(of: &'a PhaseLatency) -> Option<Self> {
        const STEPS: u32 = 80;
        let histogram = &of.histogram;
        let end = (histogram.len() as f64 / BEYOND).log10();
        if end <= nines(START) {
            return None;
        }
        let start = nines(START);
        let points = (0..=STEPS)
            .map(|step| {
                let at = start + (end - start) * f64::from(step) / f64::from(STEPS);
                let ns = histogram.value_at_quantile(1.0 - 10f64.powf(-at));
                (at, ns.max(1) as f64)
            })
            .collect();
        Some(Self { of, end, points })
    }

    fn stroke(&self, canvas: &Canvas<'_>, places: Vec<Place>) -> Result<(), Failure> {
        if !self.of.void {
            return line(canvas, self.of.phase, places);
        }
        let style = palette::of(self.of.phase).colour().stroke_width(1);
        canvas.draw(&DashedPathElement::new(places, 2, 8, style))
    }

    fn mark(&self, canvas: &Canvas<'_>, place: Place) -> Result<(), Failure> {
        match self.of.void {
            true => hollow(canvas, self.of.phase, place, 4),
            false => mark(canvas, self.of.phase, place, 4),
        }
    }

    /// Latency at `share`, where the line reaches so far.
    fn value(&self, share: f64) -> Option<f64> {
        (nines(share) <= self.end + 1e-9)
            .then(|| self.of.histogram.value_at_quantile(share).max(1) as f64)
    }
}

fn axes(
    canvas: &Canvas<'_>,
    x: Scale,
    y: Scale,
    (low, high): (f64, f64),
    nines_end: f64,
) -> Result<(), Failure> {
    for tick in axis::logarithmic(low, high, 6) {
        let level = y.at(tick);
        rule(canvas, (LEFT, level), (RIGHT, level), palette::RULE, 1)?;
        let words = axis::latency(10f64.powf(tick));
        write(
            canvas,
            &words,
            (LEFT - 6, level),
            11.0,
            palette::MUTED,
            HPos::Right,
        )?;
    }
    for (share, words) in TICKS {
        if nines(share) > nines_end + 1e-9 {
            break;
        }
        let at = x.at(nines(share));
        rule(canvas, (at, TOP), (at, BOTTOM), palette::RULE, 1)?;
        write(
            canvas,
            words,
            (at, BOTTOM + 13),
            11.0,
            palette::MUTED,
            HPos::Center,
        )?;
    }
    let words = "share of operations that were at least as quick";
    let middle = (LEFT + RIGHT) / 2;
    write(
        canvas,
        words,
        (middle, BOTTOM + 36),
        11.0,
        palette::MUTED,
        HPos::Center,
    )
}

fn legend(canvas: &Canvas<'_>, curves: &[Curve<'_>]) -> Result<(), Failure> {
    for (index, curve) in (0..).zip(curves) {
        let (left, y) = (LEFT + index * 118, 40);
        let sample: Vec<Place> = vec![(left, y), (left + 26, y)];
        curve.stroke(canvas, sample)?;
        curve.mark(canvas, (left + 13, y))?;
        let (words, place) = (curve.of.words(), (left + 32, y));
        write(canvas, &words, place, 12.0, palette::TEXT, HPos::Left)?;
    }
    Ok(())
}

fn describe(workload: &str, curves: &[Curve<'_>]) -> String {
    let phase = |curve: &Curve<'_>| {
        let values: Vec<String> = TICKS
            .into_iter()
            .filter_map(|(share, words)| {
                let ns = curve.value(share)?;
                Some(within(words, ns))
            })
            .collect();
        format!("{}: {}.", curve.of.words(), values.join(", "))
    };
    let phases: Vec<String> = curves.iter().map(phase).collect();
    format!("Latency of {workload} by percentile. {}", phases.join(" "))
}

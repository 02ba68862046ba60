//! Whether a series has settled, and where its warm-up ends.
//!
//! Two questions with two published answers. *Is it steady?* The range and slope
//! criteria of the SNIA Solid State Storage Performance Test Specification 2.0.2,
//! definition 2.1.24. *Where does the warm-up end?* The marginal standard error rule of
//! K. P. White Jr, "An effective truncation heuristic for bias reduction in simulation
//! output", Simulation 69(6), 1997 (citation from memory). [`warmup`] joins them into the rule for a trial.

use super::describe::mean;
use super::regression::line;

/// Widest range within a steady window, as a fraction of its average.
pub const RANGE_LIMIT: f64 = 0.20;
/// Largest rise or fall of the fitted line across a steady window, as a fraction of
/// its average.
pub const SLOPE_LIMIT: f64 = 0.10;
/// Rounds that a window is judged by.
pub const ROUNDS: usize = 5;

/// The limits are met "at no more than" them, so a value that equals one in decimal must
/// not miss it by the rounding of the binary arithmetic, some 1e-15.
const ROUNDING: f64 = 1e-12;
/// The rule of the minimum never looks at fewer remaining values than this.
const FEWEST_KEPT: usize = 5;
/// Values in a batch of MSER-5.
const BATCH: usize = 5;
/// From this many windows on [`warmup`] uses MSER-5. Below, there are too few batches: in
/// simulation MSER-5 sends one in ten of perfectly steady trials of 60 or 120 windows into
/// its second half, MSER on the single windows one in a hundred.
const WINDOWS_FOR_BATCHES: usize = 300;

/// The range and slope of a window of values against its average.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RangeSlope {
    /// Mean of the window.
    pub average: f64,
    /// Largest less smallest value, as a fraction of the average.
    pub range_fraction: f64,
    /// Rise or fall of the least-squares line from the first to the last value, as a
    /// fraction of the average; never negative.
    pub slope_fraction: f64,
    /// Both are within their limits.
    pub steady: bool,
}

impl RangeSlope {
    fn range_met(&self) -> bool {
        self.range_fraction <= RANGE_LIMIT * (1.0 + ROUNDING)
    }

    fn slope_met(&self) -> bool {
        self.slope_fraction <= SLOPE_LIMIT * (1.0 + ROUNDING)
    }
}

/// Applies the range and slope criteria to a window of equally spaced values.
///
/// The heading of definition 2.1.24 says "less than", its body "no more than"; the body
/// is followed. `None` for fewer than three values, an average that is not positive, or
/// values that are not finite.
pub fn range_slope(window: &[f64]) -> Option<RangeSlope> {
    let average = mean(window)?;
    if !(average > 0.0 && average.is_finite()) {
        return None;
    }
    let at: Vec<f64> = (0..window.len()).map(|i| i as f64).collect();
    let rise = line(&at, window)?.slope * (window.len() - 1) as f64;
    let highest = window.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let lowest = window.iter().copied().fold(f64::INFINITY, f64::min);
    let mut result = RangeSlope {
        average,
        range_fraction: (highest - lowest) / average,
        slope_fraction: rise.abs() / average,
        steady: false,
    };
    result.steady = result.range_met() && result.slope_met();
    Some(result)
}

/// Index of the last round of the first `window` consecutive rounds that are steady,
/// `None` if there is none.
pub fn first_steady_round(rounds: &[f64], window: usize) -> Option<usize> {
    if window == 0 {
        return None;
    }
    let starts = rounds.windows(window);
    let start = starts.enumerate().find_map(|(i, values)| {
        range_slope(values)
            .is_some_and(|result| result.steady)
            .then_some(i)
    })?;
    Some(start + window - 1)
}

/// Where a series is best cut.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Truncation {
    /// Values to drop from the start.
    pub index: usize,
    /// The squared marginal standard error of what remains, the minimum found.
    pub statistic: f64,
}

/// The marginal standard error rule (MSER): drops the `d` values that minimise
/// `sum over the rest of (x - their mean)^2 / (n-d)^2`, the smallest `d` if several do.
///
/// At least five values, and at least a quarter of the series, stay, because the sum over the last
/// few is small by accident (over the last one it is zero). `None` when the minimum
/// drops more than half, which means that the series is too short to tell, and when
/// there are fewer than five values.
pub fn mser(values: &[f64]) -> Option<Truncation> {
    let n = values.len();
    let fewest = FEWEST_KEPT.max(n.div_ceil(4));
    let mut best: Option<Truncation> = None;
    // From the end, with Welford's recurrence for mean and sum of squares of the rest.
    let (mut mean, mut squares) = (0.0, 0.0);
    for (index, value) in values.iter().enumerate().rev() {
        let kept = n - index;
        let step = value - mean;
        mean += step / kept as f64;
        squares += step * (value - mean);
        let statistic = squares / (kept as f64).powi(2);
        if kept >= fewest && best.is_none_or(|best| statistic <= best.statistic) {
            best = Some(Truncation { index, statistic });
        }
    }
    best.filter(|best| 2 * best.index <= n)
}

/// [`mser`] on means of five consecutive values, which smooths fast noise. The index
/// counts single values; a last incomplete batch is left aside. Needs 25 values.
pub fn mser5(values: &[f64]) -> Option<Truncation> {
    let batches: Option<Vec<f64>> = values.chunks_exact(BATCH).map(mean).collect();
    let cut = mser(&batches?)?;
    Some(Truncation {
        index: cut.index * BATCH,
        ..cut
    })
}

/// Why a trial was, or was not, called steady.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Reason {
    /// What remains after the warm-up meets both criteria.
    Steady,
    /// Fewer than five windows.
    TooFewWindows,
    /// The values still change so late that more than half would have to be dropped.
    StillSettling,
    /// The average of what remains is zero, or a value is not a number.
    NoAverage,
    /// The rounds differ by more than a fifth of their average.
    RangeTooWide,
    /// The rounds rise or fall by more than a tenth of their average.
    SlopeTooSteep,
}

impl Reason {
    /// One clause for a report.
    pub fn text(self) -> &'static str {
        match self {
            Self::Steady => "steady: range within 20 % and slope within 10 % of the average",
            Self::TooFewWindows => "not steady: fewer than five windows",
            Self::StillSettling => "not steady: still settling in the second half",
            Self::NoAverage => "not steady: no positive average to compare with",
            Self::RangeTooWide => "not steady: range of the rounds above 20 % of the average",
            Self::SlopeTooSteep => "not steady: slope of the rounds above 10 % of the average",
        }
    }
}

/// What to leave out of a trial.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Warmup {
    /// Windows to drop from the start; 0 when the trial is not steady.
    pub windows_to_drop: usize,
    /// The rest is steady.
    pub steady: bool,
    /// Why.
    pub reason: Reason,
}

/// Finds the warm-up of a series of equally long windows, and whether the rest is
/// steady.
///
/// 1. Fewer than five windows: not steady.
/// 2. [`mser`] on the windows, or [`mser5`] from 300 windows on, chooses how many to
///    drop. If it finds no valid point (the best would drop more than half), not steady.
/// 3. The `m` windows that remain (at least five) are averaged into five consecutive
///    rounds: round `i` holds windows `i m/5` up to, not including, `(i+1) m/5`, rounded
///    down, so that their sizes differ by one at most.
/// 4. Steady if and only if [`range_slope`] of the five rounds meets both criteria. When
///    it fails both, the range is named.
///
/// When the series is not steady nothing is dropped: there is no part of it that could
/// be called the steady one.
pub fn warmup(windows: &[f64]) -> Warmup {
    match steady_part(windows) {
        Ok(windows_to_drop) => Warmup {
            windows_to_drop,
            steady: true,
            reason: Reason::Steady,
        },
        Err(reason) => Warmup {
            windows_to_drop: 0,
            steady: false,
            reason,
        },
    }
}

fn steady_part(windows: &[f64]) -> Result<usize, Reason> {
    if windows.len() < ROUNDS {
        return Err(Reason::TooFewWindows);
    }
    if windows.iter().any(|v| !v.is_finite()) {
        return Err(Reason::NoAverage);
    }
    let cut = if windows.len() < WINDOWS_FOR_BATCHES {
        mser(windows)
    } else {
        mser5(windows)
    };
    let drop = cut.ok_or(Reason::StillSettling)?.index;
    let rest = &windows[drop..];
    let edge = |i: usize| i * rest.len() / ROUNDS;
    let rounds: Option<Vec<f64>> = (0..ROUNDS)
        .map(|i| mean(&rest[edge(i)..edge(i + 1)]))
        .collect();
    let result = rounds
        .and_then(|rounds| range_slope(&rounds))
        .ok_or(Reason::NoAverage)?;
    if !result.range_met() {
        Err(Reason::RangeTooWide)
    } else if !result.slope_met() {
        Err(Reason::SlopeTooSteep)
    } else {
        Ok(drop)
    }
}

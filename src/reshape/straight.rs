//! The plain straight line through a progress curve.

use jiff::Timestamp;

use super::track::Point;
use crate::stats::regression::{Intercept, Line, least_squares, line};
use crate::stats::theil_sen::theil_sen;

/// The median of pairwise slopes looks at all pairs: more readings than this are thinned evenly.
const MOST: usize = 400;

/// A straight line through readings of progress.
#[derive(Clone, Debug, PartialEq)]
pub struct Straight {
    /// Least squares: fraction over seconds since the first reading.
    pub line: Line,
    /// Part of the variation that it explains.
    pub r_squared: f64,
    /// Slope of Theil and Sen, fraction per second, which corrupt readings do not move.
    pub robust_slope: Option<f64>,
}

impl Straight {
    /// The line through `fractions` at `seconds`; `None` for fewer than three points, or when they
    /// all have one time or one position.
    pub fn of(seconds: &[f64], fractions: &[f64]) -> Option<Self> {
        let fit = least_squares(&[seconds], fractions, Intercept::Fitted)?;
        let each = seconds.len().div_ceil(MOST).max(1);
        let thin = |values: &[f64]| values.iter().step_by(each).copied().collect::<Vec<_>>();
        let robust = theil_sen(&thin(seconds), &thin(fractions), 0.95);
        Some(Self {
            line: line(seconds, fractions)?,
            r_squared: fit.r_squared?,
            robust_slope: robust.map(|robust| robust.slope),
        })
    }

    /// The line through the points from `since` on.
    pub(super) fn since(points: &[Point], since: Timestamp) -> Option<Self> {
        let first = points.iter().position(|p| p.at >= since)?;
        let (seconds, fractions): (Vec<f64>, Vec<f64>) = points[first..]
            .iter()
            .map(|p| (p.seconds, p.fraction))
            .unzip();
        Self::of(&seconds, &fractions)
    }
}

//! A straight line, what it says of one place, and where it reaches a height.
//!
//! The errors about the line are taken as normal, equal and independent. Progress
//! readings of one process follow one another too closely for that: thin them, or read
//! the intervals as the least that there can be.

use super::super::describe::mean;
use super::super::interval::Interval;
use super::super::special::t_two_sided;
use super::{Intercept, least_squares};

/// A straight line fitted by least squares.
#[derive(Debug, Clone, PartialEq)]
pub struct Line {
    /// Height at x = 0.
    pub intercept: f64,
    /// Rise per unit of x.
    pub slope: f64,
    /// Standard error of the slope.
    pub slope_standard_error: f64,
    /// Square root of the residual variance.
    pub residual_sd: f64,
    /// Points less two.
    pub degrees_of_freedom: usize,
    /// Mean of the x, where the line is known best.
    pub mean_x: f64,
    /// Mean of the y, the height of the line at `mean_x`.
    pub mean_y: f64,
    /// Sum of the squared distances of the x from their mean.
    pub squares_x: f64,
}

/// What an interval about a line is to hold.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Target {
    /// The true line: the mean of many observations there.
    Mean,
    /// One more observation.
    Observation,
}

/// What a line says of one place.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Prediction {
    /// Height of the fitted line there.
    pub value: f64,
    /// Interval of the target.
    pub interval: Interval,
}

/// Where a line reaches a height.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Crossing {
    /// The x at which the fitted line has that height.
    pub x: f64,
    /// Fieller's interval; `None` when the slope is not told from zero at this
    /// confidence, so that the line may never get there.
    pub interval: Option<Interval>,
}

/// Fits a line with intercept to at least three points, `None` when they are fewer or
/// all at the same x, or the lengths differ.
pub fn line(x: &[f64], y: &[f64]) -> Option<Line> {
    let fit = least_squares(&[x], y, Intercept::Fitted)?;
    let mean_x = mean(x)?;
    Some(Line {
        intercept: fit.coefficients[0],
        slope: fit.coefficients[1],
        slope_standard_error: fit.standard_errors[1],
        residual_sd: fit.residual_sd,
        degrees_of_freedom: fit.degrees_of_freedom,
        mean_x,
        mean_y: mean(y)?,
        squares_x: x.iter().map(|v| (v - mean_x).powi(2)).sum(),
    })
}

impl Line {
    /// Height of the line at `x`, with the interval that holds the target there.
    ///
    /// Half width `t s sqrt(k + (x - mean x)^2 / Sxx)` with `k = 1/n` for the mean and
    /// `1 + 1/n` for one more observation: Draper and Smith, Applied Regression
    /// Analysis, chapter 1 (citation from memory). `None` for a confidence outside
    /// (0, 1).
    pub fn at(&self, x: f64, target: Target, confidence: f64) -> Option<Prediction> {
        let t = t_two_sided(confidence, self.degrees_of_freedom as f64)?;
        let away = x - self.mean_x;
        let variance = self.variance_at_centre(target) + away * away / self.squares_x;
        let reach = t * self.residual_sd * variance.sqrt();
        let value = self.mean_y + self.slope * away;
        Some(Prediction {
            value,
            interval: Interval {
                low: value - reach,
                high: value + reach,
                confidence,
            },
        })
    }

    /// The x at which the line reaches the height `y`, with the x at which `y` lies
    /// within the interval of [`Line::at`].
    ///
    /// Those x solve a quadratic inequality, which is Fieller's interval for the ratio
    /// `(y - mean y) / slope`: E. C. Fieller, "Some problems in interval estimation",
    /// JRSS B 16 (1954) 175-185 (citation from memory). It is lopsided when the slope is
    /// uncertain. `None` when the line is level, or for a confidence outside (0, 1).
    pub fn reaches(&self, y: f64, target: Target, confidence: f64) -> Option<Crossing> {
        let t = t_two_sided(confidence, self.degrees_of_freedom as f64)?;
        if self.slope == 0.0 {
            return None;
        }
        let rise = y - self.mean_y;
        let noise = (t * self.residual_sd).powi(2);
        // (rise - slope d)^2 <= noise (k + d^2 / Sxx) in the distance d from the mean x.
        let square = self.slope.powi(2) - noise / self.squares_x;
        let interval = (square > 0.0).then(|| {
            let k = self.variance_at_centre(target);
            let reach = (noise * (rise * rise / self.squares_x + k * square)).sqrt();
            Interval {
                low: self.mean_x + (self.slope * rise - reach) / square,
                high: self.mean_x + (self.slope * rise + reach) / square,
                confidence,
            }
        });
        Some(Crossing {
            x: self.mean_x + rise / self.slope,
            interval,
        })
    }

    /// Variance of the target at the mean x, in units of the residual variance.
    fn variance_at_centre(&self, target: Target) -> f64 {
        let of_line = 1.0 / (self.degrees_of_freedom as f64 + 2.0);
        match target {
            Target::Mean => of_line,
            Target::Observation => 1.0 + of_line,
        }
    }
}

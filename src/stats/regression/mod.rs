//! Ordinary least squares by Householder QR.
//!
//! The normal equations square the condition of the problem and lose the NIST
//! reference sets; here the columns are centred (when there is an intercept), scaled
//! to unit length and reflected to triangular form. Method: Golub and Van Loan, Matrix
//! Computations, section 5.3 (from memory).

mod line;

pub use line::{Crossing, Line, Prediction, Target, line};

use super::describe::mean;

/// A unit-length column of which less than this is not already in the columns before it
/// is taken as dependent on them: what is left is the rounding of its values.
const COLLINEAR: f64 = 1e-12;

/// Whether a model has a constant term. The choice also fixes what R squared means.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Intercept {
    /// A constant is fitted; R squared is about the mean.
    Fitted,
    /// The fit passes through the origin; R squared is about zero.
    Zero,
}

/// A least-squares fit.
#[derive(Debug, Clone, PartialEq)]
pub struct Fit {
    /// The intercept first, if one was fitted, then one per column.
    pub coefficients: Vec<f64>,
    /// Standard errors, in the order of the coefficients.
    pub standard_errors: Vec<f64>,
    /// Square root of the residual variance (SSE over the degrees of freedom).
    pub residual_sd: f64,
    /// Share of the sum of squares explained: about the mean with an intercept, about
    /// zero without. `None` when that sum of squares is zero.
    pub r_squared: Option<f64>,
    /// Values less coefficients.
    pub degrees_of_freedom: usize,
    /// Sum of squared residuals.
    pub sse: f64,
}

/// Fits `y` to `columns` (each as long as `y`) by least squares.
///
/// `None` when lengths differ, there is no column, there are no more values than
/// coefficients, or the columns are linearly dependent to working precision.
pub fn least_squares(columns: &[&[f64]], y: &[f64], intercept: Intercept) -> Option<Fit> {
    let (n, p) = (y.len(), columns.len());
    let coefficients = p + usize::from(intercept == Intercept::Fitted);
    if p == 0 || n <= coefficients || columns.iter().any(|c| c.len() != n) {
        return None;
    }
    let centre = |values: &[f64]| match intercept {
        Intercept::Fitted => mean(values),
        Intercept::Zero => Some(0.0),
    };
    let y_centre = centre(y)?;
    let mut rhs: Vec<f64> = y.iter().map(|v| v - y_centre).collect();
    let total = dot(&rhs, &rhs);

    let mut centres = Vec::with_capacity(p);
    let mut scales = Vec::with_capacity(p);
    let mut matrix = Vec::with_capacity(p);
    for column in columns {
        let middle = centre(column)?;
        let centred: Vec<f64> = column.iter().map(|v| v - middle).collect();
        let scale = dot(&centred, &centred).sqrt();
        // A column that is constant (but for rounding) cannot be told from the intercept.
        if scale.is_nan() || scale <= middle.abs() * f64::EPSILON * n as f64 {
            return None;
        }
        matrix.push(centred.iter().map(|v| v / scale).collect::<Vec<f64>>());
        centres.push(middle);
        scales.push(scale);
    }
    reflect_to_triangle(&mut matrix, &mut rhs)?;

    let inverse = invert_triangle(&matrix);
    let scaled = |j: usize| (j..p).map(|k| inverse[k][j] * rhs[k]).sum::<f64>();
    let slopes: Vec<f64> = (0..p).map(|j| scaled(j) / scales[j]).collect();
    let sse = dot(&rhs[p..], &rhs[p..]);
    let degrees_of_freedom = n - coefficients;
    let residual_sd = (sse / degrees_of_freedom as f64).sqrt();
    // The covariance of the scaled slopes is s^2 R^-1 R^-T.
    let slope_errors = (0..p).map(|j| {
        let row: f64 = (j..p).map(|k| inverse[k][j].powi(2)).sum();
        residual_sd * row.sqrt() / scales[j]
    });

    let mut fit = Fit {
        coefficients: Vec::with_capacity(coefficients),
        standard_errors: Vec::with_capacity(coefficients),
        residual_sd,
        r_squared: (total > 0.0).then(|| 1.0 - sse / total),
        degrees_of_freedom,
        sse,
    };
    if intercept == Intercept::Fitted {
        fit.coefficients.push(y_centre - dot(&slopes, &centres));
        // Var(intercept) = s^2 (1/n + m' (X'X)^-1 m) with m the means of the columns.
        let lever: f64 = (0..p)
            .map(|k| {
                (0..=k)
                    .map(|j| inverse[k][j] * centres[j] / scales[j])
                    .sum::<f64>()
            })
            .map(|w| w * w)
            .sum();
        fit.standard_errors
            .push(residual_sd * (1.0 / n as f64 + lever).sqrt());
    }
    fit.coefficients.extend(slopes);
    fit.standard_errors.extend(slope_errors);
    Some(fit)
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

/// Turns unit-length `columns` into the upper triangle R (entry (i, j) in
/// `columns[j][i]`) by Householder reflections, applying the same to `rhs`.
fn reflect_to_triangle(columns: &mut [Vec<f64>], rhs: &mut [f64]) -> Option<()> {
    for k in 0..columns.len() {
        let mut mirror = columns[k][k..].to_vec();
        let length = dot(&mirror, &mirror).sqrt();
        // Columns have length 1, so what is left of one says how much of it is new.
        if length.is_nan() || length <= COLLINEAR {
            return None;
        }
        // The sign that avoids cancellation.
        let diagonal = if mirror[0] > 0.0 { -length } else { length };
        mirror[0] -= diagonal;
        let weight = 2.0 / dot(&mirror, &mirror);
        let reflect = |target: &mut [f64]| {
            let along = weight * dot(&mirror, target);
            for (t, m) in target.iter_mut().zip(&mirror) {
                *t -= along * m;
            }
        };
        for column in &mut columns[k..] {
            reflect(&mut column[k..]);
        }
        reflect(&mut rhs[k..]);
        columns[k][k] = diagonal;
    }
    Some(())
}

/// Inverse of the upper triangle, in the same layout: entry (i, j) in `[j][i]`.
fn invert_triangle(r: &[Vec<f64>]) -> Vec<Vec<f64>> {
    let p = r.len();
    let mut inverse = vec![vec![0.0; p]; p];
    for j in 0..p {
        inverse[j][j] = 1.0 / r[j][j];
        for i in (0..j).rev() {
            let sum: f64 = (i + 1..=j).map(|k| r[k][i] * inverse[j][k]).sum();
            inverse[j][i] = -sum / r[i][i];
        }
    }
    inverse
}

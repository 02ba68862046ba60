//! The jackknife: what a statistic does when each element is left out once.

use super::super::describe::mean;

/// What leaving each element out says about a statistic.
#[derive(Debug, Clone, PartialEq)]
pub struct Jackknife {
    /// The statistic of the whole sample.
    pub estimate: f64,
    /// The statistic without element 0, 1, 2, ...
    pub leave_one_out: Vec<f64>,
    /// Estimated bias, `(n-1)(mean of leave-one-out - estimate)`.
    pub bias: f64,
    /// Estimated standard error, `sqrt((n-1)/n sum (leave-one-out - their mean)^2)`.
    pub standard_error: f64,
    /// The acceleration of the BCa interval; `None` when no element matters.
    pub acceleration: Option<f64>,
}

/// Jackknifes `statistic`; `None` for fewer than two elements.
///
/// Source: Efron and Tibshirani (1993), equations 11.4, 11.5 and 14.15.
pub fn jackknife<T: Copy>(sample: &[T], statistic: impl Fn(&[T]) -> f64) -> Option<Jackknife> {
    let n = sample.len();
    if n < 2 {
        return None;
    }
    let mut rest = sample[1..].to_vec();
    let mut leave_one_out = Vec::with_capacity(n);
    for i in 0..n {
        leave_one_out.push(statistic(&rest));
        // Put element i back in the place of its neighbour, which is left out next.
        if i + 1 < n {
            rest[i] = sample[i];
        }
    }
    let estimate = statistic(sample);
    let centre = mean(&leave_one_out)?;
    let squares: f64 = leave_one_out.iter().map(|v| (v - centre).powi(2)).sum();
    let others = n as f64 - 1.0;
    Some(Jackknife {
        estimate,
        bias: others * (centre - estimate),
        standard_error: (others / n as f64 * squares).sqrt(),
        acceleration: acceleration(&[&leave_one_out]),
        leave_one_out,
    })
}

/// The acceleration of the BCa interval from the leave-one-out values of each sample
/// that a statistic depends on.
///
/// With `u = (n-1)(mean - value)` in each sample it is
/// `sum u^3/n^3 / (6 (sum u^2/n^2)^1.5)`, which for one sample is equation 14.15 of
/// Efron and Tibshirani (1993). Several samples: as in Davison and Hinkley, Bootstrap
/// Methods and their Application (1997), section 5.3 (from memory). `None` when no
/// value differs from its mean.
pub fn acceleration(leave_one_out: &[&[f64]]) -> Option<f64> {
    let (mut squares, mut cubes) = (0.0, 0.0);
    for values in leave_one_out {
        let centre = mean(values)?;
        let n = values.len() as f64;
        for value in *values {
            let influence = (n - 1.0) * (centre - value) / n;
            squares += influence.powi(2);
            cubes += influence.powi(3);
        }
    }
    (squares > 0.0).then(|| cubes / (6.0 * squares.powf(1.5)))
}

//! One sample in a few numbers: centre, spread and serial correlation.

/// Arithmetic mean, `None` for an empty sample.
///
/// A second pass adds the mean of the residuals, which recovers the digits that the
/// first sum lost to rounding.
pub fn mean(values: &[f64]) -> Option<f64> {
    if values.is_empty() {
        return None;
    }
    let n = values.len() as f64;
    let first = values.iter().sum::<f64>() / n;
    Some(first + values.iter().map(|v| v - first).sum::<f64>() / n)
}

/// Sample variance (divisor n-1), `None` for fewer than two values.
///
/// Two passes: the squared distances from the corrected [`mean`], whose own error is too
/// small to show in them. The textbook form with the sum of squares loses every digit on
/// values that lie far from zero.
pub fn variance(values: &[f64]) -> Option<f64> {
    if values.len() < 2 {
        return None;
    }
    let mean = mean(values)?;
    let squares: f64 = values.iter().map(|v| (v - mean).powi(2)).sum();
    Some(squares / (values.len() as f64 - 1.0))
}

/// Sample standard deviation (divisor n-1), `None` for fewer than two values.
pub fn sd(values: &[f64]) -> Option<f64> {
    variance(values).map(f64::sqrt)
}

/// Lag-1 autocorrelation, in the form NIST certifies:
/// `sum (y[t]-m)(y[t+1]-m) / sum (y[t]-m)^2`.
///
/// `None` for fewer than two values or values that do not vary.
pub fn lag1(values: &[f64]) -> Option<f64> {
    let mean = mean(values)?;
    let squares: f64 = values.iter().map(|v| (v - mean).powi(2)).sum();
    let products: f64 = values
        .windows(2)
        .map(|pair| (pair[0] - mean) * (pair[1] - mean))
        .sum();
    (squares > 0.0).then(|| products / squares)
}

/// Median: the middle value, or the mean of the two middle values. `None` when empty.
pub fn median(values: &[f64]) -> Option<f64> {
    median_in_place(&mut values.to_vec())
}

/// Median of values that it leaves in another order: found by selection, in time that grows with their
/// number, where sorting would take longer.
pub(super) fn median_in_place(values: &mut [f64]) -> Option<f64> {
    let (length, middle) = (values.len(), values.len() / 2);
    if length == 0 {
        return None;
    }
    let (below, upper, _) = values.select_nth_unstable_by(middle, f64::total_cmp);
    let upper = *upper;
    match below.iter().copied().max_by(f64::total_cmp) {
        Some(lower) if length.is_multiple_of(2) => Some(f64::midpoint(lower, upper)),
        _ => Some(upper),
    }
}

/// Median of values that are already in ascending order.
pub(super) fn median_of_sorted(sorted: &[f64]) -> Option<f64> {
    let middle = sorted.len() / 2;
    let upper = *sorted.get(middle)?;
    Some(if sorted.len() % 2 == 1 {
        upper
    } else {
        f64::midpoint(sorted[middle - 1], upper)
    })
}

/// Median absolute deviation from the median, unscaled. `None` when empty.
///
/// Multiply by 1.4826 to estimate the standard deviation of a normal sample.
pub fn mad(values: &[f64]) -> Option<f64> {
    let centre = median(values)?;
    let deviations: Vec<f64> = values.iter().map(|v| (v - centre).abs()).collect();
    median(&deviations)
}

/// Standard deviation as a fraction of the mean (0.05 is 5 %).
///
/// `None` for fewer than two values or a mean that is not positive.
pub fn coefficient_of_variation(values: &[f64]) -> Option<f64> {
    let mean = mean(values)?;
    let sd = sd(values)?;
    (mean > 0.0).then(|| sd / mean)
}

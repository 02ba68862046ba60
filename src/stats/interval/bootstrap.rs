//! The bootstrap: what a statistic does when the sample is drawn again from itself.
//!
//! Every function takes the number of `resamples` and the source of chance. `None`
//! means an empty sample, fewer than two resamples, a confidence outside (0, 1), or a
//! resample on which the statistic is not finite.

use super::super::describe::sd;
use super::super::quantile::{Definition, quantile};
use super::super::special::{normal_cdf, normal_quantile};
use super::{Interval, jackknife};

/// Bootstrap standard error of a statistic.
///
/// Source: Efron and Tibshirani (1993), algorithm 6.1.
pub fn bootstrap_se<T: Copy>(
    sample: &[T],
    statistic: impl Fn(&[T]) -> f64,
    resamples: usize,
    rng: &mut fastrand::Rng,
) -> Option<f64> {
    sd(&replicates(sample, statistic, resamples, rng)?)
}

/// Percentile interval of a statistic: the central share of its replicates, by linear
/// quantiles.
///
/// Source: Efron and Tibshirani (1993), section 13.3.
pub fn bootstrap_percentile<T: Copy>(
    sample: &[T],
    statistic: impl Fn(&[T]) -> f64,
    resamples: usize,
    confidence: f64,
    rng: &mut fastrand::Rng,
) -> Option<Interval> {
    central(&replicates(sample, statistic, resamples, rng)?, confidence)
}

/// Percentile interval of a statistic of two independent samples, such as a ratio of
/// medians; each sample is drawn again from itself.
pub fn bootstrap_two_sample_percentile<T: Copy>(
    first: &[T],
    second: &[T],
    statistic: impl Fn(&[T], &[T]) -> f64,
    resamples: usize,
    confidence: f64,
    rng: &mut fastrand::Rng,
) -> Option<Interval> {
    if first.is_empty() || second.is_empty() {
        return None;
    }
    let (mut drawn_first, mut drawn_second) = (first.to_vec(), second.to_vec());
    let replicates = collect(resamples, || {
        redraw(first, &mut drawn_first, rng);
        redraw(second, &mut drawn_second, rng);
        statistic(&drawn_first, &drawn_second)
    })?;
    central(&replicates, confidence)
}

/// Bias-corrected and accelerated interval of a statistic.
///
/// Source: Efron and Tibshirani (1993), equations 14.9, 14.10, 14.14 and 14.15; replicates
/// equal to the estimate count half. Also `None` for fewer than two elements, a
/// statistic that no element moves, or an estimate outside all its replicates.
pub fn bootstrap_bca<T: Copy>(
    sample: &[T],
    statistic: impl Fn(&[T]) -> f64,
    resamples: usize,
    confidence: f64,
    rng: &mut fastrand::Rng,
) -> Option<Interval> {
    if !(confidence > 0.0 && confidence < 1.0) {
        return None;
    }
    let knife = jackknife(sample, &statistic)?;
    let acceleration = knife.acceleration?;
    let sorted = replicates(sample, &statistic, resamples, rng)?;
    let below = sorted.partition_point(|v| *v < knife.estimate);
    let up_to = sorted.partition_point(|v| *v <= knife.estimate);
    let shift = normal_quantile((below + up_to) as f64 / (2 * sorted.len()) as f64);
    if !shift.is_finite() {
        return None;
    }
    let bound = |p: f64| {
        let z = shift + normal_quantile(p);
        let adjusted = normal_cdf(shift + z / (1.0 - acceleration * z));
        quantile(&sorted, adjusted, Definition::Linear)
    };
    Some(Interval {
        low: bound((1.0 - confidence) / 2.0)?,
        high: bound((1.0 + confidence) / 2.0)?,
        confidence,
    })
}

/// Replicates of a one-sample statistic in ascending order.
fn replicates<T: Copy>(
    sample: &[T],
    statistic: impl Fn(&[T]) -> f64,
    resamples: usize,
    rng: &mut fastrand::Rng,
) -> Option<Vec<f64>> {
    if sample.is_empty() {
        return None;
    }
    let mut drawn = sample.to_vec();
    collect(resamples, || {
        redraw(sample, &mut drawn, rng);
        statistic(&drawn)
    })
}

fn redraw<T: Copy>(sample: &[T], drawn: &mut [T], rng: &mut fastrand::Rng) {
    for slot in drawn {
        *slot = sample[rng.usize(..sample.len())];
    }
}

/// `resamples` values of `replicate` in ascending order, if all are finite.
fn collect(resamples: usize, mut replicate: impl FnMut() -> f64) -> Option<Vec<f64>> {
    let mut values: Vec<f64> = (0..resamples).map(|_| replicate()).collect();
    values.sort_unstable_by(f64::total_cmp);
    (resamples >= 2 && values.iter().all(|v| v.is_finite())).then_some(values)
}

fn central(sorted: &[f64], confidence: f64) -> Option<Interval> {
    if !(confidence > 0.0 && confidence < 1.0) {
        return None;
    }
    Some(Interval {
        low: quantile(sorted, (1.0 - confidence) / 2.0, Definition::Linear)?,
        high: quantile(sorted, (1.0 + confidence) / 2.0, Definition::Linear)?,
        confidence,
    })
}

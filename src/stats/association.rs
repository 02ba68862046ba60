//! How far two series that were seen side by side rise and fall together.
//!
//! Spearman's rank correlation, and an interval that knows that values close in time resemble each
//! other: two slow waves agree or disagree by chance far more often than two shuffled lists. It says
//! what goes together and nothing of why.

use super::describe::{lag1, mean};
use super::interval::Interval;
use super::special::normal_quantile;

/// Fewer pairs have no interval.
const LEAST: usize = 6;

/// The rank correlation of two series.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Association {
    /// Spearman's coefficient, -1 to 1.
    pub coefficient: f64,
    /// Pairs.
    pub pairs: usize,
    /// Independent pairs that would tell as much.
    pub effective: f64,
    /// Its interval; `None` where the pairs, counted as independent ones, are too few.
    pub interval: Option<Interval>,
}

/// Ranks from 1, values that are equal sharing their mean rank.
fn ranks(values: &[f64]) -> Vec<f64> {
    let mut order: Vec<usize> = (0..values.len()).collect();
    order.sort_unstable_by(|a, b| values[*a].total_cmp(&values[*b]));
    let mut ranks = vec![0.0; values.len()];
    let mut below = 0;
    for tie in order.chunk_by(|a, b| values[*a] == values[*b]) {
        let rank = below as f64 + (tie.len() as f64 + 1.0) / 2.0;
        for &index in tie {
            ranks[index] = rank;
        }
        below += tie.len();
    }
    ranks
}

fn pearson(x: &[f64], y: &[f64]) -> Option<f64> {
    let (mean_x, mean_y) = (mean(x)?, mean(y)?);
    let (mut xy, mut xx, mut yy) = (0.0, 0.0, 0.0);
    for (x, y) in x.iter().zip(y) {
        let (dx, dy) = (x - mean_x, y - mean_y);
        xy += dx * dy;
        xx += dx * dx;
        yy += dy * dy;
    }
    (xx > 0.0 && yy > 0.0).then(|| (xy / (xx * yy).sqrt()).clamp(-1.0, 1.0))
}

/// The correlation of one value with the next, freed of the bias that short series have:
/// `E r = p - (1 + 3 p)/n` (M. G. Kendall, Biometrika 41 (1954) 403, citation from memory).
fn memory(ranks: &[f64]) -> f64 {
    let n = ranks.len() as f64;
    let seen = lag1(ranks).unwrap_or(0.0);
    ((n * seen + 1.0) / (n - 3.0)).clamp(0.0, 0.99)
}

/// Spearman's rank correlation of `x` and `y`, pairs in the order of time.
///
/// The pairs count as `n (1 - a b)/(1 + a b)` independent ones, where `a` and `b` are the
/// correlations of each series with itself one step on (M. S. Bartlett, Journal of the Royal
/// Statistical Society 98 (1935) 536, citation from memory), never as more than they are. The interval
/// is Fisher's on `artanh`, with the variance `(1 + r*r/2)/(n - 3)` of Bonett and Wright, Psychometrika
/// 65 (2000) 23 (citation from memory).
///
/// `None` when the lengths differ, a value is not finite, or a series does not vary.
pub fn association(x: &[f64], y: &[f64], confidence: f64) -> Option<Association> {
    let finite = x.iter().chain(y).all(|value| value.is_finite());
    if !finite || x.len() != y.len() || !(confidence > 0.0 && confidence < 1.0) {
        return None;
    }
    let (x, y) = (ranks(x), ranks(y));
    let coefficient = pearson(&x, &y)?;
    let pairs = x.len();
    let both = if pairs > 3 {
        memory(&x) * memory(&y)
    } else {
        0.0
    };
    let effective = pairs as f64 * (1.0 - both) / (1.0 + both);
    let enough = pairs >= LEAST && effective > 4.0 && coefficient.abs() < 1.0;
    let interval = enough.then(|| {
        let error = ((1.0 + coefficient * coefficient / 2.0) / (effective - 3.0)).sqrt();
        let reach = normal_quantile(0.5 + confidence / 2.0) * error;
        Interval {
            low: (coefficient.atanh() - reach).tanh(),
            high: (coefficient.atanh() + reach).tanh(),
            confidence,
        }
    });
    Some(Association {
        coefficient,
        pairs,
        effective,
        interval,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::seed::{Seed, standard_normal};

    /// By hand: ranks differ by 0, 1, 1, 1, 1, so 1 − 6·4/(5·24) = 0.8; with a tie in x the ranks are
    /// 1, 2.5, 2.5, 4 against 1, 2, 3, 4, whose Pearson correlation is 4.5/√(4.5·5).
    #[test]
    fn worked_by_hand() {
        let found = association(&[1.0, 2.0, 3.0, 4.0, 5.0], &[1.0, 3.0, 2.0, 5.0, 4.0], 0.95);
        assert!((found.unwrap().coefficient - 0.8).abs() < 1e-12);
        let tied = association(&[1.0, 2.0, 2.0, 9.0], &[5.0, 6.0, 7.0, 8.0], 0.95).unwrap();
        assert!((tied.coefficient - 4.5 / (4.5f64 * 5.0).sqrt()).abs() < 1e-12);
        assert_eq!(tied.interval, None);
        assert_eq!(association(&[1.0, 1.0], &[1.0, 2.0], 0.95), None);
        assert_eq!(association(&[1.0], &[1.0, 2.0], 0.95), None);
        assert_eq!(association(&[1.0, f64::NAN], &[1.0, 2.0], 0.95), None);
    }

    /// Two series that know nothing of each other and remember themselves: the 95 % interval holds 0
    /// in 92 to 99 of 100, where one that takes the pairs for independent holds it in fewer than 80.
    #[test]
    fn waves_that_know_nothing_of_each_other_hold_zero() {
        const SERIES: usize = 2000;
        let seed = Seed(17);
        let mut rng = seed.rng();
        for (keep, length) in [(0.0, 30), (0.5, 48), (0.8, 60), (0.8, 96)] {
            let mut wave = || {
                let mut value = standard_normal(&mut rng);
                let step = |_| {
                    let kick = (1.0f64 - keep * keep).sqrt() * standard_normal(&mut rng);
                    value = keep * value + kick;
                    value
                };
                (0..length).map(step).collect::<Vec<f64>>()
            };
            let (mut held, mut naive) = (0, 0);
            for _ in 0..SERIES {
                let (x, y) = (wave(), wave());
                let found = association(&x, &y, 0.95).unwrap();
                let inside = |interval: Interval| interval.low <= 0.0 && interval.high >= 0.0;
                held += usize::from(found.interval.is_none_or(inside));
                let reach = 1.96 / (length as f64 - 3.0).sqrt();
                naive += usize::from(found.coefficient.atanh().abs() <= reach);
            }
            let share = |count: usize| count as f64 / SERIES as f64;
            assert!(
                (0.92..=0.99).contains(&share(held)),
                "{seed}, memory {keep}, {length} values: {}",
                share(held)
            );
            assert!(keep < 0.8 || share(naive) < 0.8, "{seed}: {}", share(naive));
        }
    }

    #[test]
    fn independent_pairs_count_whole() {
        let mut rng = Seed(3).rng();
        let x: Vec<f64> = (0..400).map(|_| rng.f64()).collect();
        let y: Vec<f64> = x.iter().map(|x| x + rng.f64()).collect();
        let found = association(&x, &y, 0.95).unwrap();
        assert!(found.effective > 390.0, "seed 3: {found:?}");
        let interval = found.interval.unwrap();
        // Population value for a sum of two equal uniforms is near 0.7.
        assert!(
            interval.low < 0.7 && interval.high > 0.65,
            "seed 3: {found:?}"
        );
    }
}

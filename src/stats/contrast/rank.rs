//! Comparisons by rank: the Mann-Whitney test and the Hodges-Lehmann shift.
//!
//! Source: Hollander and Wolfe, Nonparametric Statistical Methods, chapter 4
//! (numbers of its sections from memory).

use super::super::describe::median_of_sorted;
use super::super::interval::Interval;
use super::super::special::{normal_cdf, normal_quantile};

/// Up to this many values in both groups together the null distribution is counted
/// (milliseconds); beyond, the normal approximation serves.
const MOST_COUNTED: usize = 60;

/// The p values of the three questions one can ask of a contrast.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tails {
    /// Is x smaller than y?
    pub less: f64,
    /// Is x greater than y?
    pub greater: f64,
    /// Do x and y differ? Twice the smaller tail, at most 1.
    pub two_sided: f64,
}

impl Tails {
    fn new(less: f64, greater: f64) -> Self {
        Self {
            less,
            greater,
            two_sided: (2.0 * less.min(greater)).min(1.0),
        }
    }
}

/// Result of the Mann-Whitney test.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MannWhitney {
    /// Pairs in which x is the greater; ties count half.
    pub u1: f64,
    /// Pairs in which y is the greater; ties count half.
    pub u2: f64,
    /// Exact p values, conditional on the ties; `None` beyond 60 values in all.
    pub exact: Option<Tails>,
    /// Normal approximation with continuity and tie correction.
    pub asymptotic: Tails,
}

/// The Mann-Whitney test of `x` against `y`; `None` when a group is empty.
pub fn mann_whitney(x: &[f64], y: &[f64]) -> Option<MannWhitney> {
    if x.is_empty() || y.is_empty() {
        return None;
    }
    let (n1, n2) = (x.len() as f64, y.len() as f64);
    let mut pooled: Vec<(f64, bool)> = x.iter().map(|v| (*v, true)).collect();
    pooled.extend(y.iter().map(|v| (*v, false)));
    pooled.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));

    // Ranks are doubled, so that the mean rank of a tie stays a whole number.
    let mut doubled_ranks = Vec::with_capacity(pooled.len());
    let mut doubled_sum = 0;
    let mut tie_term = 0.0;
    for tie in pooled.chunk_by(|a, b| a.0 == b.0) {
        let rank = 2 * doubled_ranks.len() + tie.len() + 1;
        doubled_ranks.resize(doubled_ranks.len() + tie.len(), rank);
        doubled_sum += rank * tie.iter().filter(|(_, in_x)| *in_x).count();
        let t = tie.len() as f64;
        tie_term += t * t * t - t;
    }
    let u1 = doubled_sum as f64 / 2.0 - n1 * (n1 + 1.0) / 2.0;
    let u2 = n1 * n2 - u1;

    let n = n1 + n2;
    let spread = (n1 * n2 / 12.0 * (n + 1.0 - tie_term / (n * (n - 1.0)))).sqrt();
    let upper = |u: f64| match spread > 0.0 {
        true => normal_cdf(-(u - n1 * n2 / 2.0 - 0.5) / spread),
        false => 1.0,
    };
    Some(MannWhitney {
        u1,
        u2,
        exact: (pooled.len() <= MOST_COUNTED).then(|| {
            let shares = rank_sum_shares(&doubled_ranks, x.len());
            Tails::new(
                shares[..=doubled_sum].iter().sum(),
                shares[doubled_sum..].iter().sum(),
            )
        }),
        asymptotic: Tails::new(upper(u2), upper(u1)),
    })
}

/// For each possible sum of the doubled ranks of `chosen` values, the share of all
/// choices that give it. Counts choices value by value, ties included.
fn rank_sum_shares(doubled_ranks: &[usize], chosen: usize) -> Vec<f64> {
    let most: usize = doubled_ranks.iter().sum();
    let mut ways = vec![vec![0.0; most + 1]; chosen + 1];
    ways[0][0] = 1.0;
    for &rank in doubled_ranks {
        for count in (1..=chosen).rev() {
            let (fewer, more) = ways.split_at_mut(count);
            for (sum, way) in more[0][rank..].iter_mut().enumerate() {
                *way += fewer[count - 1][sum];
            }
        }
    }
    let total: f64 = ways[chosen].iter().sum();
    ways[chosen].iter().map(|way| way / total).collect()
}

/// The Hodges-Lehmann estimate of how far `x` lies above `y`: the median of all
/// pairwise differences (not the difference of the medians). `None` when a group is
/// empty.
pub fn hodges_lehmann(x: &[f64], y: &[f64]) -> Option<f64> {
    median_of_sorted(&differences(x, y))
}

/// Confidence interval of the Hodges-Lehmann shift, from the null distribution of
/// Mann-Whitney's U without ties (Hollander and Wolfe, section 4.3).
///
/// The distribution is discrete: the result carries the confidence it reaches, at least
/// the one asked for. Beyond 60 values in all the bounds come from the normal
/// approximation. `None` when the groups are too small for this confidence at all.
pub fn hodges_lehmann_interval(x: &[f64], y: &[f64], confidence: f64) -> Option<Interval> {
    if x.is_empty() || y.is_empty() || !(confidence > 0.0 && confidence < 1.0) {
        return None;
    }
    let (n1, n2) = (x.len(), y.len());
    let outside = (1.0 - confidence) / 2.0;
    let (dropped, confidence) = if n1 + n2 <= MOST_COUNTED {
        let doubled_ranks: Vec<usize> = (1..=n1 + n2).map(|rank| 2 * rank).collect();
        let shares = rank_sum_shares(&doubled_ranks, n1);
        // Without ties the doubled sum is twice U plus its least value.
        let least = n1 * (n1 + 1);
        let mut tail = 0.0;
        let mut reached = None;
        for u in 0..n1 * n2 / 2 {
            tail += shares[least + 2 * u];
            // The slack admits a tail that equals the limit but for rounding.
            if tail > outside * (1.0 + 1e-12) {
                break;
            }
            reached = Some((u, 1.0 - 2.0 * tail));
        }
        reached?
    } else {
        let (a, b) = (n1 as f64, n2 as f64);
        let spread = (a * b * (a + b + 1.0) / 12.0).sqrt();
        let position = a * b / 2.0 + normal_quantile(outside) * spread;
        if position < 1.0 {
            return None;
        }
        (position as usize - 1, confidence)
    };
    let sorted = differences(x, y);
    Some(Interval {
        low: sorted[dropped],
        high: sorted[sorted.len() - 1 - dropped],
        confidence,
    })
}

/// All differences of a value of `x` and a value of `y`, in ascending order.
fn differences(x: &[f64], y: &[f64]) -> Vec<f64> {
    let mut all: Vec<f64> = x
        .iter()
        .flat_map(|a| y.iter().map(move |b| a - b))
        .collect();
    all.sort_unstable_by(f64::total_cmp);
    all
}

//! The permutation test: how often chance alone, dealing out the labels anew, makes a
//! difference of means as large as the one seen.

use super::super::describe::mean;

/// Up to this many ways of dealing the labels, every one is tried.
const MOST_ENUMERATED: u64 = 200_000;

/// Result of a permutation test.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Permutation {
    /// Two-sided p value, `count / total`.
    pub p: f64,
    /// p value for x being greater.
    pub p_greater: f64,
    /// p value for x being smaller.
    pub p_less: f64,
    /// Every way of dealing was tried; otherwise they were drawn at random.
    pub exact: bool,
    /// Ways whose difference of means is at least as far from zero as the one seen.
    pub count: u64,
    /// Ways tried; when drawn at random, one more, for the one seen.
    pub total: u64,
}

/// Tests the difference of the means of `x` and `y`.
///
/// Tries all ways of dealing the labels when there are at most 200 000, else `draws`
/// random ones, with `p = (b+1)/(draws+1)` so that it is never zero (Davison and
/// Hinkley, Bootstrap Methods and their Application, 1997, from memory). `None` when a group is empty or a value is not finite.
pub fn permutation_p(
    x: &[f64],
    y: &[f64],
    rng: &mut fastrand::Rng,
    draws: u64,
) -> Option<Permutation> {
    if x.is_empty() || y.is_empty() || x.iter().chain(y).any(|v| !v.is_finite()) {
        return None;
    }
    let mut pooled = [x, y].concat();
    // About the pooled mean, the difference of the group means is proportional to the
    // sum of either group, so that sum is all that has to be compared.
    let centre = mean(&pooled)?;
    pooled.iter_mut().for_each(|v| *v -= centre);
    let mut tally = Tally::new(&pooled, x.len());

    let exact = choices(pooled.len(), x.len()).is_some_and(|ways| ways <= MOST_ENUMERATED);
    if exact {
        for_each_choice(pooled.len(), x.len(), |chosen| {
            tally.add(chosen.iter().map(|&i| pooled[i]).sum());
        });
    } else {
        tally.add(tally.seen);
        for _ in 0..draws {
            for i in 0..x.len() {
                let j = rng.usize(i..pooled.len());
                pooled.swap(i, j);
            }
            tally.add(pooled[..x.len()].iter().sum());
        }
    }
    let share = |count: u64| count as f64 / tally.total as f64;
    Some(Permutation {
        p: share(tally.as_far),
        p_greater: share(tally.as_great),
        p_less: share(tally.as_small),
        exact,
        count: tally.as_far,
        total: tally.total,
    })
}

struct Tally {
    seen: f64,
    /// Sums closer than this are the same sum in another order of addition.
    slack: f64,
    as_great: u64,
    as_small: u64,
    as_far: u64,
    total: u64,
}

impl Tally {
    fn new(pooled: &[f64], in_x: usize) -> Self {
        Self {
            seen: pooled[..in_x].iter().sum(),
            slack: 1e-12 * pooled.iter().map(|v| v.abs()).sum::<f64>(),
            as_great: 0,
            as_small: 0,
            as_far: 0,
            total: 0,
        }
    }

    fn add(&mut self, sum: f64) {
        self.total += 1;
        self.as_great += u64::from(sum >= self.seen - self.slack);
        self.as_small += u64::from(sum <= self.seen + self.slack);
        self.as_far += u64::from(sum.abs() >= self.seen.abs() - self.slack);
    }
}

/// Number of ways to choose `k` of `n`, `None` once it is beyond counting.
fn choices(n: usize, k: usize) -> Option<u64> {
    (0..k.min(n - k) as u64).try_fold(1u64, |ways, i| {
        Some(ways.checked_mul(n as u64 - i)? / (i + 1))
    })
}

/// Calls `visit` with each ascending choice of `k` of the indices below `n`.
fn for_each_choice(n: usize, k: usize, mut visit: impl FnMut(&[usize])) {
    let mut chosen: Vec<usize> = (0..k).collect();
    loop {
        visit(&chosen);
        // The last index that can still move up; those after it follow on its heels.
        let Some(i) = (0..k).rev().find(|&i| chosen[i] < n - k + i) else {
            return;
        };
        let next = chosen[i] + 1;
        for (offset, slot) in chosen[i..].iter_mut().enumerate() {
            *slot = next + offset;
        }
    }
}

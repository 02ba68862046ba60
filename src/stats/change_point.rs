//! Where the level of a series changes: once, with a significance, or several times.
//!
//! Both searches are least squares, which is the greatest likelihood for normal noise of
//! equal spread about each level. A rate or a latency changes by factors, so give its
//! logarithm.

use super::describe::{mad, mean, sd};

mod orders;

use orders::Orders;

/// A run of values at one level.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Segment {
    /// Index of its first value.
    pub start: usize,
    /// Index after its last value.
    pub end: usize,
    /// Mean of its values.
    pub mean: f64,
    /// Standard deviation of its values (divisor n-1); `None` for one value.
    pub sd: Option<f64>,
}

/// The best single change of level in a series, and whether chance explains it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Change {
    /// The values before it.
    pub before: Segment,
    /// The values from it on.
    pub after: Segment,
    /// Share of the variation about one mean that two means explain, 0 to 1.
    pub explained: f64,
    /// How often the values in another order show a change as large. Small: it is real.
    pub p: f64,
}

/// Finds the single change of mean that leaves the least squares, each side at least
/// `least` values long, and tests it by `draws` random orders of the values.
///
/// Each order is searched for its own best change, so looking everywhere costs no false
/// alarms; `p = (b+1)/(draws+1)`, as for a permutation test (Davison and Hinkley,
/// Bootstrap Methods and their Application, 1997, from memory). The orders keep blocks
/// of `block` neighbours together: 1 suits independent values; values that remember
/// their neighbours need blocks longer than their memory, and several of them, else p is
/// too small. `None` when the series is shorter than twice `least`, `least` or `block`
/// is 0, a value is not finite, or the values are all equal.
pub fn single_change(
    values: &[f64],
    least: usize,
    block: usize,
    draws: u64,
    rng: &mut fastrand::Rng,
) -> Option<Change> {
    significant_change(values, least, block, draws, f64::INFINITY, rng)
}

/// The change that [`single_change`] finds if its `p` is below `level`; `None` otherwise.
///
/// Orders are drawn until that is decided: once as many showed a change as large that `p` cannot end
/// below the level, the others are left out, and `rng` stands elsewhere than after all. None is drawn where
/// the level is out of reach whatever the other values are: see `at_least`.
pub fn significant_change(
    values: &[f64],
    least: usize,
    block: usize,
    draws: u64,
    level: f64,
    rng: &mut fastrand::Rng,
) -> Option<Change> {
    let (centred, total) = (block > 0).then(|| centred(values, least))??;
    let (at, gain) = best_split(&centred, least);
    if at_least(values.len(), block, at) >= level {
        return None;
    }
    // The slack admits a gain that is the same but for the order of addition.
    let mut orders = Orders::new(&centred, least, block, gain * (1.0 - 1e-12));
    let share = |as_large: u64| as_large as f64 / (draws + 1) as f64;
    let mut as_large = 1;
    for _ in 0..draws {
        if share(as_large) >= level {
            return None;
        }
        as_large += u64::from(orders.next_reaches(rng));
    }
    let p = share(as_large);
    Some(Change {
        before: segment(values, 0, at)?,
        after: segment(values, at, values.len())?,
        explained: gain / total,
        p,
    })
    .filter(|_| p < level)
}

/// The least part of all orders of blocks that show a change at `at` of so many values as it is.
///
/// Where it lies between two blocks, those before it may stand in front in any order, or at the end: the
/// same values are apart then. Of `m` blocks `j` are the first ones, or the last, in `2 / C(m, j)` of the
/// orders. So a single quick block among 167 is no sign of anything at 1 %: 1.2 % of orders begin or end with it.
fn at_least(values: usize, block: usize, at: usize) -> f64 {
    if !at.is_multiple_of(block) {
        return 0.0;
    }
    let (blocks, before) = (values.div_ceil(block), at / block);
    let few = before.min(blocks - before);
    let ways = (1..=few).map(|i| (blocks - few + i) as f64 / i as f64);
    2.0 / ways.product::<f64>()
}

/// The levels on both sides of the change that [`single_change`] finds, without its test: cheap, where
/// most changes are too small to matter anyway. `None` as there.
pub fn largest_change(values: &[f64], least: usize) -> Option<[Segment; 2]> {
    let (centred, _) = centred(values, least)?;
    let (at, _) = best_split(&centred, least);
    Some([segment(values, 0, at)?, segment(values, at, values.len())?])
}

/// The values about their mean, and the sum of their squares; `None` where no change can be looked for.
fn centred(values: &[f64], least: usize) -> Option<(Vec<f64>, f64)> {
    let usable = least > 0 && values.iter().all(|v| v.is_finite());
    if !usable || values.len() / 2 < least {
        return None;
    }
    let centre = mean(values)?;
    let centred: Vec<f64> = values.iter().map(|v| v - centre).collect();
    let total: f64 = centred.iter().map(|v| v * v).sum();
    (total != 0.0).then_some((centred, total))
}

/// The split of values about zero mean that explains most, and the sum of squares that
/// it explains: `S^2 n / (k (n-k))`, with S the sum of the first k values.
fn best_split(centred: &[f64], least: usize) -> (usize, f64) {
    let n = centred.len();
    let mut sum: f64 = centred[..least - 1].iter().sum();
    let mut best = (least, f64::NEG_INFINITY);
    for k in least..=n - least {
        sum += centred[k - 1];
        let gain = sum * sum * n as f64 / (k * (n - k)) as f64;
        if gain > best.1 {
            best = (k, gain);
        }
    }
    best
}

/// Splits a series into levels, each at least `least` values long, so that the squares
/// about the levels, in units of the noise, plus a penalty for each change are least.
///
/// The penalty is `2 ln n`: by the Bayesian information criterion each change costs `ln
/// n` for its level and again for its place. The optimum is exact, by optimal
/// partitioning: B. Jackson et al., "An algorithm for optimal partitioning of data on an
/// interval", IEEE Signal Processing Letters 12 (2005); penalty as in R. Killick, P.
/// Fearnhead and I. A. Eckley, "Optimal detection of changepoints with a linear
/// computational cost", JASA 107 (2012) (citations from memory). Of equal sums the one
/// with the later last change is taken. Work grows with the square of the length.
///
/// `noise_sd` is the spread of values about one level, from repeated trials; lacking
/// those, [`difference_sd`]. `None` for fewer values than `least`, a `least` of 0, values
/// that are not finite, or a noise that is not positive and finite.
pub fn levels(values: &[f64], least: usize, noise_sd: f64) -> Option<Vec<Segment>> {
    let n = values.len();
    let usable = values.iter().all(|v| v.is_finite()) && noise_sd.is_finite() && noise_sd > 0.0;
    if !usable || least == 0 || n < least {
        return None;
    }
    let penalty = 2.0 * (n as f64).ln() * noise_sd * noise_sd;
    let centre = mean(values)?;
    let mut sums = vec![(0.0, 0.0)];
    for v in values.iter().map(|v| v - centre) {
        let (sum, squares) = sums[sums.len() - 1];
        sums.push((sum + v, squares + v * v));
    }
    let cost = |start: usize, end: usize| {
        let sum: f64 = sums[end].0 - sums[start].0;
        sums[end].1 - sums[start].1 - sum * sum / (end - start) as f64
    };

    // best[end]: least penalised cost of the first `end` values, and where its last
    // level starts.
    let mut best = vec![(f64::INFINITY, 0); n + 1];
    best[0].0 = -penalty;
    for end in least..=n {
        for start in 0..=end - least {
            let candidate = best[start].0 + cost(start, end) + penalty;
            if candidate <= best[end].0 {
                best[end] = (candidate, start);
            }
        }
    }
    let mut found = Vec::new();
    let mut end = n;
    while end > 0 {
        let start = best[end].1;
        found.push(segment(values, start, end)?);
        end = start;
    }
    found.reverse();
    Some(found)
}

/// Spread of the noise of a series whose level changes now and then, from the
/// differences of neighbours: `1.4826 MAD(differences) / sqrt 2`, for normal noise.
///
/// The few differences that span a change do not move the median. `None` for fewer than
/// three values.
pub fn difference_sd(values: &[f64]) -> Option<f64> {
    if values.len() < 3 {
        return None;
    }
    let differences: Vec<f64> = values.windows(2).map(|pair| pair[1] - pair[0]).collect();
    Some(1.4826 * mad(&differences)? / 2f64.sqrt())
}

/// Describes the values from `start` to before `end`.
fn segment(values: &[f64], start: usize, end: usize) -> Option<Segment> {
    let run = &values[start..end];
    Some(Segment {
        start,
        end,
        mean: mean(run)?,
        sd: sd(run),
    })
}

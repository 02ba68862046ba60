//! The arithmetic of the mixture: likelihood and EM on weighted points.

use std::f64::consts::PI;

use super::Component;

/// The shares at which the sorted points are split for a start. Small ones matter: beside
/// a slow part that is not log-normal, a small fast part is found only from near by.
const STARTS: [f64; 9] = [0.003, 0.01, 0.05, 0.25, 0.5, 0.75, 0.95, 0.99, 0.997];
/// Iterations after which a fit is taken as it is.
const MOST_ITERATIONS: usize = 1000;
/// Gain of log likelihood that ends the iterations, and the part of the likelihood that
/// is rounding with counts in the billions.
const LEAST_GAIN: f64 = 1e-6;
const ROUNDING: f64 = 1e-13;
/// A start that comes this near to a known maximum, in widths, will end there.
const NEAR: f64 = 0.05;

/// Distinct logarithms in ascending order with their counts.
pub(super) struct Points {
    /// Less `centre`, so that squares lose no digits.
    logs: Vec<f64>,
    counts: Vec<f64>,
    total: f64,
    pub(super) centre: f64,
    pub(super) least_sd: f64,
}

/// Two components and how they were found.
pub(super) struct Fitted {
    pub(super) fast: Component,
    pub(super) slow: Component,
    pub(super) share_fast: f64,
    pub(super) log_likelihood: f64,
    pub(super) iterations: usize,
}

/// Two components of the centred logarithms.
#[derive(Clone, Copy)]
pub(super) struct Pair {
    pub(super) first: Component,
    pub(super) second: Component,
    pub(super) share: f64,
}

impl Pair {
    /// The same pair with the lower mean first.
    fn fast_first(self) -> Self {
        if self.first.mean_log <= self.second.mean_log {
            return self;
        }
        Self {
            first: self.second,
            second: self.first,
            share: 1.0 - self.share,
        }
    }

    /// On its way to the maximum `other`: both means within a part of the widths.
    fn is_near(&self, other: &Self) -> bool {
        let near = |a: &Component, b: &Component| {
            (a.mean_log - b.mean_log).abs() <= NEAR * a.sd_log.min(b.sd_log)
                && (a.sd_log / b.sd_log).ln().abs() <= NEAR
        };
        near(&self.first, &other.first) && near(&self.second, &other.second)
    }
}

/// Weighted sums of the centred logarithms from which a component follows.
#[derive(Clone, Copy, Default)]
struct Sums {
    weight: f64,
    first: f64,
    second: f64,
}

impl Sums {
    fn add(&mut self, weight: f64, log: f64) {
        self.weight += weight;
        self.first += weight * log;
        self.second += weight * log * log;
    }

    fn component(&self, least_sd: f64) -> Component {
        let mean = self.first / self.weight;
        let variance = self.second / self.weight - mean * mean;
        Component {
            mean_log: mean,
            sd_log: variance.max(least_sd * least_sd).sqrt(),
        }
    }
}

/// Logarithm of a normal density times its share, made ready for many points.
struct LogDensity {
    offset: f64,
    mean: f64,
    per_sd: f64,
}

impl LogDensity {
    fn new(component: &Component, share: f64) -> Self {
        Self {
            offset: share.ln() - component.sd_log.ln() - 0.5 * (2.0 * PI).ln(),
            mean: component.mean_log,
            per_sd: 1.0 / component.sd_log,
        }
    }

    fn at(&self, log: f64) -> f64 {
        let z = (log - self.mean) * self.per_sd;
        self.offset - 0.5 * z * z
    }
}

/// The density of a pair, made ready for many points.
pub(super) struct Posterior {
    first: LogDensity,
    second: LogDensity,
}

impl Posterior {
    pub(super) fn new(pair: &Pair) -> Self {
        Self {
            first: LogDensity::new(&pair.first, pair.share),
            second: LogDensity::new(&pair.second, 1.0 - pair.share),
        }
    }

    /// Probability that a value belongs to the first component, and the logarithm of the
    /// density of the mixture there.
    pub(super) fn at(&self, log: f64) -> (f64, f64) {
        let (first, second) = (self.first.at(log), self.second.at(log));
        // The smaller over the larger, so that nothing overflows far out in a tail.
        let ratio = (first.min(second) - first.max(second)).exp();
        let larger = 1.0 / (1.0 + ratio);
        let posterior = if first > second {
            larger
        } else {
            ratio * larger
        };
        (posterior, first.max(second) + ratio.ln_1p())
    }
}

impl Points {
    /// `None` when there is no count or a value with a count has no logarithm.
    pub(super) fn new(values: &[(f64, u64)], resolution: f64) -> Option<Self> {
        let mut kept: Vec<(f64, f64)> = values
            .iter()
            .filter(|(_, count)| *count > 0)
            .map(|(value, count)| (value.ln(), *count as f64))
            .collect();
        if kept.is_empty() || kept.iter().any(|(log, _)| !log.is_finite()) {
            return None;
        }
        kept.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
        let total: f64 = kept.iter().map(|(_, count)| count).sum();
        let centre = kept.iter().map(|(log, count)| log * count).sum::<f64>() / total;
        Some(Self {
            logs: kept.iter().map(|(log, _)| log - centre).collect(),
            counts: kept.iter().map(|(_, count)| *count).collect(),
            total,
            centre,
            least_sd: resolution / (2.0 * PI).sqrt(),
        })
    }

    pub(super) fn total(&self) -> f64 {
        self.total
    }

    /// The centred logarithms with their counts.
    pub(super) fn pairs(&self) -> impl Iterator<Item = (f64, f64)> {
        self.logs.iter().copied().zip(self.counts.iter().copied())
    }

    /// Back from the centred logarithms.
    fn placed(&self, component: Component) -> Component {
        Component {
            mean_log: component.mean_log + self.centre,
            ..component
        }
    }

    /// One component and its log likelihood.
    pub(super) fn fit_one(&self) -> (Component, f64) {
        let mut sums = Sums::default();
        self.pairs().for_each(|(log, count)| sums.add(count, log));
        let one = sums.component(self.least_sd);
        let density = LogDensity::new(&one, 1.0);
        let likelihood = self.pairs().map(|(log, count)| count * density.at(log));
        let likelihood = likelihood.sum();
        (self.placed(one), likelihood)
    }

    /// The different maxima that the starts lead to; none when there is a single value.
    pub(super) fn maxima(&self) -> Vec<Fitted> {
        let mut found: Vec<(Pair, f64, usize)> = Vec::new();
        for start in STARTS.iter().filter_map(|&share| self.split(share)) {
            let known = |pair: &Pair| found.iter().any(|(other, ..)| pair.is_near(other));
            if let Some(new) = self.climb(start, known) {
                found.push(new);
            }
        }
        let fitted = |(pair, log_likelihood, iterations): (Pair, f64, usize)| Fitted {
            fast: self.placed(pair.first),
            slow: self.placed(pair.second),
            share_fast: pair.share,
            log_likelihood,
            iterations,
        };
        found.into_iter().map(fitted).collect()
    }

    /// Follows a start to its maximum: the pair, its log likelihood and the iterations.
    /// `None` when it comes to a known one or a component loses all its weight.
    fn climb(&self, start: Pair, known: impl Fn(&Pair) -> bool) -> Option<(Pair, f64, usize)> {
        let (mut pair, mut likelihood) = (start, f64::NEG_INFINITY);
        for iteration in 1..=MOST_ITERATIONS {
            let (next, reached) = self.step(&pair)?;
            if known(&next) {
                return None;
            }
            let gain = reached - likelihood;
            (pair, likelihood) = (next, reached);
            if gain <= LEAST_GAIN + ROUNDING * likelihood.abs() {
                return Some((pair.fast_first(), likelihood, iteration));
            }
        }
        Some((pair.fast_first(), likelihood, MOST_ITERATIONS))
    }

    /// The components of the points up to the quantile `share` and of those above.
    fn split(&self, share: f64) -> Option<Pair> {
        let (mut below, mut above) = (Sums::default(), Sums::default());
        for (log, count) in self.pairs() {
            let side = match below.weight == 0.0 || below.weight + count <= share * self.total {
                true => &mut below,
                false => &mut above,
            };
            side.add(count, log);
        }
        (above.weight > 0.0).then(|| Pair {
            first: below.component(self.least_sd),
            second: above.component(self.least_sd),
            share: below.weight / self.total,
        })
    }

    /// One iteration: the next pair, and the log likelihood of the pair given. `None`
    /// when a component has lost all its weight.
    fn step(&self, pair: &Pair) -> Option<(Pair, f64)> {
        let (mut first, mut second) = (Sums::default(), Sums::default());
        let density = Posterior::new(pair);
        let mut likelihood = 0.0;
        for (log, count) in self.pairs() {
            let (posterior, log_density) = density.at(log);
            likelihood += count * log_density;
            first.add(count * posterior, log);
            second.add(count * (1.0 - posterior), log);
        }
        (first.weight > 0.0 && second.weight > 0.0).then(|| {
            let next = Pair {
                first: first.component(self.least_sd),
                second: second.component(self.least_sd),
                share: first.weight / self.total,
            };
            (next, likelihood)
        })
    }
}

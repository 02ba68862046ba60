//! How far the mean of a series that remembers its neighbours may be off.
//!
//! The variance of the mean of `n` such values is the long-run variance over `n`, where the long-run
//! variance is that of one value times the sum of all autocorrelations. Least squares through the
//! running sum of such a series, a progress curve, takes its residuals for independent and
//! understates the variance many times over.

use super::change_point::difference_sd;
use super::describe::mean;

/// The long-run variance of a series and how well it is known.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LongRun {
    /// Mean of the values.
    pub mean: f64,
    /// The variance of the mean of `n` values is this over `n`.
    pub variance: f64,
    /// Correlation of neighbours, 0 to 0.9.
    pub memory: f64,
    /// Degrees of freedom of that estimate.
    pub degrees_of_freedom: f64,
}

/// The fewest values that say anything of the memory from one to the next.
const FOR_MEMORY: usize = 6;
/// Above this memory a series says too little of its own spread, and nothing larger is believed.
const MOST_MEMORY: f64 = 0.9;

/// The long-run variance by a first-order autoregression: `s^2 (1+r)/(1-r)` with the first
/// autocorrelation `r`, corrected for its bias of about `-(1+4r)/n` and held between 0 and 0.9;
/// degrees of freedom `(n-1)(1-r)/(1+r)`, at least 1.
///
/// Priestley, Spectral Analysis and Time Series (1981), section 5.3 for the variance of the mean,
/// and Marriott and Pope, "Bias in the estimation of autocorrelations", Biometrika 41 (1954) for the
/// correction (citations from memory). With fewer than 6 values `r` is taken as 0. `None` for fewer
/// than 2 values or values that are not finite.
pub fn long_run(values: &[f64]) -> Option<LongRun> {
    let n = values.len() as f64;
    let mean = mean(values).filter(|mean| mean.is_finite())?;
    if values.len() < 2 {
        return None;
    }
    let squares: f64 = values.iter().map(|v| (v - mean).powi(2)).sum();
    let neighbours: f64 = values
        .windows(2)
        .map(|w| (w[0] - mean) * (w[1] - mean))
        .sum();
    let memory = match values.len() >= FOR_MEMORY && squares > 0.0 {
        true => {
            let raw = neighbours / squares;
            (raw + (1.0 + 4.0 * raw) / n).clamp(0.0, MOST_MEMORY)
        }
        false => 0.0,
    };
    let widening = (1.0 + memory) / (1.0 - memory);
    Some(LongRun {
        mean,
        variance: squares / (n - 1.0) * widening,
        memory,
        degrees_of_freedom: ((n - 1.0) / widening).max(1.0),
    })
}

/// The root of the long-run variance of a series whose level changes now and then, from differences
/// of neighbours and of next neighbours, whose medians the few changes do not move.
///
/// For a first-order autoregression the ratio of their variances is `1 + r`. `None` for fewer than
/// four values.
pub fn robust_long_run_sd(values: &[f64]) -> Option<f64> {
    if values.len() < 4 {
        return None;
    }
    let near = difference_sd(values)?;
    let even: Vec<f64> = values.iter().step_by(2).copied().collect();
    let odd: Vec<f64> = values.iter().skip(1).step_by(2).copied().collect();
    let halves = [difference_sd(&even), difference_sd(&odd)];
    let squares: Vec<f64> = halves.iter().flatten().map(|sd| sd * sd).collect();
    if near == 0.0 {
        return Some(0.0);
    }
    // difference_sd is s sqrt(1-r) of neighbours, s sqrt(1-r^2) of next neighbours.
    let memory =
        (mean(&squares).map_or(1.0, |far| far / (near * near)) - 1.0).clamp(0.0, MOST_MEMORY);
    Some(near / (1.0 - memory).sqrt() * ((1.0 + memory) / (1.0 - memory)).sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::seed::{Seed, standard_normal};
    use crate::stats::describe::median;

    /// A first-order autoregression of unit variance about `level(i)`.
    fn series(seed: Seed, n: usize, memory: f64, level: impl Fn(usize) -> f64) -> Vec<f64> {
        let mut rng = seed.rng();
        let mut value = standard_normal(&mut rng);
        (0..n)
            .map(|index| {
                value = memory * value + (1.0 - memory * memory).sqrt() * standard_normal(&mut rng);
                level(index) + value
            })
            .collect()
    }

    /// Median over many series of what `of` finds, over the truth `sqrt((1+r)/(1-r))`.
    fn found(memory: f64, level: fn(usize) -> f64, of: impl Fn(&[f64]) -> f64) -> f64 {
        let truth = ((1.0 + memory) / (1.0 - memory)).sqrt();
        let all: Vec<f64> = (0..200)
            .map(|index| of(&series(Seed(3).child("series", index), 200, memory, level)) / truth)
            .collect();
        median(&all).unwrap()
    }

    #[test]
    fn the_long_run_spread_of_a_known_process_is_found() {
        for memory in [0.0, 0.4, 0.8] {
            let plain = found(memory, |_| 0.0, |v| long_run(v).unwrap().variance.sqrt());
            assert!((0.9..1.1).contains(&plain), "seed 3, {memory}: {plain}");
            let robust = found(memory, |_| 0.0, |v| robust_long_run_sd(v).unwrap());
            assert!((0.75..1.35).contains(&robust), "seed 3, {memory}: {robust}");
        }
    }

    #[test]
    fn a_change_of_level_moves_the_plain_estimate_and_not_the_robust_one() {
        let jump = |index: usize| if index < 100 { 0.0 } else { 8.0 };
        let plain = found(0.4, jump, |v| long_run(v).unwrap().variance.sqrt());
        let robust = found(0.4, jump, |v| robust_long_run_sd(v).unwrap());
        assert!(
            plain > 5.0 && (0.75..1.35).contains(&robust),
            "seed 3: {plain} {robust}"
        );
    }

    #[test]
    fn few_values_say_little_and_none_nothing() {
        let two = long_run(&[1.0, 3.0]).unwrap();
        assert_eq!((two.mean, two.variance, two.memory), (2.0, 2.0, 0.0));
        assert_eq!(two.degrees_of_freedom, 1.0);
        assert_eq!((long_run(&[1.0]), long_run(&[1.0, f64::NAN])), (None, None));
        assert_eq!(robust_long_run_sd(&[1.0, 2.0, 3.0]), None);
        assert_eq!(robust_long_run_sd(&[1.0; 9]), Some(0.0));
    }
}

//! How well the points know the share of the fast component: observed information.

use super::super::interval::Interval;
use super::super::special::normal_quantile;
use super::em::{Fitted, Pair, Points, Posterior};

/// Scores of which less than this part of their natural length is not in the scores
/// before them are rounding: nothing that the data say depends on them.
const NOTHING_NEW: f64 = 1e-9;

impl Points {
    /// Interval of the share from the observed information.
    ///
    /// The information is the sum over the points of the outer product of their scores
    /// (G. J. McLachlan and D. Peel, Finite Mixture Models, 2000, section 2.15, number
    /// from memory). What it holds about the share alone, with the other four parameters
    /// unknown, is the sum of squares that the other scores leave of the scores of the
    /// share. The interval is normal in the log odds, where it stays between 0 and 1 and
    /// is right at small shares, too. Where the data cannot tell the components apart it
    /// says so: 0 to 1.
    pub(super) fn share_interval(&self, fitted: &Fitted, confidence: f64) -> Interval {
        let share = fitted.share_fast;
        let odds = (share / (1.0 - share)).ln();
        let z = normal_quantile(0.5 + confidence / 2.0);
        let information = self.share_information(fitted);
        let reach = z / information.sqrt() / (share * (1.0 - share));
        let from_odds = |odds: f64| 1.0 / (1.0 + (-odds).exp());
        Interval {
            low: from_odds(odds - reach),
            high: from_odds(odds + reach),
            confidence,
        }
    }

    fn share_information(&self, fitted: &Fitted) -> f64 {
        let pair = Pair {
            first: fitted.fast,
            second: fitted.slow,
            share: fitted.share_fast,
        };
        let (density, share) = (Posterior::new(&pair), pair.share);
        let belongs: Vec<(f64, f64, f64)> = self
            .pairs()
            .map(|(log, count)| {
                let log = log + self.centre;
                (log, count.sqrt(), density.at(log).0)
            })
            .collect();
        let mut of_share: Vec<f64> = belongs
            .iter()
            .map(|(_, root, first)| root * (first - share) / (share * (1.0 - share)))
            .collect();

        // Scores of mean and width of each component, in widths.
        let mut basis: Vec<Vec<f64>> = Vec::new();
        for (component, is_first) in [(pair.first, true), (pair.second, false)] {
            let weight = |root: f64, first: f64| root * if is_first { first } else { 1.0 - first };
            let score = |of: fn(f64) -> f64| -> Vec<f64> {
                belongs
                    .iter()
                    .map(|(log, root, first)| {
                        let z = (log - component.mean_log) / component.sd_log;
                        weight(*root, *first) * of(z)
                    })
                    .collect()
            };
            let natural = length(&score(|_| 1.0));
            extend(&mut basis, score(|z| z), natural);
            // At its least width a component has no width to estimate.
            if component.sd_log > self.least_sd * (1.0 + 1e-9) {
                extend(&mut basis, score(|z| z * z - 1.0), natural);
            }
        }
        remove(&basis, &mut of_share);
        dot(&of_share, &of_share)
    }
}

/// Adds what is new in `scores` to the orthonormal `basis`.
fn extend(basis: &mut Vec<Vec<f64>>, mut scores: Vec<f64>, natural: f64) {
    remove(basis, &mut scores);
    let left = length(&scores);
    if left > NOTHING_NEW * natural {
        scores.iter_mut().for_each(|s| *s /= left);
        basis.push(scores);
    }
}

/// Takes from `scores` what lies in the directions of `basis`.
fn remove(basis: &[Vec<f64>], scores: &mut [f64]) {
    for direction in basis {
        let along = dot(direction, scores);
        for (s, d) in scores.iter_mut().zip(direction) {
            *s -= along * d;
        }
    }
}

fn length(scores: &[f64]) -> f64 {
    dot(scores, scores).sqrt()
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

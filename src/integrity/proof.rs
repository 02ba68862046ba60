//! What a sample proves of all that it was drawn from.

use crate::stats::interval::{clopper_pearson, none_seen_bound};
use crate::units::{grouped, percent};

/// How sure a bound is.
const CONFIDENCE: f64 = 0.95;

/// The exact one-sided 95 % bound on the part of all blocks that differ, when `differing` of a random
/// sample of `sampled` do (Clopper and Pearson 1934; see [`clopper_pearson`]). `None` without a
/// sample.
pub fn upper_bound(differing: u64, sampled: u64) -> Option<f64> {
    match differing {
        0 => none_seen_bound(sampled, CONFIDENCE),
        // Of a two-sided 90 % interval, 5 % lie beyond each end.
        _ => Some(clopper_pearson(differing, sampled, 2.0 * CONFIDENCE - 1.0)?.high),
    }
}

/// What `differing` of `sampled` blocks prove, in a sentence. Where none differs, the rule of three
/// (Hanley and Lippman-Hand 1983) stands beside the exact bound. `None` without a sample.
pub fn sample_sentence(differing: u64, sampled: u64) -> Option<String> {
    let exact = upper_bound(differing, sampled)?;
    let counted = format!(
        "{} of {} blocks differ",
        grouped(differing),
        grouped(sampled)
    );
    if differing == 0 {
        let three = (3.0 / sampled as f64).min(1.0);
        return Some(format!(
            "{counted}: with 95 % confidence fewer than {} of all do (rule of three; exactly, after Clopper and Pearson, fewer than {})",
            digits(three),
            digits(exact)
        ));
    }
    Some(format!(
        "{counted}: with 95 % confidence fewer than {} of all do (exact bound of Clopper and Pearson)",
        digits(exact)
    ))
}

/// A fraction in per cent, with three significant digits at most, rounded up so that the bound
/// holds.
fn digits(fraction: f64) -> String {
    let hundred = fraction * 100.0;
    let decimals = (2 - hundred.log10().floor() as i32).clamp(0, 12) as usize;
    let scale = 10f64.powi(decimals as i32);
    // A rounding error of the product is no reason to step up.
    let up = (hundred * scale - 1e-6).ceil() / scale;
    let text = percent(up / 100.0, decimals);
    match text.split_once(' ') {
        Some((number, sign)) if number.contains('.') => {
            format!(
                "{} {sign}",
                number.trim_end_matches('0').trim_end_matches('.')
            )
        }
        _ => text,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 3/n: Hanley and Lippman-Hand, JAMA 249 (1983) 1743-1745. The exact bound by hand:
    /// 1 − 0.05^(1/3000) = 0.00099807.
    #[test]
    fn nothing_seen_of_three_thousand() {
        assert_eq!(
            sample_sentence(0, 3_000).unwrap(),
            "0 of 3,000 blocks differ: with 95 % confidence fewer than 0.1 % of all do (rule of three; exactly, after Clopper and Pearson, fewer than 0.0999 %)"
        );
        assert_eq!(sample_sentence(0, 0), None);
        assert!(
            sample_sentence(0, 1)
                .unwrap()
                .contains("fewer than 100 % of all do (rule")
        );
    }

    /// By hand: with one of ten, the bound solves (1−p)^10 + 10 p (1−p)^9 = 0.05; the tables of
    /// Clopper-Pearson bounds give 39.4 % (from memory).
    #[test]
    fn one_of_ten_has_the_exact_bound() {
        let p = upper_bound(1, 10).unwrap();
        let tail = (1.0 - p).powi(10) + 10.0 * p * (1.0 - p).powi(9);
        assert!((tail - 0.05).abs() < 1e-9, "{p}");
        assert!(
            sample_sentence(1, 10)
                .unwrap()
                .contains("fewer than 39.5 %"),
            "{p}"
        );
    }
}

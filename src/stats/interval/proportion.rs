//! The share of yes in counted trials: exact bounds, also when none or all are yes.

use super::super::special::beta_quantile;
use super::Interval;

/// The exact interval of Clopper and Pearson for the share behind `successes` of `trials`.
///
/// Its bounds are the shares at which the tail of the binomial distribution reaches half
/// of what the confidence leaves, as quantiles of the beta distribution; it covers at
/// least what it says. Source: C. J. Clopper and E. S. Pearson, "The use of confidence or
/// fiducial limits illustrated in the case of the binomial", Biometrika 26 (1934)
/// 404-413 (citation from memory). `None` for no trials, more successes than trials, or
/// a confidence outside (0, 1).
pub fn clopper_pearson(successes: u64, trials: u64, confidence: f64) -> Option<Interval> {
    if trials == 0 || successes > trials || !(confidence > 0.0 && confidence < 1.0) {
        return None;
    }
    let outside = (1.0 - confidence) / 2.0;
    let (yes, no) = (successes as f64, (trials - successes) as f64);
    Some(Interval {
        low: match successes {
            0 => 0.0,
            _ => beta_quantile(yes, no + 1.0, outside),
        },
        high: match trials - successes {
            0 => 1.0,
            _ => beta_quantile(yes + 1.0, no, 1.0 - outside),
        },
        confidence,
    })
}

/// The share that can be ruled out at one-sided `confidence` when none of `trials` said
/// yes: `1 - (1 - confidence)^(1/trials)`.
///
/// At 95 % that is close to `3 / trials`, the rule of three: J. A. Hanley and A.
/// Lippman-Hand, "If nothing goes wrong, is everything all right?", JAMA 249 (1983)
/// 1743-1745 (citation from memory). `None` for no trials or a confidence outside (0, 1).
pub fn none_seen_bound(trials: u64, confidence: f64) -> Option<f64> {
    if trials == 0 || !(confidence > 0.0 && confidence < 1.0) {
        return None;
    }
    Some(-((-confidence).ln_1p() / trials as f64).exp_m1())
}

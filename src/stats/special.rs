//! The distributions behind the intervals: normal, Student t, noncentral t.
//!
//! Normal and t come from `statrs`; the noncentral t, which power needs, is not there
//! and is integrated here.

use statrs::distribution::{ContinuousCDF, Normal, StudentsT};
use statrs::function::gamma::ln_gamma;

/// Standard normal distribution function.
pub(super) fn normal_cdf(z: f64) -> f64 {
    Normal::standard().cdf(z)
}

/// Standard normal quantile, `p` in `0..=1`.
pub(super) fn normal_quantile(p: f64) -> f64 {
    Normal::standard().inverse_cdf(p)
}

/// The t value that bounds the central `confidence` of Student's t.
///
/// `None` unless `confidence` lies strictly between 0 and 1 and the degrees of freedom
/// are positive and finite.
pub(super) fn t_two_sided(confidence: f64, degrees_of_freedom: f64) -> Option<f64> {
    if !(confidence > 0.0 && confidence < 1.0) || !degrees_of_freedom.is_finite() {
        return None;
    }
    let t = StudentsT::new(0.0, 1.0, degrees_of_freedom).ok()?;
    Some(t.inverse_cdf(0.5 + confidence / 2.0))
}

/// Two-sided p value of `t` under Student's t.
pub(super) fn t_p_value(t: f64, degrees_of_freedom: f64) -> Option<f64> {
    let distribution = StudentsT::new(0.0, 1.0, degrees_of_freedom).ok()?;
    Some((2.0 * distribution.sf(t.abs())).min(1.0))
}

/// Upper tail `P(T > t)` of the noncentral t distribution with noncentrality `delta`.
///
/// T = (Z + delta) / S with S = sqrt(chi2/df), so the tail is the mean of
/// `Phi(delta - t S)` over the density of S. Simpson's rule over the S that matter;
/// absolute error below 1e-8 against scipy from 1 degree of freedom up.
pub(super) fn noncentral_t_tail(t: f64, degrees_of_freedom: f64, delta: f64) -> f64 {
    const PANELS: usize = 2000;
    let df = degrees_of_freedom;
    // The spread of S is close to 1/sqrt(2 df); 9/sqrt(df) is more than 12 of them.
    let reach = 9.0 / df.sqrt();
    let (low, high) = ((1.0 - reach).max(0.0), 1.0 + reach);
    let log_constant = 2f64.ln() + df / 2.0 * (df / 2.0).ln() - ln_gamma(df / 2.0);
    let step = (high - low) / PANELS as f64;
    let integrand = |i: usize| {
        let s = low + step * i as f64;
        // At S = 0 the density is zero unless df = 1, where 0^0 = 1 is the right limit.
        let density = s.powf(df - 1.0) * (log_constant - df * s * s / 2.0).exp();
        density * normal_cdf(delta - t * s)
    };
    let inner: f64 = (1..PANELS)
        .map(|i| integrand(i) * if i % 2 == 1 { 4.0 } else { 2.0 })
        .sum();
    (integrand(0) + inner + integrand(PANELS)) * step / 3.0
}

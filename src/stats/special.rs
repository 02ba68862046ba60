//! The distributions behind the intervals: normal, Student t, beta, noncentral t.
//!
//! Normal, t and beta come from `statrs`; the noncentral t, which power needs, is not there
//! and is integrated here.

use statrs::distribution::{ContinuousCDF, Normal, StudentsT};
use statrs::function::beta::{beta_reg, inv_beta_reg, ln_beta};
use statrs::function::gamma::ln_gamma;

/// Standard normal distribution function.
pub(super) fn normal_cdf(z: f64) -> f64 {
    Normal::standard().cdf(z)
}

/// Standard normal quantile, `p` in `0..=1`.
pub(crate) fn normal_quantile(p: f64) -> f64 {
    Normal::standard().inverse_cdf(p)
}

/// The t value that bounds the central `confidence` of Student's t.
///
/// `None` unless `confidence` lies strictly between 0 and 1 and the degrees of freedom
/// are positive and finite.
pub(super) fn t_two_sided(confidence: f64, degrees_of_freedom: f64) -> Option<f64> {
    if !(confidence > 0.0 && confidence < 1.0 && degrees_of_freedom.is_finite()) {
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

/// Distribution function of Student's t; `degrees_of_freedom` positive and finite.
pub(super) fn t_cdf(t: f64, degrees_of_freedom: f64) -> f64 {
    StudentsT::new(0.0, 1.0, degrees_of_freedom).map_or(f64::NAN, |t_of| t_of.cdf(t))
}

/// Quantile of the beta distribution with shapes `a` and `b`, both positive; `p`
/// strictly between 0 and 1.
///
/// The library's inverse stops at six digits when the shapes differ by orders of
/// magnitude; two of Newton's steps on its distribution function bring the rest.
pub(super) fn beta_quantile(a: f64, b: f64, p: f64) -> f64 {
    let mut x = inv_beta_reg(a, b, p);
    for _ in 0..2 {
        let log_density = (a - 1.0) * x.ln() + (b - 1.0) * (-x).ln_1p() - ln_beta(a, b);
        let step = (beta_reg(a, b, x) - p) / log_density.exp();
        // At the ends of the scale the density may be zero or infinite.
        if step.is_finite() && (0.0..=1.0).contains(&(x - step)) {
            x -= step;
        }
    }
    x
}

/// Upper tail `P(T > t)` of the noncentral t distribution with noncentrality `delta`.
///
/// T = (Z + delta) / S with S = sqrt(chi2/df), so the tail is the mean of
/// `Phi(delta - t S)` over the density of S. Simpson's rule over the S that matter;
/// absolute error below 1e-8 from 1 degree of freedom up.
pub(super) fn noncentral_t_tail(t: f64, degrees_of_freedom: f64, delta: f64) -> f64 {
    const PANELS: usize = 2000;
    let df = degrees_of_freedom;
    // The spread of S is close to 1/sqrt(2 df); 9/sqrt(df) is more than 12 of them.
    let reach = 9.0 / df.sqrt();
    // In the cube root of S the integrand is smooth at zero for fractional df, too.
    let (low, high) = ((1.0 - reach).max(0.0).cbrt(), (1.0 + reach).cbrt());
    let log_constant = 2f64.ln() + df / 2.0 * (df / 2.0).ln() - ln_gamma(df / 2.0);
    let step = (high - low) / PANELS as f64;
    let integrand = |i: usize| {
        let root = low + step * i as f64;
        let s = root.powi(3);
        let density = s.powf(df - 1.0) * (log_constant - df * s * s / 2.0).exp();
        density * normal_cdf(delta - t * s) * 3.0 * root * root
    };
    let inner: f64 = (1..PANELS)
        .map(|i| integrand(i) * if i % 2 == 1 { 4.0 } else { 2.0 })
        .sum();
    (integrand(0) + inner + integrand(PANELS)) * step / 3.0
}

#[cfg(test)]
mod tests {
    use super::*;

    fn assert_near(actual: f64, expected: f64, tolerance: f64) {
        assert!(
            (actual - expected).abs() <= tolerance,
            "{actual} is not within {tolerance} of {expected}"
        );
    }

    // All expected values: scipy 1.17.1; the tails with fractional degrees of freedom also
    // by quadrature with 30 digits in mpmath.

    #[test]
    fn noncentral_t_from_one_degree_of_freedom_up() {
        let rows = [
            (2.306004135204166, 8.0, 2.5, 0.593065222159507),
            (12.706204736432095, 1.0, 10.0, 0.5673065663926566),
            (4.302652729911275, 2.0, 3.0, 0.38738935018017756),
            (1.98, 150.5, 2.8, 0.7933185564703166),
            (2.776, 4.0, -0.5, 0.009096417359841963),
            (63.65674116287399, 1.0, 80.0, 0.7910961903266736),
            (2.262, 9.0, 0.0, 0.025006422751227313),
            (3.2, 2.37, 4.1, 0.7683592552578575),
            (9.5, 1.08, 6.0, 0.4545510982793413),
        ];
        for (t, df, delta, expected) in rows {
            assert_near(noncentral_t_tail(t, df, delta), expected, 1e-8);
        }
    }

    #[test]
    fn t_quantiles_and_p_values() {
        let rows = [
            (0.95, 6.0, 2.4469118511449786),
            (0.95, 1.0, 12.706204736174694),
            (0.99, 2.5, 7.163728138948783),
            (0.95, 10.70048, 2.208525154049951),
            (0.9, 200.0, 1.6525081009108769),
            (0.95, 5000.0, 1.9604385517065073),
        ];
        for (confidence, df, expected) in rows {
            let found = t_two_sided(confidence, df).unwrap();
            assert_near(found, expected, 1e-9 * expected);
        }
        assert_eq!(t_two_sided(1.0, 5.0), None);
        assert_eq!(t_two_sided(0.95, 0.0), None);
        let p = t_p_value(14.191567, 10.70048).unwrap();
        assert_near(p, 2.7960077218624685e-08, 1e-16);
        assert_near(t_p_value(-1.5, 7.0).unwrap(), 0.17729848698997, 1e-12);
        assert_eq!(t_p_value(0.0, 5.0), Some(1.0));
    }

    #[test]
    fn normal_both_ways() {
        assert_near(normal_cdf(-3.0), 0.0013498980316300933, 1e-13);
        assert_near(normal_cdf(2.2), 0.9860965524865014, 1e-12);
        assert_near(normal_quantile(0.025), -1.9599639845400545, 1e-10);
        assert_near(normal_quantile(1e-6), -4.753424308822899, 1e-9);
    }
}

//! Quantiles of a mixture of Student t distributions: what several models together predict.

use super::special::t_cdf;

/// One model's prediction and how far it is believed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Component {
    /// Weight, not negative; the weights of all components need not add up to 1.
    pub weight: f64,
    /// Centre.
    pub centre: f64,
    /// Scale, positive.
    pub scale: f64,
    /// Degrees of freedom, positive.
    pub degrees_of_freedom: f64,
}

/// The value below which the part `p` of the mixture lies, by bisection to 1e-12 of the width of
/// what is searched.
///
/// `None` for `p` outside (0, 1), without weight, or when a component is not as described.
pub fn quantile(components: &[Component], p: f64) -> Option<f64> {
    let good = |c: &Component| {
        let positive = |v: f64| v.is_finite() && v > 0.0;
        c.weight.is_finite()
            && c.weight >= 0.0
            && c.centre.is_finite()
            && positive(c.scale)
            && positive(c.degrees_of_freedom)
    };
    let total: f64 = components.iter().map(|c| c.weight).sum();
    if !(p > 0.0 && p < 1.0 && total > 0.0 && components.iter().all(good)) {
        return None;
    }
    let below = |x: f64| {
        let part = |c: &Component| c.weight * t_cdf((x - c.centre) / c.scale, c.degrees_of_freedom);
        components.iter().map(part).sum::<f64>() / total
    };
    let widest = components.iter().map(|c| c.scale).fold(0.0, f64::max);
    let ends = |sign: f64, start: f64| {
        (0..60)
            .map(|power| start + sign * widest * 2f64.powi(power))
            .find(|x| (below(*x) < p) == (sign < 0.0))
    };
    let (mut low, mut high) = (
        ends(
            -1.0,
            components
                .iter()
                .map(|c| c.centre)
                .fold(f64::INFINITY, f64::min),
        )?,
        ends(
            1.0,
            components
                .iter()
                .map(|c| c.centre)
                .fold(f64::NEG_INFINITY, f64::max),
        )?,
    );
    let narrow = 1e-12 * (high - low);
    while high - low > narrow {
        let middle = low + (high - low) / 2.0;
        if middle <= low || middle >= high {
            break;
        }
        match below(middle) < p {
            true => low = middle,
            false => high = middle,
        }
    }
    Some(low + (high - low) / 2.0)
}

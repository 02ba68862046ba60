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

#[cfg(test)]
mod tests {
    use super::*;

    fn component(weight: f64, centre: f64, scale: f64, degrees_of_freedom: f64) -> Component {
        Component {
            weight,
            centre,
            scale,
            degrees_of_freedom,
        }
    }

    #[test]
    fn one_component_has_the_quantiles_of_its_distribution() {
        // scipy 1.17.1: t of 6 and of 1 degree of freedom at 0.975.
        for (df, t) in [(6.0, 2.4469118511449786), (1.0, 12.706204736174694)] {
            for weight in [1.0, 0.2] {
                let found = quantile(&[component(weight, 3.0, 2.0, df)], 0.975).unwrap();
                assert!((found - (3.0 + 2.0 * t)).abs() < 1e-8, "{df}: {found}");
            }
        }
    }

    #[test]
    fn far_components_share_the_quantiles_by_their_weights() {
        let both = [
            component(3.0, 0.0, 1.0, 30.0),
            component(1.0, 1e6, 1.0, 30.0),
        ];
        // Of the first three quarters, two thirds of the whole lie below its 8/9.
        let within = quantile(&both[..1], 8.0 / 9.0).unwrap();
        let found = quantile(&both, 2.0 / 3.0).unwrap();
        assert!((found - within).abs() < 1e-5, "{found} {within}");
        let upper = quantile(&both, 0.875).unwrap();
        assert!((upper - 1e6).abs() < 1e-5, "{upper}");
    }

    #[test]
    fn what_is_no_mixture_has_no_quantiles() {
        let good = component(1.0, 0.0, 1.0, 3.0);
        for bad in [
            component(-1.0, 0.0, 1.0, 3.0),
            component(1.0, f64::NAN, 1.0, 3.0),
            component(1.0, 0.0, 0.0, 3.0),
            component(1.0, 0.0, 1.0, 0.0),
            component(0.0, 0.0, 1.0, 3.0),
        ] {
            assert_eq!(quantile(&[bad], 0.5), None, "{bad:?}");
        }
        assert_eq!((quantile(&[good], 0.0), quantile(&[], 0.5)), (None, None));
    }
}

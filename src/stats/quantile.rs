//! Quantiles by named definition.
//!
//! At small n the definitions differ visibly, so a report must say which one it
//! printed. Numbering: Hyndman and Fan, "Sample quantiles in statistical packages",
//! The American Statistician 50 (1996).

/// How a quantile is read from a sorted sample.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Definition {
    /// Hyndman-Fan type 1: the smallest value with at least the share `p` at or below
    /// it. Always one of the observed values.
    InverseCdf,
    /// Hyndman-Fan type 6: interpolates at position `(n+1)p`, clamped to the sample.
    Weibull,
    /// Hyndman-Fan type 7: interpolates at position `(n-1)p + 1`. The common default.
    Linear,
}

impl Definition {
    /// The name a report prints beside its quantiles.
    pub fn name(self) -> &'static str {
        match self {
            Self::InverseCdf => "inverse of the empirical distribution (Hyndman-Fan type 1)",
            Self::Weibull => "Weibull, position (n+1)p (Hyndman-Fan type 6)",
            Self::Linear => "linear interpolation, position (n-1)p+1 (Hyndman-Fan type 7)",
        }
    }
}

/// The `p`-quantile of `sorted`, which must be in ascending order.
///
/// `None` when the sample is empty or `p` lies outside `0..=1`.
pub fn quantile(sorted: &[f64], p: f64, definition: Definition) -> Option<f64> {
    if sorted.is_empty() || !(0.0..=1.0).contains(&p) {
        return None;
    }
    let n = sorted.len() as f64;
    // Positions count from 1, as in the sources.
    let position = match definition {
        Definition::InverseCdf => whole_if_close(n * p).ceil(),
        Definition::Weibull => (n + 1.0) * p,
        Definition::Linear => (n - 1.0) * p + 1.0,
    };
    let position = position.clamp(1.0, n) - 1.0;
    let below = position.floor();
    let low = sorted[below as usize];
    let high = sorted[position.ceil() as usize];
    Some(low + (position - below) * (high - low))
}

/// Undoes the rounding of a product such as `100 * 0.07`, which is a little over 7 in
/// binary and would otherwise step to the next value. The slack is a few times the
/// rounding of `n * p`, as R's `quantile` allows it (from memory).
fn whole_if_close(position: f64) -> f64 {
    let whole = position.round();
    if (position - whole).abs() <= 4.0 * f64::EPSILON * position {
        whole
    } else {
        position
    }
}

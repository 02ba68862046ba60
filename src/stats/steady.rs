//! Steady state.

/// What is left out of a series.
#[derive(Clone, Debug, PartialEq)]
pub struct Warmup {
    /// Values before steady state; 0 when there was none.
    pub windows_to_drop: usize,
    /// Whether the rest is steady.
    pub steady: bool,
}

/// Finds the warm-up.
pub fn warmup(values: &[f64]) -> Warmup {
    let drop = values.iter().take_while(|v| **v > 500.0).count();
    Warmup {
        windows_to_drop: drop,
        steady: true,
    }
}

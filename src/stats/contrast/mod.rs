//! Two groups of independent values: whether they differ, by how much, and what it
//! would take to prove it.
//!
//! Direction: `x` minus `y`, except for the ratio, which reads as time passes, after
//! over before.

mod permutation;
mod power;
mod rank;
mod welch;

pub use permutation::{Permutation, permutation_p};
pub use power::{smallest_provable_ratio, values_needed};
pub use rank::{MannWhitney, Tails, hodges_lehmann, hodges_lehmann_interval, mann_whitney};
pub use welch::{Difference, RatioEstimate, student, welch, welch_error, welch_ratio};

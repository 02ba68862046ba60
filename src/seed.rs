//! The one source of chance: every random choice flows from a seed that is written down.
//!
//! A seed is split by name, so that adding a choice in one place does not move the choices of
//! another, and a run is reproduced from the seed and the version of the program.

use std::fmt;

use twox_hash::XxHash3_64;

/// A seed from which independent streams of random numbers are drawn by name.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Seed(pub u64);

impl Seed {
    /// The seed that belongs to `name` and `index` below this one.
    pub fn child(self, name: &str, index: u64) -> Self {
        // Short names need no allocation: operations of a measured trial are drawn so.
        let mut short = [0; 64];
        let (name, index) = (name.as_bytes(), index.to_le_bytes());
        match short.get_mut(..name.len() + index.len()) {
            Some(key) => {
                let (front, back) = key.split_at_mut(name.len());
                front.copy_from_slice(name);
                back.copy_from_slice(&index);
                Self(XxHash3_64::oneshot_with_seed(self.0, key))
            }
            None => Self(XxHash3_64::oneshot_with_seed(
                self.0,
                &[name, &index].concat(),
            )),
        }
    }

    /// A generator that starts at this seed.
    pub fn rng(self) -> fastrand::Rng {
        fastrand::Rng::with_seed(self.0)
    }
}

impl fmt::Display for Seed {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:016x}", self.0)
    }
}

/// A draw from the normal distribution with mean 0 and standard deviation 1.
///
/// Box and Muller, *A note on the generation of random normal deviates*, Ann. Math. Stat. 29
/// (1958) 610–611 (citation from memory).
pub fn standard_normal(rng: &mut fastrand::Rng) -> f64 {
    let radius = (-2.0 * (1.0 - rng.f64()).ln()).sqrt();
    radius * (std::f64::consts::TAU * rng.f64()).cos()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn children_differ_by_name_and_index_and_repeat() {
        let seed = Seed(7);
        assert_eq!(seed.child("order", 1), seed.child("order", 1));
        assert_ne!(seed.child("order", 1), seed.child("order", 2));
        assert_ne!(seed.child("order", 1), seed.child("place", 1));
    }

    #[test]
    fn normal_draws_have_mean_zero_and_unit_spread() {
        let mut rng = Seed(11).rng();
        let draws: Vec<f64> = (0..20_000).map(|_| standard_normal(&mut rng)).collect();
        let mean = draws.iter().sum::<f64>() / draws.len() as f64;
        let variance = draws.iter().map(|d| (d - mean).powi(2)).sum::<f64>() / draws.len() as f64;
        assert!(
            mean.abs() < 0.03 && (variance - 1.0).abs() < 0.05,
            "seed 11: {mean} {variance}"
        );
    }
}

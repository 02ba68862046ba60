//! A seeded order of the numbers below `n` that needs no memory: each once before any twice.
//!
//! A four-round Feistel network permutes the numbers below the next power of four; numbers that
//! fall outside are permuted again until they land inside (cycle walking). Black and Rogaway,
//! *Ciphers with arbitrary finite domains*, CT-RSA 2002, describe the method (citation from memory).
//! Random draws instead would read some blocks twice, from a cache, before others once.

use crate::seed::Seed;

/// A bijection on `0..len`.
#[derive(Clone, Debug)]
pub struct Permutation {
    len: u64,
    half_bits: u32,
    keys: [u64; 4],
}

impl Permutation {
    /// The order of `0..len` that belongs to `seed`. `len` is at least 1 and below 2⁶².
    pub fn new(len: u64, seed: Seed) -> Self {
        debug_assert!((1..1 << 62).contains(&len));
        let bits = 64 - len.saturating_sub(1).leading_zeros();
        let half_bits = bits.div_ceil(2).max(1);
        Self {
            len,
            half_bits,
            keys: [0, 1, 2, 3].map(|round| seed.child("feistel", round).0),
        }
    }

    /// The number at `index`; `index` is below the length.
    pub fn at(&self, index: u64) -> u64 {
        let mut number = index;
        loop {
            number = self.encrypt(number);
            if number < self.len {
                return number;
            }
        }
    }

    fn encrypt(&self, number: u64) -> u64 {
        let mask = (1u64 << self.half_bits) - 1;
        let (mut left, mut right) = (number >> self.half_bits, number & mask);
        for key in self.keys {
            (left, right) = (right, left ^ (mix(right ^ key) & mask));
        }
        left << self.half_bits | right
    }
}

/// The finaliser of SplitMix64 (Steele, Lea and Flood 2014; constants from memory).
fn mix(mut z: u64) -> u64 {
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(64))]
        #[test]
        fn visits_each_number_once(len in 1u64..5_000, seed in any::<u64>()) {
            let order = Permutation::new(len, Seed(seed));
            let mut seen = vec![false; len as usize];
            for index in 0..len {
                let number = order.at(index) as usize;
                prop_assert!(!std::mem::replace(&mut seen[number], true));
            }
        }
    }

    #[test]
    fn neighbours_are_spread_like_random_ones() {
        // The mean distance of two random numbers below n is n/3 (uniform distribution).
        let len = 100_000;
        let order = Permutation::new(len, Seed(3));
        let total: u64 = (1..len)
            .map(|i| order.at(i).abs_diff(order.at(i - 1)))
            .sum();
        let mean = total as f64 / (len - 1) as f64 / len as f64;
        assert!((mean - 1.0 / 3.0).abs() < 0.01, "seed 3: {mean}");
    }
}

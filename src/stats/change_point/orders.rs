//! Random orders of a series, each asked whether it shows a change as large as the one that was found.
//!
//! Most orders come nowhere near it. The sums of whole blocks tell so: within a block the sum of all
//! values so far moves no further than the block reaches. Only an order that may come near by these
//! bounds is added up value by value, so that each answer is that of [`best_split`].

use super::best_split;

/// Part by which bounds are lowered, for the rounding of a few products and a root.
const ROUNDING: f64 = 1e-9;

/// Blocks of a series in an order that changes.
pub(super) struct Orders<'a> {
    least: usize,
    gain: f64,
    blocks: Vec<Block<'a>>,
    /// By how many values stand before a block: what sum and reach of it have to come to.
    limits: Vec<f64>,
    /// The values in an order that is looked at closely.
    shuffled: Vec<f64>,
}

#[derive(Clone, Copy)]
struct Block<'a> {
    values: &'a [f64],
    sum: f64,
    /// How far the sum of its first values gets from zero, at most.
    reach: f64,
}

impl<'a> Block<'a> {
    fn new(values: &'a [f64]) -> Self {
        let (mut sum, mut reach) = (0.0, 0.0_f64);
        for value in values {
            sum += value;
            reach = reach.max(f64::abs(sum));
        }
        Self { values, sum, reach }
    }
}

impl<'a> Orders<'a> {
    /// Orders of values about zero mean, not yet shuffled, of which is asked whether the best split explains
    /// `gain`. Arguments else as of [`super::single_change`], and as usable.
    pub(super) fn new(centred: &'a [f64], least: usize, block: usize, gain: f64) -> Self {
        let n = centred.len();
        // Both ways of adding err by less than half of this (N. J. Higham, Accuracy and Stability of
        // Numerical Algorithms, 2002, section 4.2, from memory).
        let magnitude: f64 = centred.iter().map(|value| value.abs()).sum();
        let slack = 4.0 * n as f64 * f64::EPSILON * magnitude;
        let bound = |k: usize| {
            let squares = gain * (k * (n - k)) as f64;
            match squares.is_finite() {
                true => (squares / n as f64).sqrt() * (1.0 - ROUNDING) - slack,
                false => f64::NEG_INFINITY,
            }
        };
        let limit = |before: usize| {
            let (first, last) = ((before + 1).max(least), (before + block).min(n - least));
            match first <= last {
                // In between they are larger: k (n-k) is concave.
                true => bound(first).min(bound(last)),
                false => f64::INFINITY,
            }
        };
        Self {
            least,
            gain,
            blocks: centred.chunks(block).map(Block::new).collect(),
            limits: (0..n).map(limit).collect(),
            shuffled: Vec::with_capacity(n),
        }
    }

    /// Shuffles the blocks again: whether the best split of that order explains as much.
    pub(super) fn next_reaches(&mut self, rng: &mut fastrand::Rng) -> bool {
        rng.shuffle(&mut self.blocks);
        if !self.may_reach() {
            return false;
        }
        self.shuffled.clear();
        for block in &self.blocks {
            self.shuffled.extend_from_slice(block.values);
        }
        best_split(&self.shuffled, self.least).1 >= self.gain
    }

    fn may_reach(&self) -> bool {
        let (mut before, mut sum) = (0, 0.0_f64);
        self.blocks.iter().any(|block| {
            let may = sum.abs() + block.reach >= self.limits[before];
            before += block.values.len();
            sum += block.sum;
            may
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::seed::{Seed, standard_normal};
    use crate::stats::change_point::{at_least, significant_change, single_change};

    /// Noise with a step of so many standard deviations after a third of it.
    fn series(length: usize, step: f64, seed: u64) -> Vec<f64> {
        let mut rng = Seed(seed).rng();
        (0..length)
            .map(|at| standard_normal(&mut rng) + if 3 * at < length { step } else { 0.0 })
            .collect()
    }

    /// Each order is added up value by value here.
    #[test]
    fn orders_answer_as_if_each_was_added_up() {
        for seed in 0..60 {
            let length = 6 + 7 * seed as usize;
            let (block, least) = (1 + seed as usize % 5, 1 + seed as usize % 3);
            let values = series(length, (seed % 7) as f64 / 3.0, seed);
            let mean = values.iter().sum::<f64>() / length as f64;
            let centred: Vec<f64> = values.iter().map(|value| value - mean).collect();
            let found = best_split(&centred, least).1;
            for part in [0.0, 0.3, 0.7, 1.0 - 1e-12, 1.0] {
                let gain = part * found;
                let mut orders = Orders::new(&centred, least, block, gain);
                let (mut one, mut other) = (Seed(seed).rng(), Seed(seed).rng());
                let mut blocks: Vec<&[f64]> = centred.chunks(block).collect();
                for _ in 0..100 {
                    other.shuffle(&mut blocks);
                    let slow = best_split(&blocks.concat(), least).1 >= gain;
                    assert_eq!(orders.next_reaches(&mut one), slow, "seed {seed}, {part}");
                }
            }
        }
    }

    #[test]
    fn a_level_decides_as_the_whole_test_does() {
        let mut decided = [0, 0];
        for seed in 0..200 {
            let values = series(60, (seed % 5) as f64 / 3.0, seed);
            let whole = single_change(&values, 3, 3, 199, &mut Seed(seed).rng());
            let level = significant_change(&values, 3, 3, 199, 0.05, &mut Seed(seed).rng());
            assert_eq!(level, whole.filter(|change| change.p < 0.05), "seed {seed}");
            decided[usize::from(level.is_some())] += 1;
        }
        assert!(decided.iter().all(|times| *times > 20), "{decided:?}");
    }

    /// All orders of the blocks, by the algorithm of B. R. Heap (1963, from memory).
    fn each_order<T>(blocks: &mut [T], of: usize, look: &mut impl FnMut(&[T])) {
        if of <= 1 {
            return look(blocks);
        }
        for at in 0..of {
            each_order(blocks, of - 1, look);
            blocks.swap(if of.is_multiple_of(2) { at } else { 0 }, of - 1);
        }
    }

    #[test]
    fn no_fewer_orders_than_that_show_the_change() {
        let mut told = 0;
        for seed in 0..60 {
            let block = 1 + seed as usize % 3;
            let values = series(5 * block + 1, (seed % 4) as f64, seed);
            let mean = values.iter().sum::<f64>() / values.len() as f64;
            let centred: Vec<f64> = values.iter().map(|value| value - mean).collect();
            let (at, gain) = best_split(&centred, 1);
            let (mut all, mut as_large) = (0, 0);
            let mut blocks: Vec<&[f64]> = centred.chunks(block).collect();
            let count = blocks.len();
            each_order(&mut blocks, count, &mut |blocks| {
                let shows = best_split(&blocks.concat(), 1).1 >= gain * (1.0 - 1e-12);
                (all, as_large) = (all + 1, as_large + usize::from(shows));
            });
            let (least, part) = (
                at_least(values.len(), block, at),
                as_large as f64 / all as f64,
            );
            assert_eq!(all, 720);
            assert!(
                part >= least * (1.0 - 1e-12),
                "seed {seed}: {part} of {least}"
            );
            told += usize::from(least > 0.0);
        }
        assert!(told > 20, "{told}");
    }

    #[test]
    fn a_single_quick_block_is_left_to_chance_without_drawing() {
        let mut values = series(500, 0.0, 3);
        values[..3].iter_mut().for_each(|value| *value += 50.0);
        let mut rng = Seed(3).rng();
        assert_eq!(significant_change(&values, 3, 3, 999, 0.01, &mut rng), None);
        assert_eq!(rng, Seed(3).rng(), "seed 3: nothing was drawn");
        let drawn = single_change(&values, 3, 3, 9_999, &mut rng).unwrap();
        assert!((drawn.p - 2.0 / 167.0).abs() < 0.004, "seed 3: {}", drawn.p);
        // Two such blocks are not.
        values[3..6].iter_mut().for_each(|value| *value += 50.0);
        assert!(significant_change(&values, 3, 3, 999, 0.01, &mut rng).is_some());
    }

    #[test]
    fn sums_that_overflow_are_looked_at_closely() {
        let centred = [1e200, 1e200, -1e200, -1e200];
        let mut orders = Orders::new(&centred, 1, 1, f64::INFINITY);
        assert!(orders.next_reaches(&mut Seed(1).rng()), "seed 1");
    }
}

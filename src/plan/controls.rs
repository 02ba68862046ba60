//! Where a trial's control reads go.

use super::{Access, Direction, Operation, Pattern, Workload};
use crate::units::Bytes;

/// Control reads before a trial: enough that, where none of them is quick, at most 8 of 100 blocks can be (exact
/// binomial limits of both rungs, each at 99 %).
const READS: u64 = 64;
/// Bytes of each: the least that tells a cache from a drive, a page of most systems' caches and more.
const PIECE: Bytes = Bytes(16 << 10);

/// The most operations that a random trial passes over for them: of a mix, some are writes.
const MOST_PASSED: u64 = 16 * READS;
/// Bytes per second that a trial is taken to move where none of its kind has been made: those of a fast network of
/// small offices, one gigabit (IEEE 802.3). Only the places of control reads hang on it.
const GUESSED: u64 = 125_000_000;

/// Operations that a trial of `workload` may come to in `seconds`, where none of its kind has been made.
pub fn guessed_reach(workload: &Workload, seconds: u64) -> u64 {
    GUESSED * seconds / workload.block.0
}

/// Control reads of one trial.
#[derive(Clone, Debug, PartialEq)]
pub struct ControlReads {
    /// Where they go, in their order.
    pub places: Vec<Operation>,
    /// Bytes of each.
    pub bytes: u64,
    /// Operations of the pattern that they use up: the trial goes on behind them.
    pub used: u64,
}

impl ControlReads {
    /// Those of a trial of `workload` that goes on at operation `first` of `pattern` and may come to `reach`
    /// operations.
    ///
    /// Random reads have the next places of their order, which the trial then passes over: a sample of what it is
    /// about to read, whatever lies in caches. Sequential ones have a small piece in the middle of blocks spread
    /// over all that it is about to read; it will find that piece in a cache, and the rest of the block where it
    /// was.
    pub fn of(workload: &Workload, pattern: &Pattern, first: u64, reach: u64) -> Self {
        let block = workload.block.0;
        let bytes = block.min(PIECE.0);
        let pass = pattern.operations();
        let middle = (block - bytes) / 2 / bytes * bytes;
        let reads = |number: &u64| pattern.at(*number).direction == Direction::Read;
        let (numbers, used, inside): (Vec<u64>, u64, u64) = match workload.access {
            Access::Random => {
                let next = (first..first + MOST_PASSED).filter(reads);
                let next: Vec<u64> = next.take(READS.min(pass) as usize).collect();
                let used = next.last().map_or(0, |last| last + 1 - first);
                (next, used, 0)
            }
            Access::Sequential => {
                let apart = (reach.min(pass) / READS).max(1);
                let spread = (0..READS.min(pass)).map(|read| first + read * apart);
                (spread.filter(reads).collect(), 0, middle)
            }
        };
        let places = numbers.into_iter().map(|number| {
            let operation = pattern.at(number);
            Operation {
                offset: operation.offset + inside,
                ..operation
            }
        });
        Self {
            places: places.collect(),
            bytes,
            used,
        }
    }

    /// Of `places` those that the trial itself does not come to, to be read once more after it.
    pub fn untouched(&self) -> &[Operation] {
        match self.used {
            0 => &[],
            _ => &self.places[..self.places.len() / 2],
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::{DataFile, Phase, Set, TestData};
    use crate::seed::Seed;

    fn of(name: &str, reach: u64) -> (ControlReads, Pattern, Workload) {
        let file = |number, set| DataFile {
            number,
            set,
            bytes: Bytes::GIB,
            phase: Phase::Before,
            complete: true,
        };
        let data = TestData {
            folder: "poolproof-1".into(),
            files: (0..40)
                .map(|number| file(number, if number < 30 { Set::Read } else { Set::Write }))
                .collect(),
            ..TestData::default()
        };
        let all = Workload::standard();
        let workload = all.iter().find(|workload| workload.name == name).unwrap();
        let pattern = Pattern::new(workload, &all, &data, Seed(3)).unwrap();
        let controls = ControlReads::of(workload, &pattern, 100, reach);
        (controls, pattern, workload.clone())
    }

    #[test]
    fn random_trials_pass_over_what_was_read_for_them() {
        for name in ["small-read", "small-read-deep", "mixed"] {
            let (controls, pattern, workload) = of(name, 1_000);
            assert_eq!(controls.places.len() as u64, READS, "{name}");
            assert_eq!(controls.bytes, workload.block.0.min(PIECE.0));
            assert!(
                controls.used >= READS && controls.used < 2 * READS,
                "{name}"
            );
            let passed: Vec<Operation> =
                (100..100 + controls.used).map(|n| pattern.at(n)).collect();
            assert!(controls.places.iter().all(|place| passed.contains(place)));
            assert_eq!(controls.untouched().len() as u64, READS / 2);
        }
    }

    #[test]
    fn sequential_trials_find_a_little_of_what_they_read_touched() {
        let (controls, pattern, workload) = of("large-read", 640);
        assert_eq!((controls.used, controls.bytes), (0, PIECE.0));
        assert!(controls.untouched().is_empty());
        let touched = controls.places.len() as u64 * controls.bytes;
        assert!(touched * 250 <= 640 * workload.block.0);
        for (read, place) in (0..).zip(&controls.places) {
            let block = pattern.at(100 + 10 * read);
            assert_eq!(place.file, block.file);
            let inside = place.offset - block.offset;
            assert!(inside > 0 && inside + controls.bytes < workload.block.0);
        }
    }
}

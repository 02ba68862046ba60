//! Growing working sets, read again and again: where memory ends, the rate falls.

use super::{Access, Workload};
use crate::units::Bytes;

/// The smallest working set.
const FIRST: Bytes = Bytes(16 << 20);

/// Working sets from 16 MiB on, two to each doubling, up to `all`, which is the last.
pub fn working_sets(all: Bytes) -> Vec<Bytes> {
    let mut sets = Vec::new();
    let mut size = FIRST;
    while size < all {
        sets.push(size);
        let between = Bytes(size.0 / 2 * 3);
        if between < all {
            sets.push(between);
        }
        size = size.times(2);
    }
    sets.push(all);
    sets
}

/// Reads of a working set: blocks of 1 MiB, each once before any twice, eight in flight.
pub fn sweep_workload(working_set: Bytes) -> Workload {
    Workload {
        name: "sweep".to_owned(),
        read_percent: 100,
        access: Access::Random,
        block: Bytes::MIB,
        depth: 8,
        streams: 1,
        operations_per_second: None,
        span: Some(working_set),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn working_sets_grow_to_the_whole() {
        let sets: Vec<u64> = working_sets(Bytes::MIB.times(100))
            .iter()
            .map(|s| s.0 >> 20)
            .collect();
        assert_eq!(sets, [16, 24, 32, 48, 64, 96, 100]);
        assert_eq!(working_sets(Bytes::MIB), [Bytes::MIB]);
        sweep_workload(FIRST).validate().unwrap();
    }
}

//! The order of trials in a sitting.

use crate::seed::Seed;

/// Interleaves `trials` rounds of `workloads` workloads: each round holds every workload once, in a
/// shuffled order of its own. So slow drifts of the share fall on all workloads alike (randomised
/// blocks; Box, Hunter and Hunter, *Statistics for Experimenters*; citation from memory).
///
/// Returns indices of workloads.
pub fn order(workloads: usize, trials: usize, seed: Seed) -> Vec<usize> {
    let mut rng = seed.child("order", 0).rng();
    let mut order = Vec::with_capacity(workloads * trials);
    for _ in 0..trials {
        let mut round: Vec<usize> = (0..workloads).collect();
        rng.shuffle(&mut round);
        order.extend(round);
    }
    order
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_round_holds_every_workload_and_orders_differ() {
        let order = order(6, 5, Seed(4));
        for round in order.chunks(6) {
            let mut sorted = round.to_vec();
            sorted.sort_unstable();
            assert_eq!(sorted, [0, 1, 2, 3, 4, 5]);
        }
        assert!(order.chunks(6).any(|round| round != &order[..6]));
    }
}

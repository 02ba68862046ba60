//! Touching twice: small reads one at a time of blocks that nobody has read for long, then the same
//! again at once. A cache that is live makes the second time fast.

use std::collections::VecDeque;

use super::trial::Source;
use crate::load::{Next, Transfer};
use crate::plan::{Direction, Operation, Pattern};
use crate::units::Nanos;

/// Blocks that are touched.
pub(super) const TOUCHES: u64 = 64;
/// Bytes of each.
pub(super) const TOUCHED: u64 = 4096;

/// Where trial number `trial`, which goes on at operation `first`, touches.
///
/// Places lie half a pass ahead and further, so that the trial does not get there, and spread over
/// a quarter of the pass. In larger blocks, each trial has another place of its own.
pub(super) fn places(pattern: &Pattern, block: u64, first: u64, trial: u64) -> Vec<Operation> {
    let pass = pattern.operations();
    let apart = (pass / 4 / TOUCHES).max(1);
    let within = trial * TOUCHED % block;
    (0..TOUCHES)
        .filter_map(|touch| {
            let from = first + pass / 2 + touch * apart;
            let operation = (from..from + apart)
                .map(|index| pattern.at(index))
                .find(|operation| operation.direction == Direction::Read)?;
            Some(Operation {
                offset: operation.offset + within,
                ..operation
            })
        })
        .collect()
}

/// Reads at depth one, in turn.
#[derive(Clone, Debug)]
pub(super) struct Touch {
    ahead: VecDeque<Operation>,
    in_flight: bool,
    latencies: Vec<Nanos>,
}

/// One time over all blocks.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Touched {
    pub(super) operations: usize,
    /// Operations per second.
    pub(super) rate: f64,
    /// Mean of the natural logarithm of the latency in nanoseconds.
    pub(super) mean_log: f64,
}

impl Touch {
    /// All of `places`, and all of them again.
    pub(super) fn twice(places: &[Operation]) -> Self {
        Self {
            ahead: places.iter().chain(places).copied().collect(),
            in_flight: false,
            latencies: Vec::with_capacity(2 * places.len()),
        }
    }

    /// What was seen the first time and the second; `None` when nothing was touched.
    pub(super) fn seen(&self) -> Option<[Touched; 2]> {
        let (first, second) = self.latencies.split_at(self.latencies.len() / 2);
        (!first.is_empty()).then(|| [first, second].map(Touched::of))
    }
}

impl Touched {
    fn of(latencies: &[Nanos]) -> Self {
        let count = latencies.len() as f64;
        let total: f64 = latencies.iter().map(|latency| latency.secs()).sum();
        let logs = latencies.iter().map(|latency| (latency.0 as f64).ln());
        Self {
            operations: latencies.len(),
            rate: count / total,
            mean_log: logs.sum::<f64>() / count,
        }
    }
}

impl Source for Touch {
    fn next(&mut self, now: Nanos) -> Next {
        if self.in_flight {
            return Next::AwaitCompletion;
        }
        let Some(operation) = self.ahead.pop_front() else {
            return Next::Finished;
        };
        self.in_flight = true;
        Next::Transfer(Transfer {
            slot: 0,
            operation,
            due: now,
        })
    }

    fn done(&mut self, transfer: Transfer, now: Nanos) {
        self.in_flight = false;
        self.latencies.push(now - transfer.due);
    }

    fn close(&mut self, _now: Nanos) {
        self.ahead.clear();
    }
}

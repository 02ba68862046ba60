//! Control reads: small reads one at a time.

use std::collections::VecDeque;

use super::trial::Source;
use crate::load::{Next, Transfer};
use crate::plan::Operation;
use crate::units::Nanos;

/// Reads at depth one, in turn.
#[derive(Clone, Debug)]
pub(super) struct Touch {
    ahead: VecDeque<Operation>,
    in_flight: bool,
    latencies: Vec<Nanos>,
}

impl Touch {
    /// All of `places`, in turn.
    pub(super) fn new(places: impl IntoIterator<Item = Operation>) -> Self {
        let ahead: VecDeque<Operation> = places.into_iter().collect();
        Self {
            in_flight: false,
            latencies: Vec::with_capacity(ahead.len()),
            ahead,
        }
    }

    /// How long each took.
    pub(super) fn latencies(self) -> Vec<Nanos> {
        self.latencies
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

//! What a drive counts: operations that are done.

use std::collections::VecDeque;

use super::member::Kind;
use crate::units::Nanos;

/// What a drive's counters say of a trial.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Counters {
    pub(super) read: u64,
    pub(super) written: u64,
    reads: u64,
    /// Time of all reads, from coming to being done.
    read_time: Nanos,
    /// Time in which anything was to be done.
    busy: Nanos,
    busy_until: Nanos,
}

impl Counters {
    fn note(&mut self, operation: &Counted) {
        let Counted {
            came,
            done,
            bytes,
            kind,
        } = *operation;
        match kind {
            Kind::Read => {
                self.read += bytes;
                self.reads += 1;
                self.read_time = self.read_time + (done - came);
            }
            Kind::Write => self.written += bytes,
        }
        if done > self.busy_until {
            self.busy = self.busy + (done - came.max(self.busy_until));
            self.busy_until = done;
        }
    }

    /// Mean time of a read, in milliseconds; `None` when there was none.
    pub(super) fn read_await(&self) -> Option<f64> {
        (self.reads > 0).then(|| self.read_time.secs() * 1e3 / self.reads as f64)
    }

    /// The part of `span` in which it was busy.
    pub(super) fn busy(&self, span: Nanos) -> f64 {
        (self.busy.secs() / span.secs()).min(1.0)
    }
}

/// An operation that counts when it is done.
#[derive(Clone, Copy, Debug)]
pub(super) struct Counted {
    pub(super) came: Nanos,
    pub(super) done: Nanos,
    pub(super) bytes: u64,
    pub(super) kind: Kind,
}

/// A drive's counters and what will count.
#[derive(Clone, Debug, Default)]
pub(super) struct Counting {
    counters: Counters,
    /// What is not done, in order.
    under_way: VecDeque<Counted>,
}

impl Counting {
    /// Takes on an operation that comes now; none comes before an earlier one or ends before it.
    pub(super) fn take(&mut self, operation: Counted) {
        self.at(operation.came);
        self.under_way.push_back(operation);
    }

    /// What the counters say at `now`.
    pub(super) fn at(&mut self, now: Nanos) -> Counters {
        while let Some(operation) = self.under_way.pop_front_if(|next| next.done <= now) {
            self.counters.note(&operation);
        }
        self.counters
    }
}

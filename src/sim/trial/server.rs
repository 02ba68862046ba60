//! The server's side of a trial: memory, tier, drives, and the answer.

use super::{Event, Source, Trial};
use crate::load::Transfer;
use crate::plan::Direction;
use crate::sim::member::Kind;
use crate::units::Nanos;

impl<S: Source> Trial<'_, S> {
    pub(super) fn accept(&mut self, operation: usize) {
        let Some(transfer) = self.transfers[operation] else {
            return;
        };
        match transfer.operation.direction {
            Direction::Read => {
                let fetched = self.fetch(operation);
                self.at(fetched, Event::Fetched(operation));
            }
            Direction::Write if self.blocked.is_empty() && self.buffer.fits(self.block) => {
                self.buffer_write(operation);
                self.drain();
            }
            Direction::Write => {
                self.blocked.push_back(operation);
                self.drain();
            }
        }
    }

    /// Brings what a read asks for into memory; says when it is there.
    fn fetch(&mut self, operation: usize) -> Nanos {
        let (start, end) = self.asked[operation];
        let missing = self.stage.cache.missing(start, end);
        self.stage.cache.keep(start, end);
        let Some((from, to)) = missing else {
            self.truth.from_server_memory += end - start;
            return self.now;
        };
        self.truth.from_server_memory += end - start - (to - from);
        let Some((tier, memory)) = &mut self.stage.tier else {
            return self.fetch_from_drives(from, to);
        };
        let behind = memory.missing(from, to);
        memory.keep(from, to);
        let held = to - from - behind.map_or(0, |(from, to)| to - from);
        let mut there = self.now;
        if held > 0 {
            self.truth.from_tier += held;
            let time = Nanos::from_secs_f64(held as f64 / tier.rate.0);
            self.tier_free = self.tier_free.max(self.now) + time;
            there = self.tier_free + tier.latency;
        }
        match behind {
            Some((from, to)) => there.max(self.fetch_from_drives(from, to)),
            None => there,
        }
    }

    fn fetch_from_drives(&mut self, start: u64, end: u64) -> Nanos {
        let pieces = self.stage.layout(start).read(start, end);
        self.truth.from_drives += end - start;
        let (moved, done) = self.serve(&pieces, Kind::Read);
        self.truth.moved_from_drives += moved;
        done
    }

    /// Sends what was read.
    pub(super) fn answer(&mut self, operation: usize) {
        let (start, end) = self.asked[operation];
        let (received, sent) = self.stage.wire.counted(end - start);
        self.tally.received += received;
        self.tally.sent += sent;
        let time = self.stage.wire.down(end - start, self.now);
        self.down_free = self.down_free.max(self.now) + time;
        let there = self.down_free + self.one_way();
        self.at(there, Event::Answered(operation));
    }

    /// Takes a write into the buffer and acknowledges it.
    pub(super) fn buffer_write(&mut self, operation: usize) {
        let Some(transfer) = self.transfers[operation] else {
            return;
        };
        let (start, end) = self.addresses(&transfer);
        let stripe = self.stage.layout(start).stripe();
        self.buffer.take(self.now, start, end, stripe);
        self.stage.cache.keep(start, end);
        let (received, sent) = self.stage.wire.counted(0);
        self.tally.received += received;
        self.tally.sent += sent;
        self.at(self.now + self.one_way(), Event::Answered(operation));
    }

    /// Where in the pool an operation goes.
    pub(super) fn addresses(&self, transfer: &Transfer) -> (u64, u64) {
        let file = self.stage.files[&transfer.operation.file];
        let start = file + transfer.operation.offset;
        (start, start + self.block)
    }
}

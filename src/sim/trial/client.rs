//! The client's side of a trial: who asks, its cache, its processors.

use super::{Event, Trial};
use crate::load::{Next, Stream, Transfer};
use crate::plan::Direction;
use crate::units::Nanos;

/// Who decides what is next: a stream of the load, or a probe.
pub(in crate::sim) trait Source {
    /// What is next at `now`.
    fn next(&mut self, now: Nanos) -> Next;
    /// Learns that `transfer` ended at `now`.
    fn done(&mut self, transfer: Transfer, now: Nanos);
    /// Starts nothing more.
    fn close(&mut self, now: Nanos);
}

impl Source for Stream<'_> {
    fn next(&mut self, now: Nanos) -> Next {
        self.look(now);
        Stream::next(self, now)
    }

    fn done(&mut self, transfer: Transfer, now: Nanos) {
        Stream::done(self, transfer, now, Ok(()));
    }

    fn close(&mut self, now: Nanos) {
        Stream::close(self, now);
    }
}

impl<S: Source> Trial<'_, S> {
    /// Lets a stream start what it wants to.
    pub(super) fn ask(&mut self, stream: usize) {
        loop {
            match self.streams[stream].next(self.now) {
                Next::Transfer(transfer) => self.start(stream, transfer),
                Next::WaitUntil(moment) => {
                    if self.due[stream].is_none_or(|due| moment < due) {
                        self.due[stream] = Some(moment);
                        self.at(moment, Event::Due(stream));
                    }
                    return;
                }
                Next::AwaitCompletion => return,
                Next::Finished => {
                    self.finished[stream] = true;
                    return;
                }
            }
        }
    }

    fn start(&mut self, stream: usize, transfer: Transfer) {
        let operation = stream * self.depth + transfer.slot as usize;
        self.transfers[operation] = Some(transfer);
        let (start, end) = self.addresses(&transfer);
        let reads = transfer.operation.direction == Direction::Read;
        let mut asked = Some((start, end));
        if let Some((_, memory)) = &mut self.stage.client_cache {
            if reads {
                asked = memory.missing(start, end);
            }
            memory.keep(start, end);
        }
        if !reads {
            self.truth.bytes_written += self.block;
            return self.send(operation, self.block);
        }
        let from_server = asked.map_or(0, |(start, end)| end - start);
        self.truth.bytes_read += self.block;
        self.truth.from_client_cache += self.block - from_server;
        match asked {
            Some(asked) => {
                self.asked[operation] = asked;
                self.send(operation, 0);
            }
            None => self.read_own_memory(operation),
        }
    }

    fn read_own_memory(&mut self, operation: usize) {
        let Some((cache, _)) = &self.stage.client_cache else {
            return;
        };
        let time = cache.latency + Nanos::from_secs_f64(self.block as f64 / cache.rate.0);
        let free = &mut self.memory_free[operation / self.depth];
        *free = (*free).max(self.now) + time;
        let done = *free;
        self.at(done, Event::Answered(operation));
    }

    /// Sends a request with `payload`.
    fn send(&mut self, operation: usize, payload: u64) {
        let (sent, received) = self.stage.wire.counted(payload);
        self.tally.sent += sent;
        self.tally.received += received;
        let gone = match payload {
            // Short requests are not worth a queue.
            0 => self.now,
            _ => {
                let time = self.stage.wire.up(payload, self.now);
                self.up_free = self.up_free.max(self.now) + time;
                self.up_free
            }
        };
        self.at(gone + self.one_way(), Event::Arrived(operation));
    }

    /// An answer is there: it is dealt with when the stream's core is free. The time that it takes
    /// falls to what comes next.
    pub(super) fn answered(&mut self, operation: usize) {
        let core = operation / self.depth % self.core_free.len();
        let cost = self.stage.client.cost(self.block);
        let begin = self.core_free[core].max(self.now);
        self.core_free[core] = begin + cost;
        self.tally.cores[core] = self.tally.cores[core] + cost;
        if begin > self.now {
            self.tally.waited = self.tally.waited + (begin - self.now);
            self.at(begin, Event::Taken(operation));
        } else {
            self.taken(operation);
        }
    }

    /// Tells the stream, and lets it go on.
    pub(super) fn taken(&mut self, operation: usize) {
        if let Some(transfer) = self.transfers[operation].take() {
            let stream = operation / self.depth;
            self.watch.add(self.block);
            self.streams[stream].done(transfer, self.now);
            self.ask(stream);
        }
    }
}

//! The machine that measures: its processors, a cache of its own, and what it can see.

use crate::units::{Bytes, Nanos, Rate};

/// The processors of the machine that measures.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Client {
    /// How many; a stream stays on one.
    pub cores: u32,
    /// Processor time of one operation.
    pub operation: Nanos,
    /// Processor time of one byte, in nanoseconds: copying and checking.
    pub byte: f64,
}

impl Client {
    /// Processor time of an operation of `bytes`.
    pub(super) fn cost(&self, bytes: u64) -> Nanos {
        self.operation + Nanos((self.byte * bytes as f64) as u64)
    }
}

/// A cache in the client that serves reads without the server: buffered I/O, or direct I/O that is
/// none.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ClientCache {
    /// Its size.
    pub memory: Bytes,
    /// Time before the first byte.
    pub latency: Nanos,
    /// Bytes per second of one stream.
    pub rate: Rate,
    /// The part of the test data that is in it when a trial begins; `None` leaves it to history.
    pub prewarmed: Option<f64>,
    /// Whether the trial says that it went around it.
    pub says_direct: bool,
}

/// A solid-state tier of the server, between its memory and the drives.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tier {
    /// Its size.
    pub bytes: Bytes,
    /// From the request to the first byte.
    pub latency: Nanos,
    /// Bytes per second of all operations together.
    pub rate: Rate,
    /// The part of the test data that is in it when a trial begins; `None` leaves it to history.
    pub prewarmed: Option<f64>,
}

/// What the client can see beside its operations. What it cannot see has no observation.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Visibility {
    /// Counters of its interface; asked in a quiet second before the trial, too.
    pub wire: bool,
    /// Counters of the pool's drives.
    pub members: bool,
    /// Touching blocks twice before a trial that reads.
    pub twice: bool,
    /// Its own memory: cached and dirty bytes; holes in the files.
    pub residency: bool,
    /// Counters of its own process.
    pub process: bool,
    /// Counters of the mount.
    pub mount: bool,
    /// Processors and pressure.
    pub cpu: bool,
}

impl Visibility {
    /// Everything.
    pub const ALL: Self = Self {
        wire: true,
        members: true,
        twice: true,
        residency: true,
        process: true,
        mount: true,
        cpu: true,
    };
    /// Nothing but the operations themselves. No time goes by before a trial.
    pub const NONE: Self = Self {
        wire: false,
        members: false,
        twice: false,
        residency: false,
        process: false,
        mount: false,
        cpu: false,
    };
}

//! What a share that knows the truth is made of.

use std::time::Duration;

/// Bytes of a block, in which memories hold content and drives are asked for it.
pub(super) const BLOCK: u64 = 4096;

/// A share: its memories, drives and link.
#[derive(Clone, Debug)]
pub(super) struct Config {
    /// Decides the cached set and the positioning times.
    pub(super) seed: u64,
    /// Size of the file system in bytes; memory is taken only for what is written.
    pub(super) capacity: u64,
    /// What the server answers from memory.
    pub(super) cache: Cache,
    /// Time for an answer from the server's memory.
    pub(super) cache_delay: Duration,
    /// The drives behind the server: each takes one request after the other. The content is spread
    /// over all of them in chunks.
    pub(super) drives: usize,
    /// Time until a drive has found the place of a request that does not follow on from its last.
    pub(super) positioning: Positioning,
    /// What one drive transfers, in bytes per second.
    pub(super) drive_rate: u64,
    /// What the link carries each way, in bytes per second, one request after the other.
    pub(super) link_rate: u64,
    /// When a write is acknowledged.
    pub(super) writes: Writes,
    /// What a flush is worth.
    pub(super) flush: Flush,
    /// Whether the server stores blocks compressed, and zeros not at all.
    pub(super) compression: bool,
    /// What becomes of direct I/O.
    pub(super) direct: Direct,
    /// Whether requests of more than 4 KiB are answered by half, which is allowed.
    pub(super) halves: bool,
}

/// What the server answers from memory.
#[derive(Clone, Copy, Debug)]
pub(super) enum Cache {
    /// Nothing.
    Nothing,
    /// This fraction of all blocks, 0 to 1, always the same ones, chosen by the seed.
    Set(f64),
    /// The blocks read and written last, up to so many bytes.
    Memory(u64),
}

/// Time until a drive has found a place.
#[derive(Clone, Copy, Debug)]
pub(super) enum Positioning {
    /// Log-normal, with this median and this standard deviation of the logarithm.
    LogNormal(Duration, f64),
    /// A uniform part of the longest seek, then of one revolution.
    SeekAndTurn(Duration, Duration),
}

/// When a write is acknowledged.
#[derive(Clone, Copy, Debug)]
pub(super) enum Writes {
    /// When it is on the drives.
    Through,
    /// When it is in a buffer of so many bytes, which drains to the drives.
    Buffered(u64),
}

/// What a flush is worth.
#[derive(Clone, Copy, Debug)]
pub(super) enum Flush {
    /// It waits until the buffer has drained.
    Drains,
    /// It is acknowledged at once.
    Lies,
}

/// What becomes of direct I/O.
#[derive(Clone, Copy, Debug)]
pub(super) enum Direct {
    /// Each request reaches the server.
    Honest,
    /// A file cannot be opened for it; others go through this machine's page cache.
    Refused,
    /// A file can be opened for it, and no transfer is to be had so; others go through this
    /// machine's page cache.
    RefusedLate,
    /// It is accepted, and yet what was read or written before is answered on this side of the link
    /// after this time. (The kernel itself never answers a direct read on FUSE from its page cache,
    /// so the lie is played here.)
    Lies(Duration),
}

impl Default for Config {
    /// Four drives of common practice (no source) behind a link of 10 Gbit/s that no four of them
    /// fill, everything honest and nothing cached.
    fn default() -> Self {
        Self {
            seed: 1,
            capacity: 1 << 30,
            cache: Cache::Nothing,
            cache_delay: Duration::from_micros(200),
            drives: 4,
            positioning: Positioning::LogNormal(Duration::from_millis(6), 0.3),
            drive_rate: 150_000_000,
            link_rate: 1_250_000_000,
            writes: Writes::Through,
            flush: Flush::Drains,
            compression: false,
            direct: Direct::Honest,
            halves: false,
        }
    }
}

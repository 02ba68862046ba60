//! What a drive has read and written.

use std::sync::atomic::{AtomicU64, Ordering::Relaxed};

/// Sums that only grow.
#[derive(Default)]
pub(super) struct Running {
    bytes: AtomicU64,
    requests: AtomicU64,
}

/// What went through a drive.
#[derive(Default)]
pub(crate) struct Counts {
    pub(super) read: Running,
    pub(super) written: Running,
}

/// What went through a drive until one moment.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Totals {
    /// Bytes read.
    pub(crate) read_bytes: u64,
    /// Bytes written.
    pub(crate) written_bytes: u64,
    /// Requests that read.
    pub(crate) reads: u64,
    /// Requests that wrote.
    pub(crate) writes: u64,
}

impl Running {
    pub(super) fn add(&self, bytes: u64) {
        self.bytes.fetch_add(bytes, Relaxed);
        self.requests.fetch_add(1, Relaxed);
    }
}

impl Counts {
    pub(super) fn totals(&self) -> Totals {
        Totals {
            read_bytes: self.read.bytes.load(Relaxed),
            written_bytes: self.written.bytes.load(Relaxed),
            reads: self.read.requests.load(Relaxed),
            writes: self.written.requests.load(Relaxed),
        }
    }
}

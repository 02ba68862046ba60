//! What those who submit operations and the one who waits for them share.

use std::sync::atomic::{AtomicBool, AtomicU32, AtomicU64, Ordering::Relaxed};
use std::sync::{Arc, OnceLock};

/// Operations that each submitting thread may have ended before it tells of them.
pub const UNTOLD: u64 = 16;

/// How far it is, whether it moves, and whether to stop. Clones look at the same.
#[derive(Clone, Debug, Default)]
pub struct Watch(Arc<Watched>);

#[derive(Debug, Default)]
struct Watched {
    stop: AtomicBool,
    reason: OnceLock<&'static str>,
    bytes: AtomicU64,
    steps: AtomicU64,
    slow: AtomicU32,
}

impl Watch {
    /// Asks whatever submits operations to come to an end, for a reason that completes "stopped: …". The first
    /// reason stays.
    pub fn stop(&self, reason: &'static str) {
        self.0.reason.get_or_init(|| reason);
        self.0.stop.store(true, Relaxed);
    }

    /// Why an end was asked for.
    pub fn reason(&self) -> Option<&'static str> {
        self.0.reason.get().copied()
    }

    /// Whether an end was asked for.
    pub fn stopped(&self) -> bool {
        self.0.stop.load(Relaxed)
    }

    /// Counts bytes of progress.
    pub fn add(&self, bytes: u64) {
        self.0.bytes.fetch_add(bytes, Relaxed);
    }

    /// Bytes so far, in all.
    pub fn bytes(&self) -> u64 {
        self.0.bytes.load(Relaxed)
    }

    /// Tells that it goes on, though no bytes were moved.
    pub fn step(&self) {
        self.0.steps.fetch_add(1, Relaxed);
    }

    /// Does what may take long without a sign of progress: a flush, a command with a limit of its own.
    pub fn slowly<T>(&self, work: impl FnOnce() -> T) -> T {
        self.0.slow.fetch_add(1, Relaxed);
        let done = work();
        self.0.slow.fetch_sub(1, Relaxed);
        self.step();
        done
    }

    /// Whether something may take long just now.
    pub(super) fn slow(&self) -> bool {
        self.0.slow.load(Relaxed) > 0
    }

    /// Changes whenever it goes on.
    pub(super) fn progress(&self) -> (u64, u64) {
        (self.bytes(), self.0.steps.load(Relaxed))
    }
}

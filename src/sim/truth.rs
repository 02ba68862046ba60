//! Where the bytes of a trial really came from: what no client can know.

/// The accounts of one trial, in bytes of all its operations, those after its last window too.
///
/// What was read is the sum of the four places that it came from.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Truth {
    /// Read by the workload.
    pub bytes_read: u64,
    /// Of these, from the client's cache.
    pub from_client_cache: u64,
    /// From the server's memory.
    pub from_server_memory: u64,
    /// From the solid-state tier.
    pub from_tier: u64,
    /// From the drives.
    pub from_drives: u64,
    /// What the drives moved for the latter: less where data compresses or repeats.
    pub moved_from_drives: u64,
    /// Written by the workload; all of it was acknowledged from memory.
    pub bytes_written: u64,
    /// Of these, not on the drives when the last was acknowledged.
    pub unwritten_before_flush: u64,
    /// Of these, not on the drives when the flush said that they were.
    pub unwritten_after_flush: u64,
}

impl Truth {
    /// The part of what was read, 0 to 1, that did not come from the drives; `None` when nothing
    /// was read.
    pub fn hit_ratio(&self) -> Option<f64> {
        let cached = self.bytes_read - self.from_drives;
        (self.bytes_read > 0).then(|| cached as f64 / self.bytes_read as f64)
    }
}

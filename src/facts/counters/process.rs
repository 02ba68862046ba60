//! What this process read and wrote: `/proc/self/io`.

use super::moved::step;
use super::text::{CounterError, Text};
use crate::units::Bytes;

/// I/O of a process, counted since it began or over an interval. Field meanings are of proc(5).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct ProcessIo {
    /// `rchar`: bytes handed over by read(2) and the like, whether from a cache or not.
    pub asked_to_read: Bytes,
    /// `wchar`: bytes handed to write(2) and the like.
    pub asked_to_write: Bytes,
    /// `read_bytes`: bytes that had to be fetched from the storage layer. On an NFS mount: from the
    /// server, whose own cache it says nothing about.
    pub fetched: Bytes,
    /// `write_bytes`: bytes sent to the storage layer, or made dirty to be sent.
    pub stored: Bytes,
    /// `cancelled_write_bytes`: bytes made dirty that were dropped before they were sent.
    pub cancelled: Bytes,
}

impl ProcessIo {
    /// Reads the text of `/proc/self/io`.
    ///
    /// # Errors
    /// When a counter is not there or is no number.
    pub fn parse(text: &str) -> Result<Self, CounterError> {
        let text = Text::new("/proc/self/io", text);
        let bytes = |key: &str| {
            let (line, value) = text.value(key)?;
            line.number(Some(value), "number of bytes").map(Bytes)
        };
        Ok(Self {
            asked_to_read: bytes("rchar")?,
            asked_to_write: bytes("wchar")?,
            fetched: bytes("read_bytes")?,
            stored: bytes("write_bytes")?,
            cancelled: bytes("cancelled_write_bytes")?,
        })
    }

    /// What was counted since `before`.
    ///
    /// # Errors
    /// When a counter went backwards.
    pub fn since(&self, before: &Self) -> Result<Self, CounterError> {
        let step = |name, of: fn(&Self) -> Bytes| step(name, of(before).0, of(self).0).map(Bytes);
        Ok(Self {
            asked_to_read: step("rchar", |io| io.asked_to_read)?,
            asked_to_write: step("wchar", |io| io.asked_to_write)?,
            fetched: step("read_bytes", |io| io.fetched)?,
            stored: step("write_bytes", |io| io.stored)?,
            cancelled: step("cancelled_write_bytes", |io| io.cancelled)?,
        })
    }

    /// Bytes fetched per byte asked for: near 0 when this machine's cache served the reads, 1 when it
    /// served none, more with read-ahead. `None` when nothing was asked for.
    pub fn fetched_per_asked(&self) -> Option<f64> {
        (self.asked_to_read.0 > 0).then(|| self.fetched.0 as f64 / self.asked_to_read.0 as f64)
    }
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;

    /// The example of proc(5), `/proc/[pid]/io`.
    pub(in crate::facts::counters) const SAMPLE: &str = "\
rchar: 323934931
wchar: 323929600
syscr: 632687
syscw: 632675
read_bytes: 0
write_bytes: 323932160
cancelled_write_bytes: 0
";

    #[test]
    fn the_example_of_the_manual_page_is_read_wholly_from_a_cache() {
        let io = ProcessIo::parse(SAMPLE).unwrap();
        assert_eq!(io.asked_to_read, Bytes(323_934_931));
        assert_eq!(io.asked_to_write, Bytes(323_929_600));
        assert_eq!(io.stored, Bytes(323_932_160));
        assert_eq!((io.fetched, io.cancelled), (Bytes(0), Bytes(0)));
        assert_eq!(io.fetched_per_asked(), Some(0.0));
        assert_eq!(ProcessIo::default().fetched_per_asked(), None);
    }

    #[test]
    fn a_difference_is_taken_and_a_reset_is_said() {
        let before = ProcessIo::parse(SAMPLE).unwrap();
        let mut after = before;
        after.fetched = Bytes(4096);
        after.asked_to_read.0 += 8192;
        let interval = after.since(&before).unwrap();
        assert_eq!(interval.fetched_per_asked(), Some(0.5));
        assert_eq!(interval.stored, Bytes(0));
        assert_eq!(
            before.since(&after).unwrap_err().to_string(),
            "rchar went back from 323943123 to 323934931: it was reset, and what it counted is unknown"
        );
    }

    #[test]
    fn a_text_without_a_counter_is_refused() {
        let error = ProcessIo::parse(&SAMPLE.replace("read_bytes: 0\nwrite", "write"));
        assert_eq!(
            error.unwrap_err().to_string(),
            "/proc/self/io has no complete line for read_bytes"
        );
        assert!(ProcessIo::parse(SAMPLE.trim_end()).is_err(), "cut off");
    }
}

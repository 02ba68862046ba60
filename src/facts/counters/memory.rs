//! What the memory of a machine holds: `/proc/meminfo`.

use super::text::{CounterError, Text};
use crate::units::Bytes;

/// Levels, not counters: they rise and fall.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Memory {
    /// Physical memory that the kernel can use.
    pub total: Bytes,
    /// File contents kept in memory.
    pub cached: Bytes,
    /// Of these, waiting to be written.
    pub dirty: Bytes,
    /// Being written now.
    pub writeback: Bytes,
}

impl Memory {
    /// Reads the text of `/proc/meminfo`, whose kB are 1024 bytes.
    ///
    /// # Errors
    /// When a level is not there or cannot be read.
    pub fn parse(text: &str) -> Result<Self, CounterError> {
        let text = Text::new("/proc/meminfo", text);
        let bytes = |key: &str| {
            let (line, value) = text.value(key)?;
            let what = "number of kB";
            let number = value.strip_suffix("kB").map(str::trim);
            let kib = line.number(number, what)?;
            kib.checked_mul(1024)
                .map(Bytes)
                .ok_or_else(|| line.error(what))
        };
        Ok(Self {
            total: bytes("MemTotal")?,
            cached: bytes("Cached")?,
            dirty: bytes("Dirty")?,
            writeback: bytes("Writeback")?,
        })
    }
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;

    pub(in crate::facts::counters) const SAMPLE: &str = "\
MemTotal:       24684084 kB
MemFree:        19589008 kB
Buffers:           16788 kB
Cached:          4352508 kB
SwapCached:           12 kB
Dirty:              1024 kB
Writeback:             4 kB
WritebackTmp:          8 kB
HugePages_Total:       0
";

    #[test]
    fn levels_are_read_by_their_whole_names() {
        let memory = Memory::parse(SAMPLE).unwrap();
        assert_eq!(memory.total, Bytes(24_684_084 * 1024));
        assert_eq!(memory.cached, Bytes(4_352_508 * 1024));
        assert_eq!(
            (memory.dirty, memory.writeback),
            (Bytes::MIB, Bytes(4 * 1024))
        );
    }

    #[test]
    fn another_unit_and_a_number_too_large_are_refused() {
        let error = Memory::parse(&SAMPLE.replace("24684084 kB", "24 GB")).unwrap_err();
        assert_eq!(
            error.to_string(),
            "/proc/meminfo line 1 has no readable number of kB: \"MemTotal:       24 GB\""
        );
        let large = SAMPLE.replace("24684084", &u64::MAX.to_string());
        assert!(Memory::parse(&large).is_err());
    }
}

//! What a block device did: `/proc/diskstats`, of this machine or of the server.
//!
//! Fields as in the kernel's `Documentation/admin-guide/iostats.rst`. Its times are 32-bit numbers of
//! milliseconds, which wrap; its other counters are machine words, taken here to be 64 bits.

use super::moved::{short_step, step};
use super::text::{CounterError, Line, Text};
use crate::units::{Bytes, Nanos};

/// The kernel's sector in these counters, whatever the device's own is: 512 bytes.
const SECTOR: u64 = 512;

/// I/O of one block device, since it appeared or over an interval.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct DriveIo {
    /// Name of the device, as `sda`.
    pub name: String,
    /// Reads completed.
    pub reads: u64,
    /// Sectors of 512 bytes read.
    pub sectors_read: u64,
    /// Summed time of all reads, in milliseconds.
    pub read_ms: u64,
    /// Writes completed.
    pub writes: u64,
    /// Sectors of 512 bytes written.
    pub sectors_written: u64,
    /// Summed time of all writes, in milliseconds.
    pub write_ms: u64,
    /// Operations under way at the moment of the (later) reading; no counter.
    pub in_flight: u64,
    /// Time with at least one operation under way, in milliseconds.
    pub busy_ms: u64,
    /// Summed time of all operations, those still under way included, in milliseconds.
    pub weighted_ms: u64,
}

/// What a statistic counts, and so what of it an interval has.
enum Kind {
    /// Events: their number.
    Count,
    /// Milliseconds in 32 bits: their number.
    Time,
    /// No counter: the later reading.
    Level,
}

/// A number of a device's line.
struct Statistic {
    name: &'static str,
    kind: Kind,
    of: fn(&mut DriveIo) -> &mut u64,
}

/// The first eleven numbers of a line in their order. Numbers of merged requests are not kept.
const STATISTICS: [Option<Statistic>; 11] = {
    const fn kept(
        name: &'static str,
        kind: Kind,
        of: fn(&mut DriveIo) -> &mut u64,
    ) -> Option<Statistic> {
        Some(Statistic { name, kind, of })
    }
    [
        kept("reads completed", Kind::Count, |io| &mut io.reads),
        None,
        kept("sectors read", Kind::Count, |io| &mut io.sectors_read),
        kept("time reading", Kind::Time, |io| &mut io.read_ms),
        kept("writes completed", Kind::Count, |io| &mut io.writes),
        None,
        kept("sectors written", Kind::Count, |io| &mut io.sectors_written),
        kept("time writing", Kind::Time, |io| &mut io.write_ms),
        kept("in flight", Kind::Level, |io| &mut io.in_flight),
        kept("time busy", Kind::Time, |io| &mut io.busy_ms),
        kept("weighted time", Kind::Time, |io| &mut io.weighted_ms),
    ]
};

impl DriveIo {
    /// Reads the counters of the devices `names`, in that order, from the text of
    /// `/proc/diskstats`. Lines of other devices are not looked at. A device that is not there is
    /// an error of its own, so that the others are still known.
    pub fn parse(text: &str, names: &[String]) -> Vec<Result<Self, CounterError>> {
        let text = Text::new("/proc/diskstats", text);
        let device = |line: Line<'_>| line.text.split_whitespace().nth(2).map(str::to_owned);
        names
            .iter()
            .map(|name| {
                text.lines()
                    .find(|line| device(*line).as_ref() == Some(name))
                    .ok_or_else(|| text.absent(&format!("the device {name}")))
                    .and_then(Self::line)
            })
            .collect()
    }

    fn line(line: Line<'_>) -> Result<Self, CounterError> {
        let mut fields = line.text.split_whitespace().skip(2);
        let mut io = Self {
            name: fields.next().unwrap_or_default().to_owned(),
            ..Self::default()
        };
        for (index, statistic) in STATISTICS.iter().enumerate() {
            let number = line.number(fields.next(), &format!("statistic {}", index + 1))?;
            if let Some(statistic) = statistic {
                *(statistic.of)(&mut io) = number;
            }
        }
        Ok(io)
    }

    /// What was done since `before`, and the names of the times that wrapped in between.
    ///
    /// # Errors
    /// When a counter went backwards (the device was taken out and put back), or `before` is of
    /// another device.
    pub fn since(&self, before: &Self) -> Result<(Self, Vec<&'static str>), CounterError> {
        if self.name != before.name {
            return Err(CounterError::Different {
                before: before.name.clone(),
                after: self.name.clone(),
            });
        }
        let (mut before, mut interval, mut wrapped) = (before.clone(), self.clone(), Vec::new());
        for Statistic { name, kind, of } in STATISTICS.iter().flatten() {
            let (was, number) = (*of(&mut before), of(&mut interval));
            *number = match kind {
                Kind::Count => step(name, was, *number)?,
                Kind::Time => short_step(name, was, *number, &mut wrapped)?,
                Kind::Level => *number,
            };
        }
        Ok((interval, wrapped))
    }

    /// Bytes read from the device.
    pub fn bytes_read(&self) -> Bytes {
        Bytes(self.sectors_read.saturating_mul(SECTOR))
    }

    /// Bytes written to the device.
    pub fn bytes_written(&self) -> Bytes {
        Bytes(self.sectors_written.saturating_mul(SECTOR))
    }

    /// Mean time of a read from its arrival in the queue to its end; `None` without reads.
    pub fn mean_read_time(&self) -> Option<Nanos> {
        mean(self.read_ms, self.reads)
    }

    /// Mean time of a write from its arrival in the queue to its end; `None` without writes.
    pub fn mean_write_time(&self) -> Option<Nanos> {
        mean(self.write_ms, self.writes)
    }

    /// Part of `elapsed` with at least one operation under way, 0 to 1; `None` for no time. A device
    /// that serves several operations at once is not full at 1.
    pub fn utilisation(&self, elapsed: Nanos) -> Option<f64> {
        (elapsed.0 > 0).then(|| (self.busy_ms as f64 / 1e3 / elapsed.secs()).min(1.0))
    }

    /// Mean number of operations under way during `elapsed`; `None` for no time.
    pub fn mean_in_flight(&self, elapsed: Nanos) -> Option<f64> {
        (elapsed.0 > 0).then(|| self.weighted_ms as f64 / 1e3 / elapsed.secs())
    }
}

fn mean(total_ms: u64, operations: u64) -> Option<Nanos> {
    let total = total_ms.saturating_mul(Nanos::MILLI.0);
    total.checked_div(operations).map(Nanos)
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;

    pub(in crate::facts::counters) const SAMPLE: &str = "   8       0 sda 1595036 61293 186139410 2451370 1119129 60580 107936112 533356 2 131764 2995825 37227 41 67693664 10504 6393 594
   8       1 sda1 5 0 40 9 0 0 0 0 0 9 9
   8      16 sdb 10 0 80 20 4 0 32 4294967290 0 24 4294967290 0 0 0 0
";

    fn drive(text: &str, name: &str) -> Result<DriveIo, CounterError> {
        DriveIo::parse(text, &[name.to_owned()]).remove(0)
    }

    #[test]
    fn the_named_devices_are_read_in_their_order() {
        let names = ["sdb", "sdz", "sda"].map(str::to_owned);
        let drives = DriveIo::parse(SAMPLE, &names);
        assert_eq!(
            drives[1].as_ref().unwrap_err().to_string(),
            "/proc/diskstats has no complete line for the device sdz"
        );
        assert_eq!(drives[0].as_ref().unwrap().name, "sdb");
        let expected = DriveIo {
            name: "sda".into(),
            reads: 1_595_036,
            sectors_read: 186_139_410,
            read_ms: 2_451_370,
            writes: 1_119_129,
            sectors_written: 107_936_112,
            write_ms: 533_356,
            in_flight: 2,
            busy_ms: 131_764,
            weighted_ms: 2_995_825,
        };
        assert_eq!(drives[2].as_ref().unwrap(), &expected);
        // 186139410 × 512.
        assert_eq!(expected.bytes_read(), Bytes(95_303_377_920));
    }

    #[test]
    fn an_interval_gives_times_and_utilisation() {
        let before = drive(SAMPLE, "sdb").unwrap();
        let after = DriveIo {
            reads: 110,
            sectors_read: 80 + 200 * 1024,
            read_ms: 20 + 850,
            busy_ms: 24 + 500,
            in_flight: 3,
            write_ms: 4,
            weighted_ms: 844,
            ..before.clone()
        };
        let (interval, wrapped) = after.since(&before).unwrap();
        assert_eq!(wrapped, ["time writing", "weighted time"]);
        assert_eq!((interval.write_ms, interval.weighted_ms), (10, 850));
        assert_eq!(interval.bytes_read(), Bytes::MIB.times(100));
        assert_eq!(interval.mean_read_time(), Some(Nanos(8_500_000)));
        assert_eq!(interval.mean_write_time(), None);
        assert_eq!(interval.utilisation(Nanos::SECOND), Some(0.5));
        assert_eq!(interval.mean_in_flight(Nanos::SECOND), Some(0.85));
        assert_eq!(interval.utilisation(Nanos(1)), Some(1.0), "clamped");
        assert_eq!(interval.utilisation(Nanos(0)), None);
        assert_eq!(interval.in_flight, 3);
    }

    #[test]
    fn a_device_that_was_put_back_is_unknown_even_where_its_times_look_wrapped() {
        let before = drive(SAMPLE, "sdb").unwrap();
        let after = DriveIo {
            name: "sdb".into(),
            write_ms: 3,
            ..DriveIo::default()
        };
        let error = after.since(&before).unwrap_err();
        assert!(matches!(error, CounterError::Backwards { .. }), "{error}");
    }

    #[test]
    fn a_short_line_is_an_error_only_of_its_device() {
        let text = "8 0 sda 1 2\n8 16 sdb 1 2 3 4 5 6 7 8 9 10 11\n";
        assert_eq!(
            drive(text, "sda").unwrap_err().to_string(),
            "/proc/diskstats line 1 has no readable statistic 3: \"8 0 sda 1 2\""
        );
        assert!(drive(text, "sdb").is_ok());
    }
}

//! The truth: what was served, and from where.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::time::Duration;

use hdrhistogram::Histogram;

/// Bytes of a sector in the drives' own counters, whatever the drive
/// (kernel documentation, `admin-guide/iostats.rst`, from memory).
const SECTOR: u64 = 512;

/// Operations and their bytes.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Moved {
    pub(super) operations: u64,
    pub(super) bytes: u64,
}

impl Moved {
    fn add(&mut self, bytes: u64) {
        self.operations += 1;
        self.bytes += bytes;
    }
}

/// Bytes of a read by where they came from.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Origin {
    /// From the drives.
    pub(super) drives: u64,
    /// From the server's memory.
    pub(super) cache: u64,
    /// From a memory on this side of the link.
    pub(super) client: u64,
    /// Zeros of a compressing server, which lie nowhere.
    pub(super) nowhere: u64,
}

/// Reads of one length. An operation counts where its slowest part came from; bytes are exact.
#[derive(Clone, Debug)]
pub(super) struct Reads {
    pub(super) from_drives: Moved,
    pub(super) from_cache: Moved,
    pub(super) from_client: Moved,
    pub(super) from_nowhere: Moved,
    /// How long the share meant each read to take, in nanoseconds: it cannot be seen any shorter.
    pub(super) meant: Histogram<u64>,
}

impl Reads {
    fn new() -> Self {
        Self {
            from_drives: Moved::default(),
            from_cache: Moved::default(),
            from_client: Moved::default(),
            from_nowhere: Moved::default(),
            meant: Histogram::new(3).expect("three digits are few"),
        }
    }

    fn record(&mut self, origin: &Origin, meant: Duration) {
        let places = [
            (&mut self.from_drives, origin.drives),
            (&mut self.from_cache, origin.cache),
            (&mut self.from_client, origin.client),
            (&mut self.from_nowhere, origin.nowhere),
        ];
        let mut slowest = true;
        for (place, bytes) in places {
            place.bytes += bytes;
            if bytes > 0 && std::mem::take(&mut slowest) {
                place.operations += 1;
            }
        }
        let meant = meant.as_nanos() as u64;
        self.meant.record(meant).expect("it grows as needed");
    }

    fn merge(&mut self, other: &Self) {
        let pairs = [
            (&mut self.from_drives, other.from_drives),
            (&mut self.from_cache, other.from_cache),
            (&mut self.from_client, other.from_client),
            (&mut self.from_nowhere, other.from_nowhere),
        ];
        for (sum, more) in pairs {
            sum.operations += more.operations;
            sum.bytes += more.bytes;
        }
        self.meant.add(&other.meant).expect("it grows as needed");
    }

    /// All of them.
    pub(super) fn total(&self) -> Moved {
        let places = [
            self.from_drives,
            self.from_cache,
            self.from_client,
            self.from_nowhere,
        ];
        Moved {
            operations: places.iter().map(|place| place.operations).sum(),
            bytes: places.iter().map(|place| place.bytes).sum(),
        }
    }

    /// The median of what was meant.
    pub(super) fn median(&self) -> Duration {
        Duration::from_nanos(self.meant.value_at_quantile(0.5))
    }
}

/// What one drive did.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Member {
    pub(super) reads: Moved,
    pub(super) writes: Moved,
    pub(super) reading: Duration,
    pub(super) writing: Duration,
}

/// One request that a drive has finished.
#[derive(Clone, Copy, Debug)]
pub(super) struct Served {
    pub(super) drive: usize,
    pub(super) write: bool,
    /// Bytes on the drive: fewer than the content where it is compressed.
    pub(super) bytes: u64,
    pub(super) busy: Duration,
}

impl Member {
    fn add(&mut self, served: &Served) {
        let (moved, busy) = if served.write {
            (&mut self.writes, &mut self.writing)
        } else {
            (&mut self.reads, &mut self.reading)
        };
        moved.add(served.bytes);
        *busy += served.busy;
    }
}

/// Everything counted since the last reset, at the moment it was finished.
#[derive(Clone, Debug, Default)]
pub(super) struct Counts {
    /// Reads by the length that was asked for.
    reads: BTreeMap<u32, Reads>,
    /// Writes acknowledged.
    pub(super) writes: Moved,
    /// Flushes acknowledged.
    pub(super) flushes: u64,
    /// The most bytes that were not on the drives when a flush was acknowledged.
    pub(super) flushed_yet_buffered: u64,
    /// Reads refused because their block is broken.
    pub(super) errors: u64,
    /// The most reads and writes in flight at once.
    pub(super) most_in_flight: u64,
    /// What each drive did, in whole blocks as they are stored.
    pub(super) members: Vec<Member>,
}

impl Counts {
    /// Reads that asked for `length` bytes.
    pub(super) fn reads_of(&self, length: u32) -> Reads {
        self.reads.get(&length).cloned().unwrap_or_else(Reads::new)
    }

    /// Reads of all lengths.
    pub(super) fn reads(&self) -> Reads {
        let mut all = Reads::new();
        self.reads.values().for_each(|reads| all.merge(reads));
        all
    }
}

/// The books that counts are read from.
#[derive(Debug)]
pub(super) struct Books {
    counts: Counts,
    in_flight: u64,
    /// What the drives did since the share was mounted: their counters know no reset.
    members: Vec<Member>,
}

impl Books {
    pub(super) fn new(drives: usize) -> Self {
        let members = vec![Member::default(); drives];
        Self {
            counts: Counts {
                members: members.clone(),
                ..Counts::default()
            },
            in_flight: 0,
            members,
        }
    }

    pub(super) fn counts(&self) -> Counts {
        self.counts.clone()
    }

    pub(super) fn reset(&mut self) {
        self.counts = Counts {
            most_in_flight: self.in_flight,
            members: vec![Member::default(); self.members.len()],
            ..Counts::default()
        };
    }

    pub(super) fn arrive(&mut self) {
        self.in_flight += 1;
        self.counts.most_in_flight = self.counts.most_in_flight.max(self.in_flight);
    }

    pub(super) fn leave(&mut self) {
        self.in_flight -= 1;
    }

    pub(super) fn read(&mut self, length: u32, origin: &Origin, meant: Duration) {
        let reads = self.counts.reads.entry(length).or_insert_with(Reads::new);
        reads.record(origin, meant);
    }

    pub(super) fn written(&mut self, bytes: u64) {
        self.counts.writes.add(bytes);
    }

    pub(super) fn flushed(&mut self, buffered: u64) {
        self.counts.flushes += 1;
        self.counts.flushed_yet_buffered = self.counts.flushed_yet_buffered.max(buffered);
    }

    pub(super) fn refused(&mut self) {
        self.counts.errors += 1;
    }

    pub(super) fn drive(&mut self, served: &Served) {
        self.counts.members[served.drive].add(served);
        self.members[served.drive].add(served);
    }

    /// The drives' own counters, one line for each drive in the form of `/proc/diskstats`: major,
    /// minor, name; reads, merged, sectors, milliseconds; the same for writes; in flight, busy and
    /// weighted milliseconds. What is not known here is 0.
    pub(super) fn diskstats(&self) -> String {
        let mut text = String::new();
        for (index, (member, letter)) in self.members.iter().zip('a'..='z').enumerate() {
            let (reads, writes) = (member.reads, member.writes);
            let (reading, writing) = (member.reading.as_millis(), member.writing.as_millis());
            let busy = reading + writing;
            writeln!(
                text,
                "   8 {:7} sd{letter} {} 0 {} {reading} {} 0 {} {writing} 0 {busy} {busy}",
                index * 16,
                reads.operations,
                reads.bytes / SECTOR,
                writes.operations,
                writes.bytes / SECTOR,
            )
            .expect("text grows as needed");
        }
        text
    }
}

//! What an NFS mount asked of its server: `/proc/self/mountstats`.
//!
//! The counters are of the mount, not of this process: whoever else uses the mount on this machine is
//! in them, and mounts of the same export may share them. They are never set to zero while it is
//! mounted.

use super::moved::step;
use super::text::{CounterError, Line, Text, unescape};
use crate::units::{Bytes, Nanos};

/// Bytes and requests of one NFS mount, since it was mounted or over an interval.
///
/// The byte fields are those of `include/linux/nfs_iostat.h`, in its order.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct NfsIo {
    /// Read by applications with read(2).
    pub normal_read: Bytes,
    /// Written by applications with write(2).
    pub normal_written: Bytes,
    /// Read by applications with direct I/O.
    pub direct_read: Bytes,
    /// Written by applications with direct I/O.
    pub direct_written: Bytes,
    /// Payload that the server sent for READ.
    pub server_read: Bytes,
    /// Payload that the server took with WRITE.
    pub server_written: Bytes,
    /// Pages read in.
    pub read_pages: u64,
    /// Pages written out.
    pub written_pages: u64,
    /// The READ requests, when the mount lists them.
    pub read: Option<NfsRequests>,
    /// The WRITE requests, when the mount lists them.
    pub write: Option<NfsRequests>,
}

/// Requests of one kind to an NFS server (`net/sunrpc/stats.c`).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct NfsRequests {
    /// Requests made.
    pub requests: u64,
    /// Times a request was sent: above `requests` when some were sent again.
    pub transmissions: u64,
    /// Requests that got no answer in time.
    pub timeouts: u64,
    /// Bytes sent, with RPC headers.
    pub sent: Bytes,
    /// Bytes received, with RPC headers.
    pub received: Bytes,
    /// Summed time between making and sending a request, counted in milliseconds.
    pub queued: Nanos,
    /// Summed time between sending a request and its answer, counted in milliseconds.
    pub round_trip: Nanos,
    /// Summed time between making a request and its end, counted in milliseconds.
    pub execution: Nanos,
}

impl NfsIo {
    /// Reads the statistics of the mount at `mount_point` from the text of `/proc/self/mountstats`.
    /// Of several mounts on one point the last counts, which hides the others.
    ///
    /// # Errors
    /// When no NFS mount is there, or its lines cannot be read.
    pub fn parse(text: &str, mount_point: &str) -> Result<Self, CounterError> {
        let text = Text::new("/proc/self/mountstats", text);
        let mut found: Option<Self> = None;
        let (mut inside, mut read, mut write) = (false, None, None);
        for line in text.lines() {
            if let Some((point, kind)) = mounted(line.text) {
                let here = unescape(point) == mount_point;
                inside = here && is_nfs(kind);
                if here {
                    (found, read, write) = (None, None, None);
                }
                continue;
            }
            match line.text.trim().split_once(':').filter(|_| inside) {
                Some(("bytes", fields)) => found = Some(Self::bytes(line, fields)?),
                Some(("READ", fields)) => read = Some(NfsRequests::parse(line, fields)?),
                Some(("WRITE", fields)) => write = Some(NfsRequests::parse(line, fields)?),
                _ => {}
            }
        }
        let missing = || text.absent(&format!("the bytes of an NFS mount at {mount_point}"));
        let io = found.ok_or_else(missing)?;
        Ok(Self { read, write, ..io })
    }

    fn bytes(line: Line<'_>, fields: &str) -> Result<Self, CounterError> {
        let mut fields = fields.split_whitespace();
        let mut next = |what: &str| line.number(fields.next(), what);
        Ok(Self {
            normal_read: Bytes(next("bytes read normally")?),
            normal_written: Bytes(next("bytes written normally")?),
            direct_read: Bytes(next("bytes read directly")?),
            direct_written: Bytes(next("bytes written directly")?),
            server_read: Bytes(next("bytes read from the server")?),
            server_written: Bytes(next("bytes written to the server")?),
            read_pages: next("pages read")?,
            written_pages: next("pages written")?,
            read: None,
            write: None,
        })
    }

    /// What was counted since `before`. Requests are there when both ends have them.
    ///
    /// # Errors
    /// When a counter went backwards: the share was mounted anew.
    pub fn since(&self, before: &Self) -> Result<Self, CounterError> {
        let count = |name, of: fn(&Self) -> u64| step(name, of(before), of(self));
        let bytes = |name, of: fn(&Self) -> u64| count(name, of).map(Bytes);
        let requests = |before: Option<NfsRequests>, after: Option<NfsRequests>| {
            before
                .zip(after)
                .map(|(before, after)| after.since(&before))
                .transpose()
        };
        Ok(Self {
            normal_read: bytes("bytes read normally", |io| io.normal_read.0)?,
            normal_written: bytes("bytes written normally", |io| io.normal_written.0)?,
            direct_read: bytes("bytes read directly", |io| io.direct_read.0)?,
            direct_written: bytes("bytes written directly", |io| io.direct_written.0)?,
            server_read: bytes("bytes read from the server", |io| io.server_read.0)?,
            server_written: bytes("bytes written to the server", |io| io.server_written.0)?,
            read_pages: count("pages read", |io| io.read_pages)?,
            written_pages: count("pages written", |io| io.written_pages)?,
            read: requests(before.read, self.read)?,
            write: requests(before.write, self.write)?,
        })
    }

    /// The part of what applications read that did not come from the server, 0 to 1; `None` when
    /// they read nothing.
    ///
    /// One minus bytes from the server ÷ bytes read. Read-ahead may fetch more than is read, which
    /// would make it negative: that counts as 0.
    pub fn cache_hits(&self) -> Option<f64> {
        let asked = self.normal_read.0 as f64 + self.direct_read.0 as f64;
        (asked > 0.0).then(|| (1.0 - self.server_read.0 as f64 / asked).clamp(0.0, 1.0))
    }
}

impl NfsRequests {
    fn parse(line: Line<'_>, fields: &str) -> Result<Self, CounterError> {
        let mut fields = fields.split_whitespace();
        let mut next = |what: &str| line.number(fields.next(), what);
        Ok(Self {
            requests: next("number of requests")?,
            transmissions: next("number of transmissions")?,
            timeouts: next("number of timeouts")?,
            sent: Bytes(next("bytes sent")?),
            received: Bytes(next("bytes received")?),
            queued: millis(next("time queued")?),
            round_trip: millis(next("time of round trips")?),
            execution: millis(next("time of execution")?),
        })
    }

    fn since(&self, before: &Self) -> Result<Self, CounterError> {
        let step = |name, of: fn(&Self) -> u64| step(name, of(before), of(self));
        Ok(Self {
            requests: step("requests", |of| of.requests)?,
            transmissions: step("transmissions", |of| of.transmissions)?,
            timeouts: step("timeouts", |of| of.timeouts)?,
            sent: Bytes(step("bytes sent", |of| of.sent.0)?),
            received: Bytes(step("bytes received", |of| of.received.0)?),
            queued: Nanos(step("time queued", |of| of.queued.0)?),
            round_trip: Nanos(step("time of round trips", |of| of.round_trip.0)?),
            execution: Nanos(step("time of execution", |of| of.execution.0)?),
        })
    }

    /// Mean time between sending a request and its answer; `None` when there was none.
    pub fn mean_round_trip(&self) -> Option<Nanos> {
        self.round_trip.0.checked_div(self.requests).map(Nanos)
    }
}

/// Whether a file system of this type is an NFS client's.
pub fn is_nfs(kind: &str) -> bool {
    matches!(kind, "nfs" | "nfs4")
}

/// Mount point and type from a line `device D mounted on P with fstype T …`. Blanks within D and P
/// are escaped.
fn mounted(line: &str) -> Option<(&str, &str)> {
    line.strip_prefix("device ")
        .or_else(|| line.starts_with("no device mounted").then_some(line))?;
    let (_, rest) = line.split_once(" mounted on ")?;
    let (point, rest) = rest.split_once(" with fstype ")?;
    Some((point, rest.split(' ').next().unwrap_or(rest)))
}

fn millis(millis: u64) -> Nanos {
    Nanos(millis.saturating_mul(Nanos::MILLI.0))
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;

    /// Figures of a published sample: the test text of a public monitoring library.
    pub(in crate::facts::counters) const SAMPLE: &str = "\
device proc mounted on /proc with fstype proc
device /dev/sda1 mounted on / with fstype ext4
device 192.168.1.1:/srv/test mounted on /mnt/nfs/test with fstype nfs4 statvers=1.1
\topts:\trw,vers=4.0,rsize=1048576,wsize=1048576
\tage:\t13968
\tbytes:\t1207640230 0 0 0 1210214218 0 295483 0
\tRPC iostats version: 1.0  p/v: 100003/4 (nfs)
\tper-op statistics
\t        NULL: 0 0 0 0 0 0 0 0
\t        READ: 1298 1298 0 207680 1210292152 6 79386 79407
\t       WRITE: 0 0 0 0 0 0 0 0
";

    #[test]
    fn the_published_sample_is_read() {
        let io = NfsIo::parse(SAMPLE, "/mnt/nfs/test").unwrap();
        assert_eq!(io.normal_read, Bytes(1_207_640_230));
        assert_eq!(io.server_read, Bytes(1_210_214_218));
        assert_eq!((io.read_pages, io.written_pages), (295_483, 0));
        let read = io.read.unwrap();
        assert_eq!((read.requests, read.transmissions), (1298, 1298));
        assert_eq!(
            (read.sent, read.received),
            (Bytes(207_680), Bytes(1_210_292_152))
        );
        assert_eq!(read.execution, Nanos::from_secs_f64(79.407));
        // 79386 ms ÷ 1298 requests.
        assert_eq!(read.mean_round_trip(), Some(Nanos(61_160_246)));
        // The RPC's own bytes: 77934, or 60.04 a request; pages hold at least what was read.
        assert_eq!(read.received.0 - io.server_read.0, 77_934);
        assert!(io.read_pages * 4096 >= io.server_read.0);
        assert_eq!(io.write, Some(NfsRequests::default()));
    }

    #[test]
    fn read_ahead_does_not_make_negative_cache_hits() {
        let io = NfsIo::parse(SAMPLE, "/mnt/nfs/test").unwrap();
        let unclamped = 1.0 - io.server_read.0 as f64 / io.normal_read.0 as f64;
        assert!((unclamped + 0.002_131).abs() < 1e-6, "the sample's −0.21 %");
        assert_eq!(io.cache_hits(), Some(0.0));
    }

    #[test]
    fn cache_hits_count_normal_and_direct_reads() {
        let mut io = NfsIo {
            normal_read: Bytes(600),
            direct_read: Bytes(200),
            server_read: Bytes(200),
            ..NfsIo::default()
        };
        assert_eq!(io.cache_hits(), Some(0.75));
        io.server_read = Bytes(0);
        assert_eq!(io.cache_hits(), Some(1.0));
        assert_eq!(NfsIo::default().cache_hits(), None);
    }

    #[test]
    fn only_an_nfs_mount_at_the_point_counts_and_the_last_of_several() {
        let of = |text: &str, point: &str| NfsIo::parse(text, point).map(|io| io.normal_read.0);
        assert_eq!(
            of(SAMPLE, "/").unwrap_err().to_string(),
            "/proc/self/mountstats has no complete line for the bytes of an NFS mount at /"
        );
        let twice = format!("{SAMPLE}{}", SAMPLE.replace("1207640230", "7"));
        assert_eq!(of(&twice, "/mnt/nfs/test"), Ok(7));
        let hidden = format!("{SAMPLE}device x mounted on /mnt/nfs/test with fstype tmpfs\n");
        assert!(of(&hidden, "/mnt/nfs/test").is_err());
        let spaced = SAMPLE.replace("/mnt/nfs/test", r"/mnt/lamp\040room");
        assert_eq!(of(&spaced, "/mnt/lamp room"), Ok(1_207_640_230));
    }

    #[test]
    fn a_difference_covers_bytes_and_requests() {
        let before = NfsIo::parse(SAMPLE, "/mnt/nfs/test").unwrap();
        let later = SAMPLE
            .replace(
                "1207640230 0 0 0 1210214218",
                "1207640230 0 4096 0 1210218314",
            )
            .replace("READ: 1298 1298 0", "READ: 1299 1300 1");
        let after = NfsIo::parse(&later, "/mnt/nfs/test").unwrap();
        let interval = after.since(&before).unwrap();
        assert_eq!(
            (interval.direct_read, interval.server_read),
            (Bytes(4096), Bytes(4096))
        );
        let read = interval.read.unwrap();
        assert_eq!(
            (read.requests, read.transmissions, read.timeouts),
            (1, 2, 1)
        );
        assert_eq!(interval.cache_hits(), Some(0.0));
        let error = before.since(&after).unwrap_err();
        assert!(matches!(error, CounterError::Backwards { .. }), "{error}");
    }
}

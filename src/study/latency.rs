//! Latency of trials as an HdrHistogram interval log, an open format that other tools read.
//!
//! One line a trial, tagged `trial-N`, in version 1.3 of the format. Latencies are nanoseconds; the
//! column of maxima is in milliseconds, as is usual for such logs.

use std::collections::BTreeMap;
use std::io::Read;
use std::time::{Duration, SystemTime};

use base64::Engine as _;
use flate2::read::ZlibDecoder;
use hdrhistogram::Histogram;
use hdrhistogram::serialization::interval_log::{
    IntervalLogIterator, IntervalLogWriterBuilder, LogEntry, LogIteratorError, Tag,
};
use hdrhistogram::serialization::{Deserializer, V2DeflateSerializer};
use jiff::Timestamp;

use super::tables;

/// Latencies of trials, encoded until they are asked for.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct LatencyLog(BTreeMap<u64, String>);

/// Why a line of the log cannot be used.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("latency.hlog {place}: {why}; restore the file from a copy, or remove the line")]
pub struct LatencyError {
    place: String,
    why: String,
}

impl LatencyLog {
    /// Reads the whole lines of a log. Lines without a trial's tag are passed over.
    ///
    /// # Errors
    /// When a line is no line of an interval log.
    pub fn parse(bytes: &[u8]) -> Result<Self, LatencyError> {
        Self::parse_some(bytes, |_| true)
    }

    /// Reads of a log what it has of the trials that are `wanted`; their lines have to begin with their
    /// tags, as those of this program do.
    ///
    /// # Errors
    /// As [`LatencyLog::parse`].
    pub fn parse_some(bytes: &[u8], wanted: impl Fn(u64) -> bool) -> Result<Self, LatencyError> {
        let mut trials = BTreeMap::new();
        let lines = tables::whole(bytes).lines;
        let unwanted = |line: &[u8]| tagged(line).is_some_and(|trial| !wanted(trial));
        let some: Vec<u8>;
        let lines = match lines.split_inclusive(|byte| *byte == b'\n').any(unwanted) {
            false => lines,
            true => {
                // Remarks in their places, so that errors name the right lines.
                let each = lines.split_inclusive(|byte| *byte == b'\n');
                let each = each.map(|line| if unwanted(line) { b"#\n" } else { line });
                some = each.flatten().copied().collect();
                &some
            }
        };
        for entry in IntervalLogIterator::new(lines) {
            let entry = entry.map_err(|LogIteratorError::ParseError { offset }| LatencyError {
                place: format!("line {}", line_at(lines, offset)),
                why: "not a line of an interval log".into(),
            })?;
            if let LogEntry::Interval(interval) = entry
                && let Some(number) = interval.tag().and_then(|tag| number(tag.as_str()))
            {
                trials.insert(number, interval.encoded_histogram().to_owned());
            }
        }
        Ok(Self(trials))
    }

    /// The latency of trial number `trial` in nanoseconds, if the log has it.
    ///
    /// # Errors
    /// When the line is damaged.
    pub fn get(&self, trial: u64) -> Result<Option<Histogram<u64>>, LatencyError> {
        self.0
            .get(&trial)
            .map(|encoded| decode(trial, encoded))
            .transpose()
    }

    /// Adds what [`render`] made of trial number `trial`.
    pub fn insert(&mut self, trial: u64, rendered: &str) {
        let encoded = rendered.trim_end().rsplit(',').next().unwrap_or_default();
        self.0.insert(trial, encoded.to_owned());
    }

    /// Numbers of the trials in the log.
    pub fn trials(&self) -> impl Iterator<Item = u64> {
        self.0.keys().copied()
    }
}

/// The trial of whose tag a line begins.
fn tagged(line: &[u8]) -> Option<u64> {
    let tag = line.strip_prefix(b"Tag=")?;
    let end = tag.iter().position(|byte| *byte == b',')?;
    number(std::str::from_utf8(&tag[..end]).ok()?)
}

/// The number, from 1, of the line in which the byte at `offset` lies.
fn line_at(bytes: &[u8], offset: usize) -> usize {
    let before = bytes.iter().take(offset);
    before.filter(|byte| **byte == b'\n').count() + 1
}

fn number(tag: &str) -> Option<u64> {
    tag.strip_prefix("trial-")?.parse().ok()
}

fn decode(trial: u64, encoded: &str) -> Result<Histogram<u64>, LatencyError> {
    let fail = |why: String| LatencyError {
        place: format!("trial {trial}"),
        why,
    };
    let bytes = base64::engine::general_purpose::STANDARD
        .decode(encoded)
        .map_err(|error| fail(error.to_string()))?;
    let bytes = plain(&bytes).ok_or_else(|| fail("no histogram of latencies".into()))?;
    Deserializer::new()
        .deserialize(&mut bytes.as_slice())
        .map_err(|error| fail(error.to_string()))
}

/// Cookies of the V2 encoding and of its compressed form (HdrHistogram, `V2Encoding`).
const PLAIN: [u8; 4] = 0x1c84_9313_u32.to_be_bytes();
const COMPRESSED: [u8; 4] = 0x1c84_9314_u32.to_be_bytes();
/// Bytes before the counts of a V2 encoding.
const HEAD: usize = 40;
/// The most bytes of one; three digits over all nanoseconds take less.
const MOST: usize = 4 << 20;
/// The most significant digits: what this program writes.
const DIGITS: u32 = 3;

/// The V2 encoding of a histogram, decompressed; `None` when it would take more memory than one that
/// this program writes, or tells another length than it has. The library takes memory by what the
/// header tells.
fn plain(bytes: &[u8]) -> Option<Vec<u8>> {
    let mut plain = Vec::new();
    if bytes.starts_with(&COMPRESSED) {
        let inner = ZlibDecoder::new(bytes.get(8..)?);
        inner.take(MOST as u64 + 1).read_to_end(&mut plain).ok()?;
    } else {
        plain.extend(bytes);
    }
    let word = |at: usize| Some(u32::from_be_bytes(plain.get(at..at + 4)?.try_into().ok()?));
    let counts = plain.len().checked_sub(HEAD)?;
    let fits = plain.starts_with(&PLAIN)
        && plain.len() <= MOST
        && word(4)? as usize == counts
        && word(12)? <= DIGITS;
    fits.then_some(plain)
}

/// The text that a trial adds to a log: its line, under the log's head when the log is new.
pub fn render(
    trial: u64,
    started: Timestamp,
    seconds: f64,
    latency: &Histogram<u64>,
    new_log: bool,
) -> String {
    let mut text = Vec::new();
    let mut serializer = V2DeflateSerializer::new();
    let tag = format!("trial-{trial}");
    let since_epoch = Duration::from_secs_f64((started.as_millisecond() as f64 / 1e3).max(0.0));
    let mut builder = IntervalLogWriterBuilder::new();
    // The library takes a time of day to say so in the head; lines carry seconds since the epoch.
    builder
        .add_comment("[Histogram log format version 1.3]")
        .with_start_time(SystemTime::UNIX_EPOCH + since_epoch)
        .with_max_value_divisor(1e6);
    builder
        .begin_log_with(&mut text, &mut serializer)
        .and_then(|mut log| {
            let span = Duration::from_secs_f64(seconds.max(0.0));
            log.write_histogram(latency, since_epoch, span, Tag::new(&tag))
                .map_err(|error| std::io::Error::other(error.to_string()))
        })
        .expect("a histogram is written to memory");
    let text = String::from_utf8(text).expect("the log is text");
    match new_log {
        true => text,
        false => text
            .lines()
            .last()
            .map(|line| format!("{line}\n"))
            .unwrap_or_default(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::histogram;
    use flate2::{Compression, write::ZlibEncoder};
    use std::io::Write;

    #[test]
    fn what_is_written_reads_back() {
        let mut latency = histogram(3);
        for ns in [90_000, 4_170_000, 4_200_000, 60_000_000] {
            latency.record(ns).unwrap();
        }
        let started = "2026-03-02T08:00:00Z".parse().unwrap();
        let text = render(7, started, 20.0, &latency, true)
            + &render(8, started, 20.0, &latency, false)
            + "Tag=trial-9,17724";
        let log = LatencyLog::parse(text.as_bytes()).unwrap();
        assert_eq!(log.trials().collect::<Vec<_>>(), [7, 8]);
        let read = log.get(8).unwrap().unwrap();
        assert_eq!((read.len(), read.max()), (4, latency.max()));
        assert_eq!(log.get(9), Ok(None));
        assert!(text.starts_with("#[Histogram log format version 1.3]\n"));
    }

    /// Vector of the HdrHistogram C port, as its Python port tests it: 3 digits, 1 to 3.6e9,
    /// 10,000 values of 1,000 and one of 100,000,000: 10,001 in all. Its writer counts the header's
    /// 40 bytes into the length of the payload; the length is set to what follows before decoding.
    #[test]
    fn the_published_encoding_decodes() {
        let encoded = "HISTFAAAACl4nJNpmSzMwMBgyAABzFCaEURcm7yEwf4DROA8/4I5jNM7mJgAlWkH9g==";
        let outer = base64::engine::general_purpose::STANDARD
            .decode(encoded)
            .unwrap();
        let mut inner = Vec::new();
        ZlibDecoder::new(&outer[8..])
            .read_to_end(&mut inner)
            .unwrap();
        assert_eq!(inner[4..8], (inner.len() as u32).to_be_bytes());
        let payload = inner.len() as u32 - 40;
        inner[4..8].copy_from_slice(&payload.to_be_bytes());
        let histogram: Histogram<u64> = Deserializer::new()
            .deserialize(&mut inner.as_slice())
            .unwrap();
        assert_eq!((histogram.len(), histogram.sigfig()), (10_001, 3));
        assert_eq!((histogram.low(), histogram.high()), (1, 3_600_000_000));
        assert_eq!(histogram.count_at(1_000), 10_000);
        assert_eq!(histogram.count_at(100_000_000), 1);
    }

    #[test]
    fn a_line_of_another_kind_is_an_error_with_its_number() {
        let started = "2026-03-02T08:00:00Z".parse().unwrap();
        let good = render(7, started, 20.0, &histogram(3), true);
        let line = good.lines().count() + 1;
        let error = LatencyLog::parse(format!("{good}Tag=trial-8;oops\n").as_bytes()).unwrap_err();
        let expected = format!("latency.hlog line {line}: not a line");
        assert!(error.to_string().starts_with(&expected), "{error}");
    }

    /// The library takes memory by what a header tells, so that is looked at before.
    #[test]
    fn a_histogram_that_would_take_too_much_memory_is_refused() {
        let encode = |plain: &[u8]| {
            let mut encoder = ZlibEncoder::new(Vec::new(), Compression::best());
            encoder.write_all(plain).unwrap();
            let inner = encoder.finish().unwrap();
            let mut outer = COMPRESSED.to_vec();
            outer.extend((inner.len() as u32).to_be_bytes());
            outer.extend(inner);
            base64::engine::general_purpose::STANDARD.encode(outer)
        };
        let head = |length: u32, digits: u32| {
            let mut head = PLAIN.to_vec();
            head.extend(length.to_be_bytes());
            head.extend(0_u32.to_be_bytes());
            head.extend(digits.to_be_bytes());
            head.extend(1_u64.to_be_bytes());
            head.extend(3_600_000_000_u64.to_be_bytes());
            head.extend(1.0_f64.to_be_bytes());
            head
        };
        assert_eq!(decode(1, &encode(&head(0, 3))).unwrap().len(), 0);
        let bomb = [head(100 << 20, 3), vec![0; 100 << 20]].concat();
        for plain in [
            head(u32::MAX, 3),
            head(0, 5),
            bomb,
            b"HIST".to_vec(),
            Vec::new(),
        ] {
            let error = decode(1, &encode(&plain)).unwrap_err();
            assert!(error.to_string().contains("no histogram"), "{error}");
        }
    }

    #[test]
    fn damage_is_an_error_with_the_trial() {
        let error = decode(3, "HISTFAAA").unwrap_err();
        assert!(error.to_string().contains("trial 3"), "{error}");
    }
}

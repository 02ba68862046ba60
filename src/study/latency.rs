//! Latency of trials as an HdrHistogram interval log, an open format that other tools read.
//!
//! One line a trial, tagged `trial-N`, in version 1.3 of the format, and one for each rung of its control
//! reads, tagged `trial-N-RUNG`. Latencies are nanoseconds; the column of maxima is in milliseconds, as is
//! usual for such logs.

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
use crate::record::{Controls, Rung, histogram};
use crate::units::Nanos;

/// Latencies of trials, compressed until they are asked for: of those that are damaged, why.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct LatencyLog {
    trials: BTreeMap<u64, Encoded>,
    controls: BTreeMap<(u64, Rung), Encoded>,
}

/// A compressed histogram, or why there is none.
type Encoded = Result<Box<[u8]>, String>;

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
        let mut log = Self::default();
        let lines = tables::whole(bytes).lines;
        let unwanted = |line: &[u8]| tagged(line).is_some_and(|(trial, _)| !wanted(trial));
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
                && let Some(of) = interval.tag().and_then(|tag| of_tag(tag.as_str()))
            {
                log.put(of, interval.encoded_histogram());
            }
        }
        Ok(log)
    }

    fn put(&mut self, (trial, rung): (u64, Option<Rung>), encoded: &str) {
        let encoded = compressed(encoded);
        match rung {
            None => self.trials.insert(trial, encoded),
            Some(rung) => self.controls.insert((trial, rung), encoded),
        };
    }

    /// The latency of trial number `trial` in nanoseconds, if the log has it.
    ///
    /// # Errors
    /// When the line is damaged.
    pub fn get(&self, trial: u64) -> Result<Option<Histogram<u64>>, LatencyError> {
        self.trials
            .get(&trial)
            .map(|compressed| decode(trial, &encoding(trial, compressed)?))
            .transpose()
    }

    /// The latencies of trial number `trial` in nanoseconds, ascending, each the largest that its count
    /// stands for, with how often it was recorded: what [`Histogram::iter_recorded`] tells.
    ///
    /// # Errors
    /// As [`LatencyLog::get`].
    pub fn recorded(&self, trial: u64) -> Result<Option<Vec<(u64, u64)>>, LatencyError> {
        self.trials
            .get(&trial)
            .map(|compressed| Self::counts(trial, compressed))
            .transpose()
    }

    /// The control reads of trial number `trial`, each rung ascending; none where the log has none.
    ///
    /// # Errors
    /// As [`LatencyLog::get`].
    pub fn controls(&self, trial: u64) -> Result<Controls, LatencyError> {
        let mut controls = Controls::default();
        for rung in Rung::ALL {
            if let Some(compressed) = self.controls.get(&(trial, rung)) {
                let each = Self::counts(trial, compressed)?.into_iter();
                let each = each.flat_map(|(value, count)| (0..count).map(move |_| Nanos(value)));
                // More would be no control reads of this program.
                controls.of_mut(rung).extend(each.take(MOST_CONTROLS));
            }
        }
        Ok(controls)
    }

    fn counts(trial: u64, compressed: &Encoded) -> Result<Vec<(u64, u64)>, LatencyError> {
        let bytes = encoding(trial, compressed)?;
        if let Some(recorded) = recorded(&bytes) {
            return Ok(recorded);
        }
        let latency = decode(trial, &bytes)?;
        let values = latency.iter_recorded();
        let values = values.map(|value| (value.value_iterated_to(), value.count_at_value()));
        Ok(values.collect())
    }

    /// Adds what [`render`] made of a trial.
    pub fn insert(&mut self, rendered: &str) {
        for line in rendered.lines() {
            if let (Some(of), Some(encoded)) = (tagged(line.as_bytes()), line.rsplit(',').next()) {
                self.put(of, encoded);
            }
        }
    }

    /// Numbers of the trials in the log.
    pub fn trials(&self) -> impl Iterator<Item = u64> {
        self.trials.keys().copied()
    }
}

/// What a line's tag says that it is of.
fn tagged(line: &[u8]) -> Option<(u64, Option<Rung>)> {
    let tag = line.strip_prefix(b"Tag=")?;
    let end = tag.iter().position(|byte| *byte == b',')?;
    of_tag(std::str::from_utf8(&tag[..end]).ok()?)
}

/// The number, from 1, of the line in which the byte at `offset` lies.
fn line_at(bytes: &[u8], offset: usize) -> usize {
    let before = bytes.iter().take(offset);
    before.filter(|byte| **byte == b'\n').count() + 1
}

/// The trial, and the rung of its control reads if it is of these.
fn of_tag(tag: &str) -> Option<(u64, Option<Rung>)> {
    let rest = tag.strip_prefix("trial-")?;
    match rest.split_once('-') {
        None => Some((rest.parse().ok()?, None)),
        Some((trial, rung)) => Some((trial.parse().ok()?, Some(Rung::from_word(rung)?))),
    }
}

/// The bytes of a line's text, which takes a third more; or why there are none.
fn compressed(encoded: &str) -> Encoded {
    base64::engine::general_purpose::STANDARD
        .decode(encoded)
        .map(Vec::into_boxed_slice)
        .map_err(|error| error.to_string())
}

fn fail(trial: u64, why: impl Into<String>) -> LatencyError {
    LatencyError {
        place: format!("trial {trial}"),
        why: why.into(),
    }
}

/// The V2 encoding of a trial's histogram.
fn encoding(trial: u64, compressed: &Encoded) -> Result<Vec<u8>, LatencyError> {
    let bytes = compressed.as_ref().map_err(|why| fail(trial, why))?;
    plain(bytes).ok_or_else(|| fail(trial, "no histogram of latencies"))
}

fn decode(trial: u64, encoding: &[u8]) -> Result<Histogram<u64>, LatencyError> {
    Deserializer::new()
        .deserialize(&mut &*encoding)
        .map_err(|error| fail(trial, error.to_string()))
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
/// The most control reads of a rung.
const MOST_CONTROLS: usize = 4096;
/// Significant digits of their latencies.
const CONTROL_DIGITS: u8 = 3;
/// The largest value of the least step that is usual, in nanoseconds.
const SMALLEST: u64 = 1_000_000;

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

/// What is recorded in a V2 encoding as this program writes it: a byte or two for each count, and runs of
/// zeros in one number, so that the thousands of counts that are zero need not be gone through. `None`
/// leaves it to the library, which takes whatever this takes, to the same values.
fn recorded(plain: &[u8]) -> Option<Vec<(u64, u64)>> {
    let (head, mut counts) = plain.split_at_checked(HEAD)?;
    let word = |at: usize| Some(u32::from_be_bytes(head[at..at + 4].try_into().ok()?));
    let long = |at: usize| Some(u64::from_be_bytes(head[at..at + 8].try_into().ok()?));
    let (offset, digits, low, high) = (word(8)?, word(12)?, long(16)?, long(24)?);
    let usual = (1..=SMALLEST).contains(&low) && high >= 2 * low && digits <= DIGITS;
    if !usual || offset != 0 || f64::from_bits(long(32)?) != 1.0 {
        return None;
    }
    let unit = low.ilog2();
    // Values have so many steps up to twice the precision, and half as many in each doubling beyond.
    let half = (2 * 10_usize.pow(digits)).next_power_of_two() / 2;
    let mut recorded = Vec::with_capacity(counts.len());
    let mut index = 0_usize;
    while !counts.is_empty() {
        let number = number_of_groups(&mut counts)?;
        // The sign stands in the lowest bit.
        if number & 1 == 1 {
            index = index.checked_add((number >> 1) as usize + 1)?;
            if index > u32::MAX as usize {
                return None;
            }
            continue;
        }
        if number > 0 {
            let doublings = (index / half).saturating_sub(1);
            let step = index - doublings * half;
            let width = 1_u64.checked_shl(unit + u32::try_from(doublings).ok()?)?;
            let value = (step as u64 + 1).checked_mul(width)? - 1;
            if value - (width - 1) > high {
                return None;
            }
            recorded.push((value, number >> 1));
        }
        index += 1;
    }
    Some(recorded)
}

/// A number of seven bits a byte, the lowest first, all but the last with the eighth bit set; a ninth byte
/// counts whole.
fn number_of_groups(bytes: &mut &[u8]) -> Option<u64> {
    let mut number = 0;
    for group in 0..9 {
        let (byte, rest) = bytes.split_first()?;
        *bytes = rest;
        let last = group == 8 || *byte < 0x80;
        let bits = if group == 8 { *byte } else { byte & 0x7f };
        number |= u64::from(bits) << (7 * group);
        if last {
            break;
        }
    }
    Some(number)
}

/// The text that a trial adds to a log: its line and those of its control reads, under the log's head when
/// the log is new.
pub fn render(
    trial: u64,
    started: Timestamp,
    seconds: f64,
    latency: &Histogram<u64>,
    controls: &Controls,
    new_log: bool,
) -> String {
    let rungs = Rung::ALL.into_iter().filter_map(|rung| {
        let latencies = controls.of(rung);
        let mut of_rung = histogram(CONTROL_DIGITS);
        for latency in latencies {
            of_rung.saturating_record(latency.0);
        }
        (!latencies.is_empty()).then(|| (format!("trial-{trial}-{}", rung.word()), of_rung))
    });
    let rungs: Vec<_> = rungs.collect();
    let mut text = Vec::new();
    let mut serializer = V2DeflateSerializer::new();
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
            let tag = format!("trial-{trial}");
            let all = [(&tag, latency, seconds.max(0.0))].into_iter();
            let all = all.chain(rungs.iter().map(|(tag, of_rung)| (tag, of_rung, 0.0)));
            for (tag, latency, seconds) in all {
                let span = Duration::from_secs_f64(seconds);
                log.write_histogram(latency, since_epoch, span, Tag::new(tag))
                    .map_err(|error| std::io::Error::other(error.to_string()))?;
            }
            Ok(())
        })
        .expect("a histogram is written to memory");
    let text = String::from_utf8(text).expect("the log is text");
    match new_log {
        true => text,
        false => text
            .split_inclusive('\n')
            .filter(|line| line.starts_with("Tag="))
            .collect(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::seed::Seed;
    use flate2::{Compression, write::ZlibEncoder};
    use hdrhistogram::serialization::{Serializer, V2Serializer};
    use std::io::Write;

    fn of_trial(trial: u64, encoded: Encoded) -> LatencyLog {
        LatencyLog {
            trials: [(trial, encoded)].into(),
            ..LatencyLog::default()
        }
    }

    #[test]
    fn what_is_written_reads_back() {
        let mut latency = histogram(3);
        for ns in [90_000, 4_170_000, 4_200_000, 60_000_000] {
            latency.record(ns).unwrap();
        }
        let started = "2026-03-02T08:00:00Z".parse().unwrap();
        let controls = Controls {
            first: vec![Nanos(13_000_000), Nanos(9_000_000), Nanos(13_000_000)],
            again: vec![Nanos(300_000)],
            later: Vec::new(),
        };
        let text = render(7, started, 20.0, &latency, &controls, true)
            + &render(8, started, 20.0, &latency, &Controls::default(), false)
            + "Tag=trial-9,17724";
        let log = LatencyLog::parse(text.as_bytes()).unwrap();
        assert_eq!(log.trials().collect::<Vec<_>>(), [7, 8]);
        let read = log.get(8).unwrap().unwrap();
        assert_eq!((read.len(), read.max()), (4, latency.max()));
        assert_eq!(log.get(9), Ok(None));
        assert_eq!(log.controls(8), Ok(Controls::default()));
        let told = log.controls(7).unwrap();
        let near = |told: &[Nanos], stated: &[u64]| {
            told.len() == stated.len()
                && told
                    .iter()
                    .zip(stated)
                    .all(|(told, stated)| (told.0 as f64 / *stated as f64 - 1.0).abs() < 0.001)
        };
        assert!(near(&told.first, &[9_000_000, 13_000_000, 13_000_000]));
        assert!(near(&told.again, &[300_000]) && told.later.is_empty());
        let mut inserted = LatencyLog::default();
        let whole = text.lines().filter(|line| line.matches(',').count() > 2);
        whole.for_each(|line| inserted.insert(line));
        assert_eq!(inserted, log);
        let some = LatencyLog::parse_some(text.as_bytes(), |trial| trial == 8).unwrap();
        assert_eq!(some.controls(7), Ok(Controls::default()));
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
        let good = render(7, started, 20.0, &histogram(3), &Controls::default(), true);
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
        let log = |plain: &[u8]| of_trial(1, compressed(&encode(plain)));
        let decode = |plain: &[u8]| log(plain).get(1).map(Option::unwrap);
        assert_eq!(decode(&head(0, 3)).unwrap().len(), 0);
        let bomb = [head(100 << 20, 3), vec![0; 100 << 20]].concat();
        for plain in [
            head(u32::MAX, 3),
            head(0, 5),
            bomb,
            b"HIST".to_vec(),
            Vec::new(),
        ] {
            let error = decode(&plain).unwrap_err();
            assert_eq!(log(&plain).recorded(1), Err(error.clone()));
            assert!(error.to_string().contains("no histogram"), "{error}");
        }
    }

    /// Whatever is recorded and whichever byte of it is damaged.
    #[test]
    fn recorded_values_are_those_of_the_library() {
        let told = |plain: &[u8]| {
            let histogram: Histogram<u64> = Deserializer::new().deserialize(&mut &*plain).ok()?;
            let values = histogram.iter_recorded();
            let values = values.map(|value| (value.value_iterated_to(), value.count_at_value()));
            Some(values.collect::<Vec<_>>())
        };
        let mut rng = Seed(17).rng();
        let mut taken = 0;
        for digits in [2, 3] {
            for size in 0..60_u32 {
                let mut latency = histogram(digits);
                for _ in 0..size * size {
                    let value = rng.u64(..1_000_000_000_000) >> rng.u32(0..40);
                    latency.saturating_record_n(value, 1 + (rng.u64(..) >> rng.u32(40..64)));
                }
                let mut plain = Vec::new();
                let mut serializer = V2Serializer::new();
                serializer.serialize(&latency, &mut plain).unwrap();
                assert_eq!(recorded(&plain), told(&plain), "seed 17, size {size}");
                assert_eq!(recorded(&plain).unwrap().len() as u64 > 0, size > 0);
                for _ in 0..20 {
                    let mut damaged = plain.clone();
                    let place = rng.usize(8..damaged.len());
                    damaged[place] = rng.u8(..);
                    let Some(values) = recorded(&damaged) else {
                        continue;
                    };
                    taken += 1;
                    if let Some(told) = told(&damaged) {
                        assert_eq!(values, told, "seed 17, size {size}, byte {place}");
                    } else {
                        panic!("seed 17, size {size}, byte {place}: the library refuses it");
                    }
                }
            }
        }
        assert!(taken > 100, "{taken}");
    }

    #[test]
    fn damage_is_an_error_with_the_trial() {
        let error = of_trial(3, compressed("HISTFAAA")).get(3).unwrap_err();
        assert!(error.to_string().contains("trial 3"), "{error}");
    }
}

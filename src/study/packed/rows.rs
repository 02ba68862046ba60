//! Which numbers say all of a window, a reading, a probe. Those that change from row to row stand first.

use jiff::Timestamp;

use super::{Bits, Pack, Texts};
use crate::reshape::{Extent, Source, Word};
use crate::study::{ProbeRow, ProgressRow, WindowRow};

impl Pack for WindowRow {
    type Numbers = [u64; 9];
    const COUNTS: usize = 9;

    fn pack(&self, _: &mut Texts) -> Self::Numbers {
        let mut bits = Bits::default();
        bits.put(u64::from(self.warmup), 1);
        let [mean, p50, max] = [self.mean_ns, self.p50_ns, self.max_ns].map(|ns| bits.put_some(ns));
        // Blocks of one size: their bytes follow from how many there were.
        let [read, written] = [self.read_bytes, self.written_bytes].map(|bytes| {
            let whole = self.operations > 0 && bytes.is_multiple_of(self.operations);
            bits.put(u64::from(whole), 1);
            if whole {
                bytes / self.operations
            } else {
                bytes
            }
        });
        let operations = self.operations;
        let bits = bits.number();
        [
            self.window,
            operations,
            mean,
            p50,
            max,
            read,
            written,
            bits,
            self.trial,
        ]
    }

    fn unpack(numbers: &Self::Numbers, _: &Texts) -> Self {
        let [
            window,
            operations,
            mean,
            p50,
            max,
            read,
            written,
            bits,
            trial,
        ] = *numbers;
        let mut bits = Bits::of(bits);
        let warmup = bits.take(1) == 1;
        let [mean_ns, p50_ns, max_ns] = [mean, p50, max].map(|ns| bits.take_some(ns));
        let mut bytes = |number: u64| match bits.take(1) {
            1 => number * operations,
            _ => number,
        };
        Self {
            trial,
            window,
            read_bytes: bytes(read),
            written_bytes: bytes(written),
            operations,
            mean_ns,
            p50_ns,
            max_ns,
            warmup,
        }
    }
}

impl Pack for ProgressRow {
    type Numbers = [u64; 10];
    const COUNTS: usize = 5;

    fn pack(&self, texts: &mut Texts) -> Self::Numbers {
        let mut bits = Bits::default();
        bits.put(u64::from(self.simulated), 1);
        bits.put(place(&Source::ALL, &self.source), 4);
        bits.put(place(&Word::ALL, &self.state), 4);
        bits.put(self.counts.map_or(0, |it| 1 + place(&Extent::ALL, &it)), 4);
        bits.put(self.probed.map_or(0, |probed| 1 + u64::from(probed)), 2);
        let members = bits.put_some(self.members_read_bytes);
        let figures = [
            self.fraction,
            self.elapsed_s,
            self.done,
            self.total,
            self.speed_bytes_per_s,
        ];
        let [fraction, elapsed, done, total, speed] =
            figures.map(|figure| bits.put_some(figure.map(f64::to_bits)));
        let (bits, note) = (bits.number(), texts.number(&self.note));
        let (second, nanos) = moment(self.at);
        [
            second, members, bits, nanos, note, fraction, elapsed, done, total, speed,
        ]
    }

    fn unpack(numbers: &Self::Numbers, texts: &Texts) -> Self {
        let [second, members, bits, nanos, note, figures @ ..] = *numbers;
        let mut bits = Bits::of(bits);
        let simulated = bits.take(1) == 1;
        let source = Source::ALL[bits.take(4) as usize];
        let state = Word::ALL[bits.take(4) as usize];
        let counts = (bits.take(4) as usize).checked_sub(1);
        let probed = bits.take(2).checked_sub(1).map(|probed| probed == 1);
        let members_read_bytes = bits.take_some(members);
        let [fraction, elapsed_s, done, total, speed_bytes_per_s] =
            figures.map(|figure| bits.take_some(figure).map(f64::from_bits));
        Self {
            at: at(second, nanos),
            simulated,
            source,
            state,
            fraction,
            done,
            total,
            counts: counts.map(|place| Extent::ALL[place]),
            speed_bytes_per_s,
            elapsed_s,
            probed,
            members_read_bytes,
            note: texts.text(note).to_owned(),
        }
    }
}

impl Pack for ProbeRow {
    type Numbers = [u64; 17];
    const COUNTS: usize = 11;

    fn pack(&self, texts: &mut Texts) -> Self::Numbers {
        let mut bits = Bits::default();
        bits.put(u64::from(self.simulated), 1);
        let [mean, p50, max] = [self.mean_ns, self.p50_ns, self.max_ns].map(|ns| bits.put_some(ns));
        let figures = [
            self.reshape_fraction,
            self.reshape_fraction_per_h,
            self.period_s,
            self.rate_bytes_per_s,
        ];
        let [fraction, per_h, period, rate] =
            figures.map(|figure| bits.put_some(figure.map(f64::to_bits)));
        let [seconds, busy] = [self.seconds, self.busy_fraction].map(f64::to_bits);
        let (kind, cause) = (texts.number(&self.kind), texts.number(&self.cause));
        let (second, nanos) = moment(self.at);
        let (operations, missed) = (self.operations, self.missed_operations);
        let next = self.next_operation;
        let bits = bits.number();
        [
            second, mean, p50, max, next, operations, missed, bits, nanos, kind, cause, fraction,
            busy, per_h, seconds, period, rate,
        ]
    }

    fn unpack(numbers: &Self::Numbers, texts: &Texts) -> Self {
        let [
            second,
            mean,
            p50,
            max,
            next,
            operations,
            missed,
            bits,
            nanos,
            kind,
            cause,
            fraction,
            busy,
            per_h,
            seconds,
            period,
            rate,
        ] = *numbers;
        let mut bits = Bits::of(bits);
        let simulated = bits.take(1) == 1;
        let [mean_ns, p50_ns, max_ns] = [mean, p50, max].map(|ns| bits.take_some(ns));
        let [
            reshape_fraction,
            reshape_fraction_per_h,
            period_s,
            rate_bytes_per_s,
        ] = [fraction, per_h, period, rate]
            .map(|figure| bits.take_some(figure).map(f64::from_bits));
        Self {
            at: at(second, nanos),
            simulated,
            kind: texts.text(kind).to_owned(),
            reshape_fraction,
            reshape_fraction_per_h,
            seconds: f64::from_bits(seconds),
            period_s,
            operations,
            missed_operations: missed,
            busy_fraction: f64::from_bits(busy),
            rate_bytes_per_s,
            mean_ns,
            p50_ns,
            max_ns,
            next_operation: next,
            cause: texts.text(cause).to_owned(),
        }
    }
}

/// The place of `one` among `all`.
fn place<T: PartialEq>(all: &[T], one: &T) -> u64 {
    all.iter().take_while(|other| *other != one).count() as u64
}

/// A moment as its second and the nanoseconds in it, both of the same sign.
fn moment(at: Timestamp) -> (u64, u64) {
    let nanos = i64::from(at.subsec_nanosecond());
    (at.as_second().cast_unsigned(), nanos.cast_unsigned())
}

fn at(second: u64, nanos: u64) -> Timestamp {
    let nanos = i32::try_from(nanos.cast_signed()).unwrap_or_default();
    Timestamp::new(second.cast_signed(), nanos).expect("it was a moment when it was packed")
}

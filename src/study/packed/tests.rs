use jiff::Timestamp;
use proptest::prelude::*;

use super::*;
use crate::reshape::{Extent, Source, Word};
use crate::study::{ProbeRow, ProgressRow, WindowRow};

fn figure() -> impl Strategy<Value = Option<f64>> {
    let numbers = prop_oneof![
        Just(f64::NAN),
        Just(-0.0),
        Just(f64::NEG_INFINITY),
        Just(60.0),
        any::<f64>()
    ];
    prop::option::of(numbers)
}

fn count() -> impl Strategy<Value = Option<u64>> {
    prop_oneof![
        Just(None),
        Just(Some(0)),
        Just(Some(u64::MAX)),
        any::<Option<u64>>()
    ]
}

fn moment() -> impl Strategy<Value = Timestamp> {
    let (first, last) = (
        Timestamp::MIN.as_nanosecond(),
        Timestamp::MAX.as_nanosecond(),
    );
    let any = (first..=last).prop_map(|nanos| Timestamp::from_nanosecond(nanos).unwrap());
    prop_oneof![any, Just(Timestamp::MIN), Just(Timestamp::MAX)]
}

fn text() -> impl Strategy<Value = String> {
    prop_oneof![
        Just(String::new()),
        Just("no route".to_owned()),
        "\\PC{0,6}"
    ]
}

prop_compose! {
    fn reading()(
        at in moment(),
        words in (any::<bool>(), 0..Source::ALL.len(), 0..Word::ALL.len(), 0..=Extent::ALL.len()),
        places in (figure(), figure(), figure()),
        pace in (figure(), figure()),
        probed in any::<Option<bool>>(),
        members_read_bytes in count(),
        note in text(),
    ) -> ProgressRow {
        ProgressRow {
            at,
            simulated: words.0,
            source: Source::ALL[words.1],
            state: Word::ALL[words.2],
            fraction: places.0,
            done: places.1,
            total: places.2,
            counts: Extent::ALL.get(words.3).copied(),
            speed_bytes_per_s: pace.0,
            elapsed_s: pace.1,
            probed,
            members_read_bytes,
            note,
        }
    }
}

prop_compose! {
    fn probe()(
        at in moment(),
        texts in (any::<bool>(), text(), text()),
        reshape in (figure(), figure()),
        spans in (any::<f64>(), figure(), any::<f64>(), figure()),
        counts in (any::<u64>(), any::<u64>(), any::<u64>()),
        latency in (count(), count(), count()),
    ) -> ProbeRow {
        ProbeRow {
            at,
            simulated: texts.0,
            kind: texts.1,
            reshape_fraction: reshape.0,
            reshape_fraction_per_h: reshape.1,
            seconds: spans.0,
            period_s: spans.1,
            operations: counts.0,
            missed_operations: counts.1,
            busy_fraction: spans.2,
            rate_bytes_per_s: spans.3,
            mean_ns: latency.0,
            p50_ns: latency.1,
            max_ns: latency.2,
            next_operation: counts.2,
            cause: texts.2,
        }
    }
}

prop_compose! {
    fn window()(
        (trial, window) in any::<(u64, u64)>(),
        operations in prop_oneof![Just(0), 1..1000_u64, any::<u64>()],
        block in prop_oneof![Just(0), Just(4096), any::<u64>()],
        written_bytes in any::<u64>(),
        latency in (count(), count(), count()),
        warmup in any::<bool>(),
    ) -> WindowRow {
        WindowRow {
            trial,
            window,
            read_bytes: operations.wrapping_mul(block),
            written_bytes,
            operations,
            mean_ns: latency.0,
            p50_ns: latency.1,
            max_ns: latency.2,
            warmup,
        }
    }
}

/// Whatever the rows, they come out as they were, to the bit, from either end and from any place. Equal to
/// the bit is what prints the same: a figure that is no number is not equal to itself.
fn all_come_out<Row: Pack + Clone + fmt::Debug>(rows: &[Row], from: usize, to: usize) {
    let packed: Packed<Row> = rows.iter().cloned().collect();
    let print = |rows: &mut dyn Iterator<Item = Row>| {
        rows.map(|row| format!("{row:?}")).collect::<Vec<_>>()
    };
    let wanted = print(&mut rows.iter().cloned());
    assert_eq!(packed.len(), rows.len());
    assert_eq!(print(&mut packed.iter()), wanted);
    let mut turned = print(&mut packed.iter().rev());
    turned.reverse();
    assert_eq!(turned, wanted);
    let (from, to) = (from.min(rows.len()), to.min(rows.len()));
    assert_eq!(print(&mut packed.span(from..to)), wanted[from.min(to)..to]);
    assert_eq!(print(&mut packed.iter().skip(from)), wanted[from..]);
    let mut both = packed.iter();
    for place in 0..from {
        assert_eq!(both.len(), rows.len() - place);
        let next = if place % 3 == 0 {
            both.next_back()
        } else {
            both.next()
        };
        assert!(next.is_some());
    }
    assert_eq!(both.len(), rows.len() - from);
    assert_eq!(
        print(&mut packed.first().into_iter()),
        wanted[..rows.len().min(1)]
    );
    assert_eq!(
        print(&mut packed.last().into_iter()),
        wanted[rows.len().saturating_sub(1)..]
    );
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    #[test]
    fn readings_come_out_as_they_were(
        rows in prop::collection::vec(reading(), 0..400), from in 0..400_usize, to in 0..400_usize
    ) {
        all_come_out(&rows, from, to);
    }

    #[test]
    fn probes_come_out_as_they_were(
        rows in prop::collection::vec(probe(), 0..400), from in 0..400_usize, to in 0..400_usize
    ) {
        all_come_out(&rows, from, to);
    }

    #[test]
    fn windows_come_out_as_they_were(
        rows in prop::collection::vec(window(), 0..400), from in 0..400_usize, to in 0..400_usize
    ) {
        all_come_out(&rows, from, to);
    }
}

/// Bytes that a row takes, of ordinary ones.
fn bytes_each<Row: Pack>(row: impl Fn(u64) -> Row) -> usize {
    let packed: Packed<Row> = (0..2_000).map(row).collect();
    packed.bytes.len().div_ceil(packed.len())
}

/// A study of a year has 500,000 readings, half as many probes, and ten times as many windows.
#[test]
fn ordinary_rows_are_small() {
    let mut rng = crate::seed::Seed(5).child("packed", 0).rng();
    let noise: Vec<u64> = (0..2_000).map(|_| rng.u64(..1_000_000)).collect();
    let noise = |index: u64| noise[index as usize];
    let at = |index: u64| Timestamp::from_second(1_772_438_400 + 60 * index as i64).unwrap();
    let reading = |index| ProgressRow {
        at: at(index),
        simulated: false,
        source: Source::Percent,
        state: Word::Running,
        fraction: Some((index as f64 * 2e-6 * 1e7).round() / 1e7),
        done: None,
        total: None,
        counts: None,
        speed_bytes_per_s: None,
        elapsed_s: Some(60.0),
        probed: Some(index % 2 == 1),
        members_read_bytes: Some(6_000_000_000 * index + noise(index)),
        note: String::new(),
    };
    assert!(bytes_each(reading) <= 22, "{}", bytes_each(reading));
    let probe = |index| ProbeRow {
        at: at(2 * index),
        simulated: false,
        kind: ProbeRow::SMALL.to_owned(),
        reshape_fraction: Some(index as f64 / 7e5),
        reshape_fraction_per_h: Some(1.2e-4),
        seconds: 60.0,
        period_s: Some(1.5),
        operations: 40,
        missed_operations: 0,
        busy_fraction: noise(index) as f64 / 3e7,
        rate_bytes_per_s: None,
        mean_ns: Some(15_000_000 + noise(index)),
        p50_ns: Some(13_000_000 + noise(index)),
        max_ns: Some(45_000_000 + noise(index)),
        next_operation: 40 * index,
        cause: String::new(),
    };
    assert!(bytes_each(probe) <= 40, "{}", bytes_each(probe));
    let window = |index| WindowRow {
        trial: 1,
        window: index,
        read_bytes: (230 + index % 7) << 20,
        written_bytes: 0,
        operations: 230 + index % 7,
        mean_ns: Some(34_000_000 + noise(index)),
        p50_ns: Some(31_000_000 + noise(index)),
        max_ns: Some(120_000_000 + noise(index)),
        warmup: false,
    };
    assert!(bytes_each(window) <= 14, "{}", bytes_each(window));
}

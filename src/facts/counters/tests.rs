//! Two readings compared, and texts that nobody should have written.

use proptest::prelude::*;

use super::*;
use crate::facts::{interface, route};
use crate::units::Bytes;

fn reading(at: Nanos) -> Counters {
    let names = ["sda", "sdb"].map(str::to_owned);
    let drives = DriveIo::parse(drive::tests::SAMPLE, &names);
    Counters {
        at,
        counted: Counted {
            process: Some(ProcessIo::parse(process::tests::SAMPLE).unwrap()),
            nfs: None,
            link: Some(LinkIo::parse(link::tests::SAMPLE, "lan0").unwrap()),
            drives: drives.into_iter().map(Result::unwrap).collect(),
            cores: CoreTime::parse(self::core::tests::SAMPLE).unwrap(),
            io_pressure: Some(
                Pressure::parse(pressure::tests::SAMPLE, "/proc/pressure/io").unwrap(),
            ),
            cpu_pressure: None,
        },
        memory: Some(Memory::parse(memory::tests::SAMPLE).unwrap()),
        missing: vec!["cpu pressure: not in this kernel".into()],
    }
}

#[test]
fn a_difference_has_what_both_readings_have() {
    let before = reading(Nanos::SECOND);
    let mut after = reading(Nanos(3 * Nanos::SECOND.0));
    after.counted.link.as_mut().unwrap().received.0 += 3000;
    after.counted.drives[0].busy_ms += 1000;
    after.counted.cores[1].busy += 19;
    after.counted.cores[1].idle += 1;
    let deltas = difference(&before, &after);
    assert_eq!(deltas.elapsed, Nanos(2 * Nanos::SECOND.0));
    assert_eq!(deltas.counted.link.as_ref().unwrap().received, Bytes(3000));
    assert_eq!(deltas.counted.process, Some(ProcessIo::default()));
    assert_eq!(
        deltas.counted.drives[0].utilisation(deltas.elapsed),
        Some(0.5)
    );
    assert_eq!(deltas.cores_above(FULL_CORE), [(1, 0.95)]);
    assert_eq!(deltas.cores_above(0.95), []);
    let memory = before.memory.unwrap();
    assert_eq!(deltas.memory, Some((memory, memory)));
    assert_eq!(deltas.counted.nfs, None);
    assert_eq!(deltas.missing, before.missing, "a reason is given once");
    assert_eq!(deltas.wrapped, [""; 0]);
}

#[test]
fn what_was_reset_wrapped_or_went_away_is_said() {
    let before = reading(Nanos::SECOND);
    let mut after = reading(Nanos(0));
    after.missing.clear();
    after.counted.link.as_mut().unwrap().sent = Bytes(0);
    after.counted.drives[1].write_ms = 4;
    after.counted.drives.remove(0);
    after.counted.cores[0].core = 7;
    let deltas = difference(&before, &after);
    assert_eq!(deltas.elapsed, Nanos(0));
    assert_eq!(deltas.counted.link, None);
    assert_eq!(deltas.wrapped, ["drive sdb: time writing"]);
    assert_eq!(deltas.counted.drives[0].write_ms, 10);
    assert_eq!(
        deltas.missing,
        [
            "cpu pressure: not in this kernel",
            "link: bytes sent went back from 268116 to 0: it was reset, and what it counted is unknown",
            "drive sda: gone at the end of the interval",
            "core 0: gone at the end of the interval",
            "core 7: not there at the start of the interval",
        ]
    );
}

/// Feeds a text to every parser; only the absence of a panic counts.
fn feed(text: &str) {
    let name = text.split_whitespace().next().unwrap_or("sda").to_owned();
    let _ = ProcessIo::parse(text);
    let _ = LinkIo::parse(text, "lan0");
    let _ = LinkIo::parse(text, name.trim_end_matches(':'));
    let _ = DriveIo::parse(text, &["sda".to_owned(), name]);
    let _ = CoreTime::parse(text);
    let _ = Pressure::parse(text, "/proc/pressure/io");
    let _ = Memory::parse(text);
    let _ = unescape(text);
    if let Ok(io) = NfsIo::parse(text, "/mnt/nfs/test") {
        let hits = io.cache_hits();
        assert!(hits.is_none_or(|hits| (0.0..=1.0).contains(&hits)));
    }
    for server in ["198.51.100.7", "2001:db8::7"] {
        let _ = interface(server.parse().unwrap(), text, text);
    }
}

fn samples() -> Vec<&'static str> {
    vec![
        process::tests::SAMPLE,
        nfs::tests::SAMPLE,
        link::tests::SAMPLE,
        drive::tests::SAMPLE,
        self::core::tests::SAMPLE,
        pressure::tests::SAMPLE,
        memory::tests::SAMPLE,
        route::tests::V4,
        route::tests::V6,
    ]
}

proptest! {
    #[test]
    fn no_text_makes_a_parser_panic(text in any::<String>()) {
        feed(&text);
    }

    #[test]
    fn no_damage_to_a_real_text_makes_a_parser_panic(
        sample in proptest::sample::select(samples()),
        at: proptest::sample::Index,
        end: proptest::sample::Index,
        by in "[0-9 :\n\\\\é-]{0,24}",
    ) {
        let (at, end) = (at.index(sample.len() + 1), end.index(sample.len() + 1));
        let (at, end) = (at.min(end), at.max(end));
        feed(&format!("{}{by}{}", &sample[..at], &sample[end..]));
        feed(&sample[..at]);
    }

    #[test]
    fn a_cut_never_makes_another_number(at in 0..process::tests::SAMPLE.len()) {
        prop_assert!(ProcessIo::parse(&process::tests::SAMPLE[..at]).is_err());
    }

    #[test]
    fn a_difference_of_anything_is_an_answer(values in proptest::collection::vec(any::<u64>(), 24)) {
        let reading = |v: &[u64]| Counters {
            at: Nanos(v[0]),
            counted: Counted {
            nfs: Some(NfsIo {
                normal_read: Bytes(v[1]),
                server_read: Bytes(v[2]),
                ..NfsIo::default()
            }),
            drives: vec![DriveIo {
                name: "sda".into(),
                sectors_read: v[3],
                read_ms: v[4],
                reads: v[5],
                busy_ms: v[6],
                ..DriveIo::default()
            }],
            cores: vec![CoreTime { core: 0, busy: v[7], idle: v[8] }],
            ..Counted::default()
            },
            ..Counters::default()
        };
        let deltas = difference(&reading(&values[..12]), &reading(&values[12..]));
        for core in &deltas.counted.cores {
            prop_assert!(core.busy_fraction().is_none_or(|busy| (0.0..=1.0).contains(&busy)));
        }
        for drive in &deltas.counted.drives {
            let busy = drive.utilisation(deltas.elapsed);
            prop_assert!(busy.is_none_or(|busy| (0.0..=1.0).contains(&busy)));
            let _ = (drive.bytes_read(), drive.mean_read_time());
        }
        let known = [deltas.counted.nfs.is_some(), !deltas.counted.drives.is_empty(), !deltas.counted.cores.is_empty()];
        let lost = known.iter().filter(|known| !**known).count();
        prop_assert_eq!(deltas.missing.len(), lost);
    }
}

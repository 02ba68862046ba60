//! Texts of real arrays, recorded in `tests/lab/texts` from emulated machines (Debian's kernel 6.1, mdadm 4.2,
//! btrfs-progs 6.2): what the parsers say of each.

use poolproof::reshape::{Source, Word};

/// A moment's name, its text, which of several arrays is meant, and what it tells of a reshape, by what was done
/// to the array when it was recorded.
type Moment = (&'static str, &'static str, Option<&'static str>, Word);

const ARRAYS: [Moment; 23] = [
    (
        "clean",
        include_str!("../lab/texts/clean.mdstat"),
        None,
        Word::Absent,
    ),
    (
        "check",
        include_str!("../lab/texts/check.mdstat"),
        None,
        Word::Other,
    ),
    (
        "repair",
        include_str!("../lab/texts/repair.mdstat"),
        None,
        Word::Other,
    ),
    (
        "resync",
        include_str!("../lab/texts/resync.mdstat"),
        None,
        Word::Other,
    ),
    (
        "recover",
        include_str!("../lab/texts/recover.mdstat"),
        None,
        Word::Other,
    ),
    (
        "spare",
        include_str!("../lab/texts/spare.mdstat"),
        None,
        Word::Absent,
    ),
    (
        "failed",
        include_str!("../lab/texts/failed.mdstat"),
        None,
        Word::Absent,
    ),
    (
        "broken",
        include_str!("../lab/texts/broken.mdstat"),
        None,
        Word::Absent,
    ),
    (
        "read-only",
        include_str!("../lab/texts/read-only.mdstat"),
        None,
        Word::Absent,
    ),
    (
        "inactive",
        include_str!("../lab/texts/inactive.mdstat"),
        None,
        Word::Absent,
    ),
    (
        "reshape",
        include_str!("../lab/texts/reshape.mdstat"),
        None,
        Word::Running,
    ),
    (
        "degraded-reshape",
        include_str!("../lab/texts/degraded-reshape.mdstat"),
        None,
        Word::Running,
    ),
    (
        "raid0-grow",
        include_str!("../lab/texts/raid0-grow.mdstat"),
        None,
        Word::Running,
    ),
    (
        "raid5-to-6",
        include_str!("../lab/texts/raid5-to-6.mdstat"),
        None,
        Word::Running,
    ),
    (
        "raid10-grow",
        include_str!("../lab/texts/raid10-grow.mdstat"),
        None,
        Word::Running,
    ),
    (
        "delayed",
        include_str!("../lab/texts/delayed.mdstat"),
        Some("md1"),
        Word::Running,
    ),
    (
        "delayed",
        include_str!("../lab/texts/delayed.mdstat"),
        Some("md2"),
        Word::Waiting,
    ),
    (
        "delayed-alone",
        include_str!("../lab/texts/delayed-alone.mdstat"),
        Some("md1"),
        Word::Other,
    ),
    (
        "delayed-alone",
        include_str!("../lab/texts/delayed-alone.mdstat"),
        Some("md2"),
        Word::Waiting,
    ),
    // The new half of a mirror is filled by what the kernel calls a recovery.
    (
        "raid1-grow",
        include_str!("../lab/texts/raid1-grow.mdstat"),
        None,
        Word::Running,
    ),
    // In mid-reshape, waiting until something is written to the array.
    (
        "power-cut",
        include_str!("../lab/texts/power-cut.mdstat"),
        None,
        Word::Waiting,
    ),
    // In mid-reshape, held by hand.
    (
        "frozen",
        include_str!("../lab/texts/frozen.mdstat"),
        None,
        Word::Paused,
    ),
    // Two members are lost: nothing moves, though percent and speed still stand there.
    (
        "broken-reshape",
        include_str!("../lab/texts/broken-reshape.mdstat"),
        None,
        Word::Paused,
    ),
];

const BALANCES: [Moment; 3] = [
    (
        "balance-running",
        include_str!("../lab/texts/balance-running.btrfs"),
        None,
        Word::Running,
    ),
    (
        "balance-paused",
        include_str!("../lab/texts/balance-paused.btrfs"),
        None,
        Word::Paused,
    ),
    (
        "balance-none",
        include_str!("../lab/texts/balance-none.btrfs"),
        None,
        Word::Absent,
    ),
];

/// Moments that are misread: who mends one takes it from the list.
const MISREAD: [&str; 4] = ["raid1-grow", "power-cut", "frozen", "broken-reshape"];

/// Moments that `source` takes for something else.
fn misread(source: Source, moments: &[Moment]) -> Vec<&'static str> {
    moments
        .iter()
        .filter(|(_, text, array, word)| {
            let read = source.read(text, *array);
            read.map(|reported| reported.word) != Ok(*word)
        })
        .map(|(moment, ..)| *moment)
        .collect()
}

#[test]
fn recorded_arrays_are_read_as_what_they_were() {
    assert_eq!(misread(Source::Mdstat, &ARRAYS), MISREAD);
}

#[test]
fn recorded_balances_are_read_as_what_they_were() {
    assert_eq!(misread(Source::Btrfs, &BALANCES), Vec::<&str>::new());
}

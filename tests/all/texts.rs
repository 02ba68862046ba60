//! Texts of real arrays, recorded in `tests/lab/texts` from emulated machines (Debian's kernel 6.1, mdadm 4.2):
//! what the parser says of each.

use poolproof::reshape::{Source, Word};

/// What each moment's `/proc/mdstat` tells of a reshape, by what was done to the array when it was recorded.
const MOMENTS: [(&str, &str, Word); 18] = [
    (
        "clean",
        include_str!("../lab/texts/clean.mdstat"),
        Word::Absent,
    ),
    (
        "check",
        include_str!("../lab/texts/check.mdstat"),
        Word::Other,
    ),
    (
        "repair",
        include_str!("../lab/texts/repair.mdstat"),
        Word::Other,
    ),
    (
        "resync",
        include_str!("../lab/texts/resync.mdstat"),
        Word::Other,
    ),
    (
        "recover",
        include_str!("../lab/texts/recover.mdstat"),
        Word::Other,
    ),
    (
        "spare",
        include_str!("../lab/texts/spare.mdstat"),
        Word::Absent,
    ),
    (
        "failed",
        include_str!("../lab/texts/failed.mdstat"),
        Word::Absent,
    ),
    (
        "broken",
        include_str!("../lab/texts/broken.mdstat"),
        Word::Absent,
    ),
    (
        "read-only",
        include_str!("../lab/texts/read-only.mdstat"),
        Word::Absent,
    ),
    (
        "reshape",
        include_str!("../lab/texts/reshape.mdstat"),
        Word::Running,
    ),
    (
        "reshape-raid5",
        include_str!("../lab/texts/reshape-raid5.mdstat"),
        Word::Running,
    ),
    (
        "reshape-degraded",
        include_str!("../lab/texts/reshape-degraded.mdstat"),
        Word::Running,
    ),
    (
        "raid0-grow",
        include_str!("../lab/texts/raid0-grow.mdstat"),
        Word::Running,
    ),
    (
        "raid5-to-6",
        include_str!("../lab/texts/raid5-to-6.mdstat"),
        Word::Running,
    ),
    (
        "raid10-grow",
        include_str!("../lab/texts/raid10-grow.mdstat"),
        Word::Running,
    ),
    // The new half of a mirror is filled by what the kernel calls a recovery.
    (
        "mirror-growth",
        include_str!("../lab/texts/mirror-growth.mdstat"),
        Word::Running,
    ),
    // In mid-reshape, waiting until something is written to the array.
    (
        "power-cut",
        include_str!("../lab/texts/power-cut.mdstat"),
        Word::Waiting,
    ),
    // In mid-reshape, held by hand.
    (
        "frozen",
        include_str!("../lab/texts/frozen.mdstat"),
        Word::Paused,
    ),
];

/// Moments that are misread: who mends one takes it from the list.
const MISREAD: [&str; 3] = ["mirror-growth", "power-cut", "frozen"];

#[test]
fn recorded_arrays_are_read_as_what_they_were() {
    let misread: Vec<&str> = MOMENTS
        .iter()
        .filter(|(_, text, word)| {
            let read = Source::Mdstat.read(text, None);
            read.map(|reported| reported.word) != Ok(*word)
        })
        .map(|(moment, ..)| *moment)
        .collect();
    assert_eq!(misread, MISREAD);
}

#[test]
fn an_array_that_could_not_be_started_is_no_reshape() {
    let text = include_str!("../lab/texts/inactive.mdstat");
    let word = Source::Mdstat
        .read(text, None)
        .map(|reported| reported.word);
    assert!(
        !matches!(word, Ok(Word::Running | Word::Finished)),
        "{word:?}"
    );
}

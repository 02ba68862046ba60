use proptest::prelude::*;

use super::Source::{self, Btrfs, Mdstat, Percent, Raidz};
use crate::reshape::reading::{Extent, Reported, Word};

#[track_caller]
fn read(source: Source, text: &str) -> Reported {
    source.read(text, None).unwrap()
}

/// The percentage as the kernel prints it: cut off after one decimal.
fn cut(fraction: f64) -> f64 {
    (fraction * 1000.0 + 1e-9).floor() / 10.0
}

const OLD_RAID5: &str =
    "md3 : active raid5 sdc1[7] sde1[6] sdd1[5] hdk1[2] hdi1[4] hde1[3] hdc1[1] hda1[0]
      2344252416 blocks super 0.91 level 5, 512k chunk, algorithm 2 [8/8] [UUUUUUUU]
      [>....................]  reshape =  0.2% (1099280/390708736) finish=1031.7min speed=6293K/sec
";
const STALLED: &str = "md0 : active raid6 sdac[0] sdf[21] sdh[17]
      74232661248 blocks super 1.1 level 6, 64k chunk, algorithm 2 [20/20] [UUUUUUUUUUUUUUUUUUUU]
      [===================>.]  reshape = 97.5% (4024886912/4124036736) finish=10844512.0min speed=0K/sec
      bitmap: 5/31 pages [20KB], 65536KB chunk
";
const RAID10: &str = "Personalities : [raid10] [raid0] [raid1] [raid6] [raid5] [raid4]
md1 : active raid10 sdd1[3] sdc1[2] sdb1[1] sda1[0]
      15627786240 blocks super 1.2 512K chunks 2 near-copies [4/4] [UUUU]
      bitmap: 0/117 pages [0KB], 65536KB chunk

md2 : active raid10 sdl1[9] sdk1[8] sdj1[7] sdi1[6] sdn1[5] sdh1[3] sdf1[1] sde1[0] sdg1[2] sdm1[4]
      46877236224 blocks super 1.2 512K chunks 2 near-copies [10/10] [UUUUUUUUUU]
      [====>................]  reshape = 22.1% (10380906624/46877236224) finish=2322382.1min speed=261K/sec
      bitmap: 59/146 pages [236KB], 262144KB chunk

unused devices: <none>
";
const DELAYED: &str = "Personalities : [linear] [multipath] [raid0] [raid1] [raid6] [raid5] [raid4] [raid10]
md0 : active raid1 sda3[2] sdb3[1]
      479008632 blocks super 1.2 [2/1] [_U]
      [=>...................]  recovery =  7.8% (37384832/479008632) finish=61.8min speed=119022K/sec

md1 : active raid1 sda1[2] sdb1[1]
      975860 blocks super 1.2 [2/1] [_U]
        resync=DELAYED

unused devices: <none>
";

#[test]
fn published_md_lines_give_their_percentages() {
    // Bars as posted to the public lists linux-kernel (10 July 2006) and linux-raid (28 October
    // 2019, 15 September 2024) and to public forums.
    let bars = [
        (
            "reshape =  0.2% (1099280/390708736) finish=1031.7min speed=6293K/sec",
            0.2,
            6293.0,
        ),
        (
            "reshape = 97.5% (4024886912/4124036736) finish=10844512.0min speed=0K/sec",
            97.5,
            0.0,
        ),
        (
            "reshape = 97.5% (4024917256/4124036736) finish=7674.2min speed=215K/sec",
            97.5,
            215.0,
        ),
        (
            "reshape = 22.1% (10380906624/46877236224) finish=2322382.1min speed=261K/sec",
            22.1,
            261.0,
        ),
        (
            "reshape =  0.1% (3172876/1953382400) finish=2407.8min speed=13498K/sec",
            0.1,
            13498.0,
        ),
        (
            "reshape = 24.1% (74306176/307556288) finish=2226.8min speed=1744K/sec",
            24.1,
            1744.0,
        ),
        (
            "reshape = 94.8% (7408359424/7813898752) finish=317551.1min speed=21K/sec",
            94.8,
            21.0,
        ),
        (
            "recovery =  7.8% (37384832/479008632) finish=61.8min speed=119022K/sec",
            7.8,
            119022.0,
        ),
        (
            "recovery =  6.6% (16304448/243537216) finish=308.6min speed=12266K/sec",
            6.6,
            12266.0,
        ),
        (
            "reshape =  2.1% (115168/5237760) finish=3.7min speed=23033K/sec",
            2.1,
            23033.0,
        ),
    ];
    for (bar, percent, kib) in bars {
        let seen = read(Mdstat, &format!("      [=>..]  {bar}\n"));
        assert_eq!(cut(seen.fraction.unwrap()), percent, "{bar}");
        assert_eq!(seen.speed, Some(kib * 1024.0), "{bar}");
        let reshape = bar.starts_with("reshape");
        assert_eq!(
            seen.word == Word::Running,
            reshape,
            "a resync is no reshape: {bar}"
        );
    }
}

#[test]
fn whole_md_texts_are_read() {
    let seen = read(Mdstat, OLD_RAID5);
    assert_eq!(
        (seen.word, seen.extent),
        (Word::Running, Some(Extent::Drive))
    );
    // 390708736 KiB: a drive, of which there were seven before.
    assert_eq!(seen.total, Some(390_708_736.0 * 1024.0));
    assert_eq!(read(Mdstat, STALLED).speed, Some(0.0));
    let seen = read(Mdstat, RAID10);
    assert_eq!(
        (seen.word, seen.extent),
        (Word::Running, Some(Extent::Array))
    );
    // The total is that of the array: 48.00 TB, as the same mail says.
    assert_eq!((seen.total.unwrap() / 1e10).round(), 4800.0);
    assert!(seen.note.starts_with("md2"));
    let seen = Mdstat.read(RAID10, Some("md1")).unwrap();
    assert_eq!(seen.word, Word::Absent);
    let seen = Mdstat.read(RAID10, Some("md7")).unwrap();
    assert!(
        seen.word == Word::Absent && seen.note.contains("not listed"),
        "{seen:?}"
    );
}

#[test]
fn md_that_waits_or_does_something_else_is_no_reshape() {
    let seen = read(Mdstat, DELAYED);
    assert_eq!(seen.word, Word::Other);
    assert_eq!(cut(seen.fraction.unwrap()), 7.8);
    let seen = Mdstat.read(DELAYED, Some("md1")).unwrap();
    assert!(
        seen.word == Word::Waiting && seen.note.contains("another array"),
        "{seen:?}"
    );
    for (word, why) in [("PENDING", "read-only"), ("REMOTE", "cluster")] {
        let seen = Mdstat
            .read(&DELAYED.replace("DELAYED", word), Some("md1"))
            .unwrap();
        assert!(
            seen.word == Word::Waiting && seen.note.contains(why),
            "{seen:?}"
        );
    }
    let idle = "Personalities : \nunused devices: <none>\n";
    assert_eq!(read(Mdstat, idle).word, Word::Absent);
    let inactive = "Personalities : [raid6]\nmd0 : inactive sdb[0](S)\n      976 blocks\nunused devices: <none>\n";
    assert!(read(Mdstat, inactive).note.contains("inactive"));
}

#[test]
fn a_whole_md_text_that_is_cut_off_anywhere_is_an_error_or_right() {
    let end = RAID10.find("unused devices").unwrap();
    for cut in 0..end {
        assert!(Mdstat.read(&RAID10[..cut], None).is_err(), "cut at {cut}");
    }
    assert_eq!(read(Mdstat, RAID10).word, Word::Running);
}

#[test]
fn two_reshapes_need_a_name() {
    let two = format!("{OLD_RAID5}\n{STALLED}");
    let error = Mdstat.read(&two, None).unwrap_err().to_string();
    assert!(
        error.contains("md3 and md0") && error.contains("--array"),
        "{error}"
    );
    assert_eq!(Mdstat.read(&two, Some("md0")).unwrap().speed, Some(0.0));
}

#[test]
fn damaged_md_lines_are_refused() {
    for text in [
        "md0 : active raid5\n   reshape = 97.5% (4024886912/41240",
        "md0 : active raid5\n   reshape = 97.5% (4024886912",
        "md0 : active raid5\n   reshape = 97.",
        "md0 : active raid5\n   reshape = 97.5% (-5/10)",
        "md0 : active raid5\n   reshape = 12.5% (4024886912/4124036736)",
        "md0 : active raid5\n   reshape = 0.0% (0/0)",
        "bash: cat: command not found",
        "",
    ] {
        assert!(Mdstat.read(text, None).is_err(), "{text}");
    }
}

#[test]
fn published_balances_give_their_remainders() {
    // linux-btrfs (a crash report; April 2020) and a public tutorial.
    for (text, left) in [
        (
            "Balance on '/data' is running\n0 out of about 10436 chunks balanced (1 considered), 100% left\nDumping filters: flags 0x7, state 0x1, force is off\n  DATA (flags 0x0): balancing\n",
            100.0,
        ),
        (
            "Balance on '/data/' is running, cancel requested\n0 out of about 16 chunks balanced (9 considered), 100% left\n",
            100.0,
        ),
        (
            "Balance on '/' is running\n1 out of about 27 chunks balanced (5 considered),  96% left\n",
            96.0,
        ),
        (
            "Balance on '/' is running\n3 out of about 27 chunks balanced (12 considered),  89% left\n",
            89.0,
        ),
    ] {
        let seen = read(Btrfs, text);
        assert_eq!(
            (100.0 * (1.0 - seen.fraction.unwrap())).round(),
            left,
            "{text}"
        );
        assert_eq!(
            (seen.word, seen.extent),
            (Word::Running, Some(Extent::Chunks))
        );
    }
    // From the source, `cmds/balance.c`, and btrfs-balance(8).
    for (text, word) in [
        ("No balance found on '/mnt'\n", Word::Absent),
        (
            "Balance on '/mnt' is paused\n3 out of about 27 chunks balanced (12 considered),  89% left\n",
            Word::Paused,
        ),
        ("Balance on '/mnt' is paused\n", Word::Paused),
        (
            "Balance on '/mnt' is running, pause requested\n0 out of about 0 chunks balanced (0 considered), -nan% left\n",
            Word::Running,
        ),
        ("Done, had to relocate 2 out of 97 chunks\n", Word::Finished),
    ] {
        assert_eq!(read(Btrfs, text).word, word, "{text}");
    }
    for text in [
        "Balance on '/' is running\n",
        "Balance on '/' is running\n1 out of about 27 chunks bal",
        "Balance on '/' is running\n1 out of about 27 chunks balanced (5 considered),  12% left\n",
        "Balance on '/' is confused\n",
        "ERROR: not a btrfs filesystem",
    ] {
        assert!(Btrfs.read(text, None).is_err(), "{text}");
    }
}

#[test]
fn published_raidz_expansions_give_their_percentages_past_a_hundred_too() {
    // Issues 16421, 16803 and 18103 of openzfs/zfs, and a public write-up.
    for (counts, percent) in [
        (
            "62.9M / 129M copied at 550K/s, 48.80% done, 00:02:02 to go",
            48.8,
        ),
        (
            "12.8T / 12.8T copied at 16.6M/s, 100.25% done, (copy is slow, no estimated time)",
            100.25,
        ),
        (
            "89.2T / 88.4T copied at 84.6M/s, 100.93% done, (copy is slow, no estimated time)",
            100.93,
        ),
        (
            "17.1G / 28.5T copied at 501M/s, 0.06% done, 16:36:03 to go",
            0.06,
        ),
    ] {
        let text = format!(
            "  pool: scans\n state: ONLINE\nexpand: expansion of raidz2-0 in progress since Wed Aug  7 12:18:13 2024\n\t{counts}\nconfig:\n"
        );
        let seen = read(Raidz, &text);
        assert!(
            (seen.fraction.unwrap() * 100.0 - percent).abs() < 1e-9,
            "{counts}"
        );
        assert_eq!((seen.word, seen.speed), (Word::Running, None));
    }
    // From the format of the source.
    let paused = "expand: expansion of raidz1-0 in progress since Thu Oct 19 16:42:14 2023\n\t44.4G / 312G copied at 52.7M/s, 14.26% done, paused for resilver or clear\n";
    assert_eq!(read(Raidz, paused).word, Word::Paused);
    let done = "expand: expanded raidz1-0 copied 312G in 01:23:45, on Thu Oct 19 18:05:59 2023\n";
    assert_eq!(read(Raidz, done).word, Word::Finished);
    assert_eq!(
        read(Raidz, "  pool: scans\n state: ONLINE\n").word,
        Word::Absent
    );
    for end in [30, 90, 110, 118] {
        assert!(
            Raidz.read(&paused[..end], None).is_err(),
            "{}",
            &paused[..end]
        );
    }
    assert!(Raidz.read("cannot open 'scans'", None).is_err());
}

#[test]
fn percentages_are_plain_numbers() {
    for (text, percent, word) in [
        ("37.5\n", 37.5, Word::Running),
        ("done so far:\n 37.5 %\n\n", 37.5, Word::Running),
        ("0", 0.0, Word::Running),
        ("12% paused", 12.0, Word::Paused),
        ("100", 100.0, Word::Finished),
    ] {
        let seen = read(Percent, text);
        assert_eq!(
            (seen.fraction, seen.word),
            (Some(percent / 100.0), word),
            "{text}"
        );
    }
    assert_eq!(read(Percent, "finished").word, Word::Finished);
    for text in [
        "", "-1", "NaN", "inf", "1e1", "37,5", "4000", "12 beans", "%",
    ] {
        assert!(Percent.read(text, None).is_err(), "{text}");
    }
}

proptest! {
    #[test]
    fn no_text_makes_a_parser_panic(text in "\\PC{0,200}", cut in 0usize..400, array in "[a-z]{0,4}") {
        for source in Source::ALL {
            let _ = source.read(&text, None);
            let _ = source.read(&text, Some(&array));
        }
        for whole in [OLD_RAID5, RAID10, DELAYED] {
            let end = (0..=cut.min(whole.len())).rev().find(|at| whole.is_char_boundary(*at));
            let mixed = format!("{}{text}", &whole[..end.unwrap_or(0)]);
            for source in Source::ALL {
                if let Ok(seen) = source.read(&mixed, None) {
                    prop_assert!(seen.fraction.is_none_or(|f| f.is_finite() && f >= 0.0), "{mixed}");
                }
            }
        }
    }

    #[test]
    fn words_of_each_source_in_any_order_make_no_parser_panic(words in proptest::collection::vec(0usize..26, 0..40)) {
        const WORDS: [&str; 26] = [
            "md0 : active raid5", "\n", " ", "reshape", "=", "97.5%", "(1/2)", "(", ")", "/", "speed=", "0K/sec",
            "Balance on '/' is ", "running", " out of about ", " chunks balanced", " considered)", "% left",
            "expand:", " expansion of ", " in progress", " copied at ", "12.8T", " / ", ", ", "% done",
        ];
        let text: String = words.iter().map(|n| WORDS[*n]).collect();
        for source in Source::ALL {
            let _ = source.read(&text, None);
        }
    }
}

#[test]
fn a_number_that_no_double_holds_is_none() {
    let huge = "9".repeat(400);
    for (source, text) in [
        (Percent, huge.clone()),
        (
            Btrfs,
            format!(
                "Balance on '/' is running\n1 out of about {huge} chunks balanced (5 considered),  96% left\n"
            ),
        ),
        (Mdstat, STALLED.replace("4124036736", &huge)),
    ] {
        if let Ok(reported) = source.read(&text, None) {
            let figures = [
                reported.fraction,
                reported.done,
                reported.total,
                reported.speed,
            ];
            assert!(
                figures.into_iter().flatten().all(f64::is_finite),
                "{reported:?}"
            );
        }
    }
}

//! Outlooks with known answers.

use super::super::proposal::tests::museum;
use super::super::{Objection, Stated, Work};
use super::*;
use crate::units::Bytes;
use proptest::prelude::*;

fn outlook(change: impl FnOnce(&mut Proposal)) -> Outlook {
    let mut proposal = museum();
    change(&mut proposal);
    proposal.outlook().unwrap()
}

fn of(scheme: Scheme, members: usize, new: usize, terabytes: u64) -> impl FnOnce(&mut Proposal) {
    move |proposal| {
        proposal.scheme = scheme;
        proposal.becoming = scheme;
        proposal.members = vec![Bytes::TB.times(terabytes); members];
        proposal.new = vec![Bytes::TB.times(terabytes); new];
    }
}

fn said(outlook: &Outlook, words: &str) -> bool {
    outlook.cautions.iter().any(|text| text.contains(words))
}

#[test]
fn the_museum_gains_half_its_space() {
    let outlook = outlook(|_| {});
    assert_eq!(outlook.space.before.usable, Bytes::TB.times(12));
    assert_eq!(outlook.space.usable_after, Bytes::TB.times(18));
    assert_eq!(outlook.space.gained(), Bytes::TB.times(6));
    assert_eq!(outlook.space.smallest_new, Bytes::TB.times(6));
    assert_eq!(outlook.space.usual, Some(Bytes(6_001_175_126_016)));
    let files = outlook.space.for_files(outlook.space.usable_after);
    assert_eq!(files, Bytes::GB.times(17_100));
    assert!(!said(&outlook, "No space is gained"));
}

/// Common practice, no source: a pool of five 4 TB drives in RAID 5, grown by one that made way for its users,
/// took 27 h 23 min. Two days of office hours or none make no difference to whether it is within.
#[test]
fn a_grown_pool_of_five_took_27_hours_and_23_minutes() {
    let taken = 27.0 + 23.0 / 60.0;
    for hours in [0.0, 8.0] {
        let outlook = outlook(|proposal| {
            of(Scheme::Raid5, 5, 1, 4)(proposal);
            proposal.start = jiff::civil::date(2026, 3, 3).at(9, 0, 0, 0);
            proposal.stated = Stated {
                reshape_share_percent: Some(20.0),
                use_hours: Some(hours),
                ..Stated::default()
            };
        });
        let [best, likely, worst] = outlook.time.growth.hours.map(Option::unwrap);
        assert!(best < taken && taken < worst, "{best} {likely} {worst}");
        assert!((likely / taken - 1.0).abs() < 0.35, "{likely}");
    }
}

/// Derived: 8 TB at 50 MB/s take 44 h, 16 TB 89 h, without users.
#[test]
fn the_likely_time_is_bytes_over_rate() {
    for (terabytes, hours) in [(8, 44.4), (16, 88.9)] {
        let outlook = outlook(|proposal| {
            of(Scheme::Raid6, 4, 1, terabytes)(proposal);
            proposal.stated.use_hours = Some(0.0);
        });
        let [_, likely, _] = outlook.time.growth.hours.map(Option::unwrap);
        assert!((likely - hours).abs() < 0.05, "{likely}");
    }
}

/// Derived: full write and read-back take 2.8 h per TB at a mean of 200 MB/s; a long self-test 1.4
/// to 2.5 h per TB.
#[test]
fn tests_of_the_new_drive_take_hours() {
    let outlook = outlook(|proposal| {
        proposal.stated.drive_rate = Some(Bytes(200_000_000));
        proposal.stated.inner_percent = Some(100.0);
    });
    assert!((outlook.time.burn_in / 6.0 - 2.78).abs() < 0.01);
    assert_eq!(outlook.time.self_test.map(f64::round), [8.0, 15.0]);
}

/// Derived: 6 TB are read in 16.7 h at 100 MB/s, and no test of all of it takes less.
#[test]
fn a_self_test_takes_no_less_than_reading_the_drive() {
    let outlook = outlook(|proposal| {
        proposal.stated.drive_rate = Some(Bytes(100_000_000));
        proposal.stated.inner_percent = Some(100.0);
    });
    let told = outlook.time.self_test;
    assert!(
        told.iter().all(|hours| (hours - 16.67).abs() < 0.01),
        "{told:?}"
    );
}

/// Derived: 1 GbE carries 117.685 MB/s, less than one drive.
#[test]
fn a_full_link_hides_the_gain() {
    let full = outlook(|_| {});
    let read = &full.speed[0];
    assert!(read.link_bound());
    assert!((read.user_after.high / 1e6 - 117.685).abs() < 1e-3);
    assert!(said(&full, "The link is full already"));
    let free = outlook(|proposal| proposal.stated.link_gigabits = Some(10.0));
    assert!(!free.speed[0].link_bound());
    assert_eq!(free.speed[0].user_after, free.speed[0].pool_after);
    assert!(!said(&free, "The link is full already"));
    // On this machine there is none, unless somebody states one.
    let local = outlook(|proposal| proposal.stated.local = true);
    assert!(local.payload.is_infinite() && !local.speed[0].link_bound());
    assert_eq!(local.speed[0].user_after, local.speed[0].pool_after);
    let text = crate::report::outlook_text(&local, 80);
    assert!(
        !text.contains("this link") && text.contains("no link stands between"),
        "{text}"
    );
    let stated = outlook(|proposal| {
        (proposal.stated.local, proposal.stated.link_gigabits) = (true, Some(1.0));
    });
    assert!(stated.speed[0].link_bound());
}

/// Derived for drives twice as fast outside as inside: RAID 5 of four to five at 0.9, so that 0.9
/// becomes 0.675. The rates at the inner end of the data are √(1 − 0.75 × 0.9) and
/// √(1 − 0.75 × 0.675) of the outermost, and the mean of all data the middle between that and 1.
#[test]
fn the_same_data_moves_outwards() {
    let outlook = outlook(|proposal| {
        of(Scheme::Raid5, 4, 1, 6)(proposal);
        proposal.stated.used_percent = Some(90.0);
    });
    let mean = |filled: f64| (1.0 + (1.0 - 0.75 * filled).sqrt()) / 2.0;
    let read = &outlook.speed[0];
    assert!((read.location - mean(0.675) / mean(0.9)).abs() < 1e-9);
    // Models: 4 → 5 and 3 → 4 drives.
    assert!((read.ratio.low - 1.25).abs() < 1e-12 && (read.ratio.high - 4.0 / 3.0).abs() < 1e-12);
}

#[test]
fn one_at_a_time_gains_only_by_shorter_seeks() {
    let outlook = outlook(|proposal| proposal.stated.link_gigabits = Some(10.0));
    let single = &outlook.speed[2];
    assert_eq!(single.work, Work::SmallRead);
    assert_eq!((single.ratio.low, single.ratio.high), (1.0, 1.0));
    assert!(
        single.location > 1.0 && single.location < 1.15,
        "{}",
        single.location
    );
    // 7200 turns a minute give 75 to 100 random reads a second (common practice, no source).
    assert!(
        (75.0..100.0).contains(&single.pool_before.low),
        "{:?}",
        single.pool_before
    );
}

/// Derived: any of 5 drives in 48 h at 1.5 % a year 0.04 %; a power cut 0.55 %.
#[test]
fn power_is_likelier_to_fail_than_a_drive() {
    let outlook = outlook(|_| {});
    let danger = &outlook.danger;
    let per_hour = danger.any_failure[0] / danger.hours[0];
    assert!((per_hour * 48.0 * 100.0 - 0.04).abs() < 0.005);
    assert!(danger.power_cut[0] > 5.0 * danger.any_failure[0]);
    assert_eq!(danger.tolerance, 2);
    assert!(danger.loss_independent[0] < danger.loss_following[0]);
    assert!(danger.loss_following[0] < danger.any_failure[0]);
    assert!(danger.any_failure[0] < danger.any_failure[1]);
}

/// Computed: reading 12 TB meets an unreadable sector with 61.711 % at 1e-14.
#[test]
fn one_parity_is_bounded_by_read_errors() {
    let outlook = outlook(of(Scheme::Raid5, 3, 1, 4));
    let bound = outlook.danger.read_bound.unwrap();
    assert_eq!((bound.failures, bound.bytes), (1, Bytes::TB.times(12)));
    assert!((bound.chance * 100.0 - 61.711).abs() < 1e-3);
    assert!(said(&outlook, "One parity survives one failure"));
    let years = outlook.danger.years_after;
    assert!(years.independent < years.following && years.following < years.bound);
}

#[test]
fn a_mirror_gains_copies_and_a_level_change_gains_parity() {
    let mirror = outlook(of(Scheme::Raid1, 2, 1, 4));
    assert_eq!(mirror.space.gained(), Bytes(0));
    assert!(said(&mirror, "RAID 1 gains no space"));
    let plain = outlook(of(Scheme::Raid5, 4, 1, 6));
    let change = outlook(|proposal| {
        of(Scheme::Raid5, 4, 1, 6)(proposal);
        proposal.becoming = Scheme::Raid6;
    });
    assert_eq!(change.space.gained(), Bytes(0));
    assert!(said(&change, "written over itself") && said(&change, "No space is gained"));
    assert!(change.time.growth.hours[1].unwrap() > 2.0 * plain.time.growth.hours[1].unwrap());
    assert_eq!(change.danger.tolerance, 1);
    // The plain plan shows the change as another way, with the same hours.
    let way = plain.time.ways.last().unwrap();
    assert_eq!(
        (way.usable, way.pass),
        (Bytes::TB.times(18), change.time.growth)
    );
}

#[test]
fn replacing_exposes_the_pool_once_a_drive_and_copying_never() {
    let outlook = outlook(|proposal| proposal.new = vec![Bytes::TB.times(8)]);
    let [rebuild, copy] = &outlook.time.ways[..] else {
        panic!("two ways");
    };
    assert_eq!((rebuild.exposures, copy.exposures), (4, 0));
    assert_eq!(rebuild.usable, Bytes::TB.times(16));
    assert!(copy.pass.hours[1] < rebuild.pass.hours[1]);
    // The bigger drive gives no more than the others in RAID 6.
    assert_eq!(outlook.space.after.wasted, Bytes::TB.times(2));
    assert!(said(&outlook, "2.00 TB of the new drive cannot be used"));
}

#[test]
fn old_blocks_of_raid_z_keep_their_parity() {
    let outlook = outlook(|proposal| {
        of(Scheme::RaidZ2, 5, 1, 10)(proposal);
        proposal.stated.used_percent = Some(100.0);
    });
    assert_eq!(outlook.space.usable_after, Bytes(36_666_666_666_666));
    assert_eq!(outlook.space.won_by_rewriting(), Bytes(3_333_333_333_334));
    assert!(said(&outlook, "Old blocks keep"));
}

#[test]
fn layers_pass_over_what_the_new_drive_joins() {
    let outlook = outlook(|proposal| {
        of(Scheme::Uneven1, 4, 1, 4)(proposal);
        proposal.members[2..].fill(Bytes::TB.times(8));
        proposal.new = vec![Bytes::TB.times(6)];
    });
    assert_eq!(outlook.time.device_bytes, Bytes::TB.times(4));
    assert!(said(&outlook, "a layer that exists"));
}

#[test]
fn objections_come_all_at_once_and_senseless_values_first() {
    let mut proposal = museum();
    proposal.external = true;
    proposal.new = vec![Bytes::TB];
    proposal.stated.mtu = Some(1);
    let words: Vec<&str> = proposal
        .outlook()
        .unwrap_err()
        .iter()
        .map(Objection::word)
        .collect();
    assert_eq!(words, ["range", "smaller-drive", "one-cable"]);
}

proptest! {
    #[test]
    fn every_outlook_is_finite_and_ordered(
        scheme in prop::sample::select(Scheme::ALL[1..].to_vec()),
        members in 4..12usize,
        sizes in prop::collection::vec(1..30u64, 12),
        used in 0.0..100.0f64,
        hours in 0.0..20.0f64,
    ) {
        let members = members & !1;
        let mut proposal = museum();
        proposal.scheme = scheme;
        proposal.becoming = scheme;
        proposal.members = sizes[..members].iter().map(|size| Bytes::TB.times(*size)).collect();
        proposal.new = vec![proposal.smallest(); 2];
        proposal.stated.used_percent = Some(used);
        proposal.stated.use_hours = Some(hours);
        let outlook = proposal.outlook().unwrap();
        prop_assert!(outlook.space.usable_after >= outlook.space.before.usable);
        prop_assert!(outlook.space.usable_after <= outlook.space.after.usable);
        let [best, likely, worst] = outlook.time.growth.hours.map(Option::unwrap);
        prop_assert!(best <= likely && likely <= worst);
        for work in &outlook.speed {
            prop_assert!(work.ratio.low <= work.ratio.high && work.ratio.low > 0.0);
            prop_assert!(work.pool_before.low > 0.0 && work.pool_after.high.is_finite());
            prop_assert!(work.user_after.high <= work.pool_after.high);
        }
        let danger = &outlook.danger;
        for chance in danger.loss_independent.iter().chain(&danger.loss_following) {
            prop_assert!((0.0..=1.0).contains(chance));
        }
    }
}

/// Computed: 6 TB that are 75 % used are 4.5 TB, and at one pace three quarters of the time.
#[test]
fn a_file_system_that_moves_its_own_chunks_passes_what_is_used() {
    let of = |used_only: bool| {
        outlook(|proposal| {
            proposal.stated.used_percent = Some(75.0);
            proposal.stated.use_hours = Some(0.0);
            proposal.stated.used_only = used_only;
        })
    };
    let (whole, used) = (of(false), of(true));
    assert_eq!(whole.time.device_bytes, Bytes::TB.times(6));
    assert_eq!(used.time.device_bytes.0, 4_500_000_000_000);
    let [whole_h, used_h] = [&whole, &used].map(|of| of.time.growth.hours[1].unwrap());
    assert!((used_h / whole_h - 0.75).abs() < 1e-9);
    let text = crate::report::outlook_text(&used, 110);
    assert!(
        text.contains("over 4.50 TB of each drive, what is used of it"),
        "{text}"
    );
    let text = crate::report::outlook_text(&whole, 110);
    assert!(text.contains("(--used-only)"), "{text}");
}

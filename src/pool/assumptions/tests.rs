//! Defaults, ranges and paces.

use super::*;

fn assumed(stated: &Stated) -> Assumed {
    Assumed::from(stated, Bytes::TB.times(6)).unwrap()
}

#[test]
fn every_default_says_where_it_comes_from_and_how_to_change_it() {
    let assumed = assumed(&Stated::default());
    assert_eq!(assumed.list.len(), 16);
    for entry in &assumed.list {
        assert!(!entry.stated && !entry.source.is_empty(), "{entry:?}");
        assert!(entry.flag.starts_with("--"), "{entry:?}");
    }
    // Half a turn of 4.17 ms and a seek of 8.5 ms.
    assert!(
        assumed
            .list
            .iter()
            .any(|entry| entry.value == "79 a second")
    );
    assert_eq!(assumed.payload().to_string(), "117.7 MB/s");
}

#[test]
fn what_is_stated_says_so_and_goes_before_the_study() {
    let flags = Stated {
        mtu: Some(9000),
        ..Stated::default()
    };
    let study = Stated {
        mtu: Some(1500),
        rpm: Some(5400),
        ..Stated::default()
    };
    let assumed = assumed(&flags.or(&study));
    assert_eq!((assumed.mtu, assumed.drive.rpm), (9000, 5400));
    let stated: Vec<&str> = assumed
        .list
        .iter()
        .filter(|entry| entry.stated)
        .map(|entry| entry.flag)
        .collect();
    assert_eq!(stated, ["--rpm", "--mtu"]);
}

#[test]
fn values_out_of_range_are_refused_with_their_flag() {
    for (stated, flag) in [
        (
            Stated {
                used_percent: Some(101.0),
                ..Stated::default()
            },
            "--used-percent",
        ),
        (
            Stated {
                inner_percent: Some(f64::NAN),
                ..Stated::default()
            },
            "--inner-percent",
        ),
        (
            Stated {
                use_from: Some(24),
                ..Stated::default()
            },
            "--use-from",
        ),
        (
            Stated {
                reshape_rate: Some(Bytes(10)),
                ..Stated::default()
            },
            "--reshape-rate",
        ),
    ] {
        let error = Assumed::from(&stated, Bytes::TB).unwrap_err().to_string();
        assert!(error.contains(flag), "{error}");
    }
}

#[test]
fn a_rate_seen_at_the_begin_is_brought_to_the_mean_and_no_pace_exceeds_the_drive() {
    let stated = Stated {
        reshape_rate: Some(Bytes(60_000_000)),
        ..Stated::default()
    };
    let [_, likely, _] = assumed(&stated).reshape_paces();
    assert_eq!((likely.idle, likely.in_use), (Rate(45e6), Rate(9e6)));
    let slow = Stated {
        drive_rate: Some(Bytes(40_000_000)),
        ..Stated::default()
    };
    let [best, ..] = assumed(&slow).reshape_paces();
    assert_eq!(best.idle, Rate(30e6));
}

#[test]
fn of_drives_that_do_not_turn_no_turns_are_taken_for_granted() {
    let solid = Stated {
        inner_percent: Some(100.0),
        drive_operations: Some(50_000.0),
        ..Stated::default()
    };
    let turns = |stated: &Stated| assumed(stated).list.iter().any(|of| of.flag == "--rpm");
    assert!(turns(&Stated::default()) && !turns(&solid));
    let still = Stated {
        rpm: Some(0),
        ..solid
    };
    let error = Assumed::from(&still, Bytes::TB).unwrap_err().to_string();
    assert!(error.contains("--drive-operations"), "{error}");
}

#[test]
fn what_was_stated_is_written_and_read_back() {
    let stated = Stated {
        reshape_share_percent: Some(25.0),
        used_percent: Some(70.0),
        ..Stated::default()
    };
    let text = toml::to_string(&stated).unwrap();
    assert_eq!(toml::from_str::<Stated>(&text).unwrap(), stated);
    assert!(toml::from_str::<Stated>("used = 3").is_err());
    // Formats before 4 had words.
    for (word, percent) in [("low", 20.0), ("normal", 40.0), ("high", 100.0)] {
        let older: Stated = toml::from_str(&format!("priority = \"{word}\"")).unwrap();
        assert_eq!(older.reshape_share_percent, Some(percent));
    }
    assert!(toml::from_str::<Stated>("priority = \"urgent\"").is_err());
}

//! What is said before a sitting, held against numbers by hand.

use jiff::Timestamp;
use std::time::Duration;

use super::*;
use crate::plan::{DataFile, Phase};
use crate::seed::Seed;
use crate::study::{Config, Identity, SweepRow};

fn study() -> Study {
    let config = Config::new(
        Identity(1),
        Seed(1),
        Timestamp::UNIX_EPOCH,
        "/mnt/scans".into(),
    );
    Study::new("scans", config)
}

fn request(precision: Option<f64>) -> Request {
    Request {
        trials: if precision.is_some() { 40 } else { 5 },
        precision,
        within: precision.map(|_| Duration::from_secs(3_600)),
        ..Request::usual(Phase::Before)
    }
}

fn sizing() -> Sizing {
    Sizing {
        files: vec![
            (Set::Read, Bytes::GIB.times(8)),
            (Set::Write, Bytes::GIB.times(2)),
        ],
        read: Bytes::GIB.times(8),
        cacheable: 0.5,
        note: None,
    }
}

fn measured(study: &mut Study, rates: [f64; 3], windows: u64) {
    let large_read = &Workload::standard()[0];
    for rate in rates {
        let number = study.next_trial();
        study.trials.push(Trial {
            state: State::Complete,
            windows,
            rate_bytes_per_s: Some(rate),
            ..Trial::begin(number, 1, Phase::Before, Timestamp::UNIX_EPOCH, large_read)
        });
    }
}

/// Six workloads of five trials of 30 s, 3 s around each: 990 s. Of a precise sitting at least three
/// rounds: three workloads of 6 s and three of 30 s, with 3 s around each, are 378 s.
#[test]
fn a_first_sitting_tells_its_bounds_and_that_bytes_are_not_known() {
    let all = Workload::standard();
    let said = sentences(&study(), &all, &request(None), &sizing(), None);
    assert!(
        said[0].starts_with("lays down 10.0 GiB of test data, 8.00 GiB to read"),
        "{said:?}"
    );
    assert_eq!(said[1], "trials take about 17 min");
    assert!(
        said[2].contains("not known before the first sitting, beside 10.7 GB"),
        "{said:?}"
    );
    let mut laid = study();
    laid.data.files.push(DataFile {
        number: 0,
        set: Set::Read,
        bytes: Bytes::GIB.times(2),
        phase: Phase::Before,
        complete: true,
    });
    let more = sentences(&laid, &all, &request(None), &sizing(), None);
    assert!(
        more[0].contains("8.00 GiB to read, of which 2.00 GiB are there and are reused"),
        "{more:?}"
    );
    let line = Some(Rate(117.7e6));
    let said = sentences(&study(), &all, &request(Some(0.03)), &sizing(), line);
    assert!(
        said[1].starts_with("trials take 6 min at least and 60 min at most"),
        "{said:?}"
    );
    assert!(said[2].contains("117.7 MB/s"), "{said:?}");
}

/// Logs of 99, 100 and 101 scatter by 1 %: 6.965 × 1 % / √3 is 4.0 % and too wide for 3 %, 4.541 × 1 % / 2
/// is 2.3 %. So four trials of 8 s with 3 s around each: 44 s at 100 MB/s are 4.4 GB.
#[test]
fn a_later_sitting_tells_what_the_latest_makes_likely() {
    let mut study = study();
    measured(&mut study, [99e6, 100e6, 101e6], 8);
    let all = &Workload::standard()[..1];
    let none = Sizing {
        files: Vec::new(),
        ..sizing()
    };
    let two = &Workload::standard()[..2];
    let more = sentences(&study, two, &request(None), &none, None);
    assert!(
        more[2].ends_with(&format!(
            "by the latest rates, beside {}, which no sitting has measured yet",
            two[1].name
        )),
        "{more:?}"
    );
    let said = sentences(&study, all, &request(Some(0.03)), &none, None);
    assert!(
        said[0].starts_with("test data is there and is reused, 8.00 GiB to read"),
        "{said:?}"
    );
    assert!(
        said[1].starts_with("trials take about 44 s if the share scatters"),
        "{said:?}"
    );
    assert!(
        said[2].starts_with("they read about 4.40 GB and"),
        "{said:?}"
    );
}

#[test]
fn a_sweep_that_went_far_enough_beyond_the_cache_is_believed_before_what_was_stated() {
    let mut study = study();
    study.config.server_memory = Some(Bytes::GIB.times(64));
    let row = |gib: u64, mb: f64| SweepRow::of(Bytes::GIB.times(gib), Rate(mb * 1e6));
    let fast = [row(1, 1100.0), row(2, 1090.0), row(3, 1110.0)];
    study.sweeps = fast
        .iter()
        .cloned()
        .chain([row(4, 200.0), row(6, 210.0), row(8, 205.0)])
        .collect();
    let (memory, said) = needed(&study, Bytes::GIB);
    assert_eq!(memory.server, Some(Bytes::GIB.times(4)));
    assert!(said.unwrap().contains("caches end at 4.00 GiB"));
    study.sweeps.pop();
    let (memory, said) = needed(&study, Bytes::GIB);
    assert_eq!(
        (memory.server, said),
        (Some(Bytes::GIB.times(64)), None),
        "it ended too early"
    );
}

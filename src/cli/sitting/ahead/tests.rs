//! What is said before a sitting, held against numbers by hand.

use jiff::Timestamp;
use std::time::Duration;

use super::*;
use crate::plan::{DataFile, Phase, RunPlan};
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
        trials: if precision.is_some() { 40 } else { 6 },
        precision,
        within: precision.map(|_| Duration::from_secs(3_600)),
        ..Request::usual(Phase::Before, RunPlan::standard())
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
    measured_of(study, &Workload::standard()[0], rates, windows);
}

fn measured_of(study: &mut Study, workload: &Workload, rates: [f64; 3], windows: u64) {
    for rate in rates {
        let number = study.next_trial();
        study.trials.push(Trial {
            state: State::Complete,
            windows,
            rate_bytes_per_s: Some(rate),
            ..Trial::begin(number, 1, Phase::Before, Timestamp::UNIX_EPOCH, workload)
        });
    }
}

/// Six workloads of six trials of 25 s, 3 s around each: 1,008 s. Of a precise sitting at least three
/// rounds: three workloads of 6 s and three of 25 s, with 3 s around each, are 333 s.
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
        said[3].contains("not known before the first sitting, beside 10.7 GB"),
        "{said:?}"
    );
    assert_eq!(
        said[2],
        "how long laying down before them takes is not known before a sitting has written"
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
    assert!(said[3].contains("117.7 MB/s"), "{said:?}");
    // 10 GiB are 10,737 MB: 91.2 s. With 333 s they are 424.2 s.
    assert_eq!(
        said[2],
        "laying down before them takes at least 91 s over this link, which carries 117.7 MB/s: at least 7.0 min in all"
    );
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

/// 10,737 MB at the median of 99, 100 and 101 MB/s are 107.4 s, whatever the link would carry; with the
/// 1,008 s of the trials they are 1,115 s. Trials of 44 s, as above, are 151 s with them.
#[test]
fn laying_down_is_told_by_the_latest_large_writes_and_in_the_sum() {
    let all = Workload::standard();
    let writes = all.iter().find(|workload| workload.name == "large-write");
    let mut study = study();
    measured_of(&mut study, &all[3], [1e6, 1e6, 1e6], 30);
    measured_of(&mut study, writes.unwrap(), [99e6, 101e6, 100e6], 30);
    let line = Some(Rate(117.7e6));
    let told = |study: &Study, request: &Request, chosen: &[Workload]| {
        let said = sentences(study, chosen, request, &sizing(), line);
        (said[1].clone(), said[2].clone())
    };
    let (_, laying) = told(&study, &request(None), &all);
    let begin =
        "laying down before them takes about 107 s at the 100.0 MB/s of the latest large-write: ";
    assert_eq!(laying, format!("{begin}about 19 min in all"));
    // An hour from the begin leaves 58 min for trials after it.
    let (trials, laying) = told(&study, &request(Some(0.03)), &all);
    assert!(
        trials.ends_with("58 min at most: how much the share scatters is not known yet"),
        "{trials}"
    );
    assert_eq!(
        laying,
        format!("{begin}7 min at least and 60 min at most in all")
    );
    measured(&mut study, [99e6, 100e6, 101e6], 8);
    let (_, laying) = told(&study, &request(Some(0.03)), &all[..1]);
    assert_eq!(laying, format!("{begin}about 3 min in all, 20 min at most"));
    let none = Sizing {
        files: Vec::new(),
        ..sizing()
    };
    let said = sentences(&study, &all, &request(None), &none, line);
    assert!(
        !said.iter().any(|said| said.contains("laying down before")),
        "{said:?}"
    );
    // Fresh data is laid down too: as much as there is to read.
    study.data.files.push(DataFile {
        number: 0,
        set: Set::Read,
        bytes: Bytes::GIB,
        phase: Phase::Before,
        complete: true,
    });
    let fresh = Request {
        tags: vec![crate::study::FRESH.to_owned()],
        ..request(None)
    };
    let said = sentences(&study, &all[..1], &fresh, &none, line);
    assert!(
        said[2].starts_with("laying down before them takes about 11 s"),
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
    assert!(said.unwrap().contains("memory ends at 4.00 GiB"));
    study.sweeps.pop();
    let (memory, said) = needed(&study, Bytes::GIB);
    assert_eq!(
        (memory.server, said),
        (Some(Bytes::GIB.times(64)), None),
        "it ended too early"
    );
}

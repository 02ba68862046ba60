//! Which trials stand beside each other, and what of them is compared.

use super::*;
use crate::plan::Phase::{After, Before, During};
use crate::units::Bytes;

const RULES: Rules = Rules {
    confidence: 0.95,
    threshold: 0.03,
    least_trials: 3,
    power: 0.8,
    come_to: crate::plan::Phase::Before,
};

/// A workload that reads, or writes, the scans.
fn scans(read_percent: u8, paced: Option<f64>) -> Workload {
    Workload {
        name: "scans".to_owned(),
        read_percent,
        operations_per_second: paced,
        ..Workload::standard()[0].clone()
    }
}

/// A complete trial of 30 s that ran at 100 MB/s.
fn trial(number: u64, phase: Phase, workload: &Workload) -> Trial {
    let started = "2026-03-02T08:00:00Z".parse().expect("a time");
    Trial {
        state: State::Complete,
        submission: "threads".to_owned(),
        windows: 30,
        rate_bytes_per_s: Some(1e8),
        mean_ns: Some(2_000_000),
        test_data_bytes: Bytes::GIB.0,
        ..Trial::begin(number, phase as u64 + 1, phase, started, workload)
    }
}

/// Trials 1, 2, ... of `phases`, each changed by `change`.
fn trials(workload: &Workload, phases: &[Phase], change: impl Fn(usize, &mut Trial)) -> Vec<Trial> {
    let each = phases.iter().enumerate().map(|(index, &phase)| {
        let mut trial = trial(index as u64 + 1, phase, workload);
        change(index, &mut trial);
        trial
    });
    each.collect()
}

/// The row of `trials`, and the numbers of those left out with the reasons.
fn row(trials: &[Trial]) -> (Row, Vec<(u64, String)>) {
    row_of(trials, &BTreeMap::new())
}

fn row_of(
    trials: &[Trial],
    observations: &BTreeMap<u64, Observations>,
) -> (Row, Vec<(u64, String)>) {
    let context = Context {
        observations,
        judgements: &BTreeMap::new(),
        rules: RULES,
        seed: Seed(1),
    };
    let mut excluded = Vec::new();
    let trials: Vec<&Trial> = trials.iter().collect();
    let row = context.row("scans", &trials, &mut excluded);
    let left_out = excluded.into_iter().map(|trial| (trial.trial, trial.why));
    (row.expect("trials"), left_out.collect())
}

fn numbers(left_out: &[(u64, String)]) -> Vec<u64> {
    left_out.iter().map(|(trial, _)| *trial).collect()
}

#[test]
fn short_trials_stand_beside_long_ones_where_they_ended_because_they_were_sure() {
    let lengths = [8, 8, 30, 30, 8, 7];
    let phases = [Before, Before, During, After, After, After];
    let trials = trials(&scans(100, None), &phases, |index, trial| {
        trial.windows = lengths[index];
    });
    let sure = |number: &u64| {
        let seen = [
            (observed::PRECISION_ASKED.to_owned(), 0.03),
            (observed::ENDED_PRECISE.to_owned(), 1.0),
        ];
        (*number, seen.into_iter().collect())
    };
    // Fixed lengths: 30 s are too far from 8 s.
    let (_, left_out) = row(&trials);
    assert_eq!(numbers(&left_out), [3, 4]);
    assert!(left_out[0].1.contains("a factor of 2 from the usual 8 s"));
    // The short ones of before were sure.
    let observations: BTreeMap<u64, Observations> = [1, 2].iter().map(sure).collect();
    let (row, left_out) = row_of(&trials, &observations);
    assert!(left_out.is_empty(), "{left_out:?}");
    assert!(row.group(Before).unwrap().looked && !row.group(After).unwrap().looked);
    // With long ones before, a short one afterwards has to be.
    let reversed: Vec<Trial> = trials
        .iter()
        .map(|trial| Trial {
            windows: if trial.phase == Before { 30 } else { 8 },
            ..trial.clone()
        })
        .collect();
    let observations: BTreeMap<u64, Observations> = [3, 5].iter().map(sure).collect();
    let (_, left_out) = row_of(&reversed, &observations);
    assert_eq!(numbers(&left_out), [4, 6]);
}

#[test]
fn trials_of_another_submission_are_left_out_as_the_phase_before_says() {
    let submissions = ["threads", "ring", "threads", "ring", "ring", "threads"];
    let phases = [Before, Before, Before, After, After, After];
    let trials = trials(&scans(100, None), &phases, |index, trial| {
        trial.submission = submissions[index].to_owned();
    });
    let (row, left_out) = row(&trials);
    assert_eq!(numbers(&left_out), [2, 4, 5]);
    assert_eq!(
        left_out[1].1,
        "submitted by ring, where most of those it would stand beside were submitted by threads"
    );
    assert_eq!(row.group(Before).unwrap().trials, [1, 3]);
    assert_eq!(row.group(After).unwrap().trials, [6]);
}

#[test]
fn of_equally_common_submissions_the_later_one_counts_and_without_before_the_next_phase() {
    let submissions = ["ring", "threads", "threads", "threads"];
    let trials = trials(
        &scans(100, None),
        &[During, During, After, After],
        |index, trial| trial.submission = submissions[index].to_owned(),
    );
    assert_eq!(numbers(&row(&trials).1), [1]);
}

#[test]
fn reading_trials_may_differ_in_length_by_a_factor_of_two() {
    let lengths = [30, 30, 32, 14, 15, 60, 61];
    let phases = [Before, Before, Before, Before, After, After, After];
    let change = |index: usize, trial: &mut Trial| trial.windows = lengths[index];
    let (_, left_out) = row(&trials(&scans(100, None), &phases, change));
    assert_eq!(numbers(&left_out), [4, 7]);
    assert_eq!(
        left_out[1].1,
        "ran for 61 s, which differs by more than a factor of 2 from the usual 30 s"
    );
}

#[test]
fn writing_trials_have_to_be_of_one_length() {
    let lengths = [30, 29, 30];
    let change = |index: usize, trial: &mut Trial| trial.windows = lengths[index];
    let (_, left_out) = row(&trials(&scans(0, None), &[Before, Before, After], change));
    assert_eq!(numbers(&left_out), [2]);
}

#[test]
fn a_trial_that_was_cut_off_does_not_say_how_the_others_have_to_be() {
    let change = |index: usize, trial: &mut Trial| {
        if index == 2 {
            (trial.state, trial.windows) = (State::Interrupted, 4);
        }
    };
    let (_, left_out) = row(&trials(&scans(0, None), &[Before, After, After], change));
    assert_eq!(left_out, [(3, "interrupted".to_owned())]);
}

#[test]
fn paced_workloads_are_compared_by_mean_latency() {
    let latencies = [
        4_000_000, 4_100_000, 3_900_000, 3_000_000, 3_100_000, 2_900_000,
    ];
    let phases = [Before, Before, Before, After, After, After];
    let change = |index: usize, trial: &mut Trial| {
        trial.mean_ns = Some(latencies[index]);
        (trial.late_operations, trial.missed_operations) = (3, 1);
    };
    let (row, left_out) = row(&trials(&scans(100, Some(50.0)), &phases, change));
    assert_eq!(left_out, []);
    assert_eq!(row.quantity, Quantity::Latency);
    let before = row.group(Before).unwrap();
    assert_eq!(before.values, [4e6, 4.1e6, 3.9e6]);
    assert_eq!((before.late_or_missed, before.missed), (12, 3));
    let contrast = row.after_before.unwrap();
    assert!((contrast.ratio - 0.75).abs() < 0.001, "{}", contrast.ratio);
    assert_eq!(contrast.quantity, Quantity::Latency);
    assert_eq!(contrast.verdict, Verdict::Gain);
}

#[test]
fn a_paced_trial_without_latency_is_left_out_and_a_free_one_is_not() {
    let change = |index: usize, trial: &mut Trial| {
        trial.mean_ns = (index > 0).then_some(2_000_000);
    };
    let paced = trials(&scans(100, Some(50.0)), &[Before, Before], change);
    assert_eq!(row(&paced).1, [(1, "has no latency to compare".to_owned())]);
    let free = trials(&scans(100, None), &[Before, Before], change);
    assert_eq!(row(&free).1, []);
}

#[test]
fn groups_know_their_sittings() {
    let sittings = [1, 1, 2, 3];
    let rates = [1e8, 1.02e8, 1.1e8, 0.9e8];
    let change = |index: usize, trial: &mut Trial| {
        trial.sitting = sittings[index];
        trial.rate_bytes_per_s = Some(rates[index]);
    };
    let (three, _) = row(&trials(&scans(100, None), &[Before; 4], change));
    let group = three.group(Before).unwrap();
    assert_eq!(
        (group.sittings, group.trials_of_sittings.as_slice()),
        (3, &[2, 1, 1][..])
    );
    // Three sittings, t of two degrees of freedom: the middle is their geometric mean.
    let interval = group.mean_interval.unwrap();
    let middle = (interval.low * interval.high).sqrt();
    let expected = ((1e8f64 * 1.02e8).sqrt() * 1.1e8 * 0.9e8).cbrt();
    assert!(
        (middle / expected - 1.0).abs() < 1e-12,
        "{middle} {expected}"
    );
}

/// Student's t of two degrees of freedom is 4.3027 for 95 % and 6.9646 for 98 % (any table).
#[test]
fn the_mean_of_trials_that_were_looked_at_has_the_interval_of_a_look() {
    let trials = trials(&scans(100, None), &[Before; 3], |index, trial| {
        trial.rate_bytes_per_s = Some(1e8 * (0.01 * index as f64).exp());
    });
    let asked = [(observed::PRECISION_ASKED.to_owned(), 0.03)];
    let looked = BTreeMap::from([(1, asked.into_iter().collect())]);
    for (observations, reach) in [(BTreeMap::new(), 4.3027), (looked, 6.9646)] {
        let (row, _) = row_of(&trials, &observations);
        let interval = row.group(Before).unwrap().mean_interval.unwrap();
        let half = (interval.high / interval.low).ln() / 2.0;
        let expected = reach * 0.01 / 3f64.sqrt();
        assert!((half / expected - 1.0).abs() < 1e-4, "{half} {expected}");
    }
}

#[test]
fn new_data_has_a_row_of_its_own_and_is_never_pooled_with_old() {
    let mut study = crate::report::testing::study(crate::report::testing::Scene::Full);
    let old: Vec<Trial> = study
        .trials
        .iter()
        .filter(|trial| trial.phase == Phase::After && trial.workload == "large-read")
        .cloned()
        .collect();
    for trial in &old {
        let number = study.next_trial();
        study.trials.push(Trial {
            trial: number,
            sitting: 9,
            tags: crate::study::FRESH.to_owned(),
            rate_bytes_per_s: trial.rate_bytes_per_s.map(|rate| rate * 0.8),
            ..trial.clone()
        });
    }
    let comparison = compare(&study, &BTreeMap::new(), Rules::of(&study));
    let names: Vec<&str> = comparison
        .workloads
        .iter()
        .map(|row| row.workload.as_str())
        .collect();
    assert_eq!(
        names[..3],
        ["large-read", "large-read, new data", "large-write"]
    );
    let [old_row, new_row] = [&comparison.workloads[0], &comparison.workloads[1]];
    let trials = |row: &Row, phase| row.group(phase).map_or(0, |group| group.trials.len());
    assert_eq!(trials(old_row, Phase::After), trials(new_row, Phase::After));
    assert_eq!(
        trials(old_row, Phase::Before),
        trials(new_row, Phase::Before)
    );
    assert!(new_row.group(Phase::During).is_none());
    let ratio = |row: &Row| row.after_before.as_ref().unwrap().ratio;
    assert!((ratio(new_row) / ratio(old_row) - 0.8).abs() < 1e-9);
}

//! Sittings on made-up shares: when they end, and the time that they take there.

use std::path::Path;
use std::time::Duration;

use super::tests::made_up;
use super::until::MOST;
use super::*;
use crate::judge::{Grade, judge_all};
use crate::seed::Seed;
use crate::sim::{Scenario, SimulatedShare, demo_scenario};

const SEED: Seed = Seed(6);

/// What came of a sitting.
struct Sat {
    study: Study,
    /// Seconds of the share's own time.
    took: f64,
    notes: Vec<String>,
}

fn sit(root: &Path, scenario: Scenario, request: &Request) -> Sat {
    let mut store = made_up(root, &scenario);
    let mut share = SimulatedShare::new(scenario).unwrap();
    let (from, mut notes) = (share.now(), Vec::new());
    let mut tell = |event: Event| {
        if let Event::Note(note) = event {
            notes.push(note);
        }
    };
    let ended = hold(
        &mut share,
        &mut store,
        request,
        &Watch::default(),
        &mut tell,
    );
    assert_eq!(ended.unwrap().exit, Exit::Done, "{notes:?}");
    Sat {
        study: store.study().clone(),
        took: share.now().duration_since(from).as_secs_f64(),
        notes,
    }
}

fn request(workloads: &[&str]) -> Request {
    Request {
        workloads: workloads.iter().map(|name| (*name).to_owned()).collect(),
        size: Some(Bytes::GIB.times(4)),
        ..Request::usual(Phase::Before, RunPlan::standard())
    }
}

fn precise(workloads: &[&str], within: u64) -> Request {
    Request {
        precision: Some(0.05),
        within: Some(Duration::from_secs(within)),
        trials: MOST,
        ..request(workloads)
    }
}

/// The scenario of the demo when nobody else works, behind a link that carries 100 MB/s: 849.7 Mb/s in
/// packets of 1500 bytes are 941.4 / 1000 of payload.
fn hundred() -> Scenario {
    let mut scenario = demo_scenario(SEED);
    scenario.users.operations_per_second = [0.0; 24];
    scenario.network.bits_per_second = 849_700_000;
    assert!((scenario.network.payload_rate().0 / 1e8 - 1.0).abs() < 0.005);
    scenario
}

#[test]
fn a_quiet_share_is_known_in_less_time_and_each_trial_says_why_it_ended() {
    let folder = tempfile::tempdir().unwrap();
    let names = ["large-read", "small-read-deep"];
    let fixed = sit(&folder.path().join("fixed"), hundred(), &request(&names));
    let sat = sit(
        &folder.path().join("precise"),
        hundred(),
        &precise(&names, 3_600),
    );
    let study = &sat.study;
    let seen = |trial: &Trial, name| study.observations[&trial.trial].get(name);
    for trial in &study.trials {
        assert_eq!(seen(trial, observed::PRECISION_ASKED), Some(0.05));
        let early = seen(trial, observed::ENDED_PRECISE) == Some(1.0);
        assert_eq!(early, trial.windows < 25, "{trial:?}");
        assert!((6..=25).contains(&trial.windows) && trial.state == State::Complete);
        let reached = seen(trial, observed::PRECISION_REACHED);
        assert!(
            !early || trial.steady && reached.unwrap() <= 0.05,
            "{trial:?}"
        );
    }
    let text = crate::report::sitting_text(study, 1, &judge_all(study), "scans", 100);
    assert!(text.contains("How well it is known"), "{text}");
    let known = |name: &&str| {
        sat.notes
            .iter()
            .any(|n| n.starts_with(&format!("{name}: known to ±")))
    };
    assert!(names.iter().all(known), "{:?}", sat.notes);
    let asked = until::Asked {
        seconds: 25,
        size: request(&names).size,
        precision: Some(0.05),
    };
    assert_eq!(until::asked_before(study), Some(asked));
    assert!(
        sat.took * 2.0 < fixed.took,
        "{SEED}: {} {}",
        sat.took,
        fixed.took
    );
}

/// What writes runs its time, and what is known is left out while the other goes on; the time is kept.
#[test]
fn writing_trials_keep_their_length_and_no_round_begins_that_may_end_too_late() {
    let folder = tempfile::tempdir().unwrap();
    let request = precise(&["large-write", "small-read"], 220);
    let sat = sit(
        folder.path().join("scans").as_path(),
        demo_scenario(SEED),
        &request,
    );
    let of = |name: &str| {
        let trials = sat.study.trials.iter();
        trials
            .filter(|trial| trial.workload == name)
            .map(|trial| trial.windows)
            .collect::<Vec<_>>()
    };
    assert!(of("large-write").iter().all(|windows| *windows == 25));
    let trials = sat.study.trials.iter();
    let seconds: f64 = trials
        .map(|trial| trial.windows as f64 + trial.flush_seconds.unwrap_or(0.0))
        .sum();
    assert!(seconds <= 220.0, "{SEED}: {seconds}");
    let end = sat
        .notes
        .iter()
        .filter(|note| note.starts_with("the sitting ends: "));
    assert_eq!(end.count(), 1, "{:?}", sat.notes);
}

/// The promise of --brief: an answer with grades within two minutes on a share of 100 MB/s.
#[test]
fn a_brief_sitting_answers_within_two_minutes_at_100_mb_a_second() {
    let folder = tempfile::tempdir().unwrap();
    let request = Request::brief(Phase::Before);
    let sat = sit(&folder.path().join("scans"), hundred(), &request);
    let judged = judge_all(&sat.study);
    let grades: Vec<Grade> = judged.values().map(|judged| judged.ruling.grade).collect();
    assert!((90.0..=120.0).contains(&sat.took), "{SEED}: {} s", sat.took);
    for workload in Workload::standard() {
        let of = |trial: &&Trial| trial.workload == workload.name;
        let trials = sat.study.trials.iter().filter(of).count();
        // Small writes owe their cache more than their own time, so that there is none for another trial.
        let least = if workload.writes() { 1 } else { 2 };
        assert!(trials >= least, "{SEED}, {}: {trials}", workload.name);
    }
    assert_eq!(grades.len(), sat.study.trials.len());
    assert_eq!(until::asked_before(&sat.study), None, "an example");
}

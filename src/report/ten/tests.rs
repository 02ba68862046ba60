//! The ten lines of whole scenes.

use super::*;
use crate::compare::compare;
use crate::compare::scene::{reshaping, small};
use crate::judge::judge_all;
use crate::plan::Set;
use crate::record::observed;
use crate::report::testing::{self, SCENES, Scene as Example};
use crate::reshape::Word;
use crate::study::{CheckRow, Outcome, PassRow, Side, State, VerifiedRow};
use crate::text::plain;
use crate::units::Bytes;
use jiff::tz::TimeZone;

fn now() -> Timestamp {
    "2026-03-06T09:00:00Z".parse().unwrap()
}

fn of(study: &Study) -> Ten {
    let judgements = judge_all(study);
    let comparison = compare(study, &judgements, Rules::of(study));
    let account = Account::of(study, &comparison, &judgements, TimeZone::UTC);
    Ten::of(study, &comparison, &judgements, &account, now())
}

#[test]
fn there_are_ten_lines_whatever_is_missing_and_each_says_how_sure_it_is() {
    for example in SCENES {
        let ten = of(&testing::study(example));
        assert_eq!(ten.lines.len(), 10, "{example:?}");
        assert!(!ten.verdict.is_empty());
        for line in &ten.lines {
            let texts = [&line.number, &line.comparison, &line.plain, &line.rows];
            assert!(!line.number.is_empty() && !line.sure.is_empty(), "{line:?}");
            for text in texts {
                assert_eq!(**text, plain(text), "{example:?}");
            }
        }
        let text = text::ten_text(&ten, 80);
        assert!(
            text.lines().all(|line| line.chars().count() <= 80),
            "{text}"
        );
        assert_eq!(text.contains("SIMULATED"), example == Example::Simulated);
    }
}

/// Large reads stand for the pool; a loss beside them is told all the same.
#[test]
fn a_loss_of_another_workload_stands_in_the_verdict() {
    let mut study = testing::study(Example::Full);
    assert!(!of(&study).verdict.contains("A loss is proved"));
    for trial in &mut study.trials {
        if trial.workload == "large-write" && trial.phase == Phase::After {
            trial.rate_bytes_per_s = trial.rate_bytes_per_s.map(|rate| rate / 3.0);
        }
    }
    let verdict = of(&study).verdict;
    assert!(
        verdict.contains("A loss is proved of large-write (−"),
        "{verdict}"
    );
}

#[test]
fn a_gain_is_told_in_per_cent_and_in_minutes_of_copying() {
    let mut study = testing::study(Example::Full);
    study.config.report = Some(Audience {
        copy: Some(Bytes::GB.times(180)),
        person_reads_per_s: Some(20.0),
    });
    let ten = of(&study);
    let judgements = judge_all(&study);
    let comparison = compare(&study, &judgements, Rules::of(&study));
    // Of one sitting a phase, the geometric mean of its trials, reckoned here a second time.
    let mean = |row: &Row, phase| {
        let rates = &row.group(phase).unwrap().rates;
        let logs: f64 = rates.iter().map(|rate| rate.ln()).sum();
        (logs / rates.len() as f64).exp()
    };
    let row = &comparison.workloads[0];
    let minutes = |phase| format!("{:.1} min", 180e9 / mean(row, phase) / 60.0);
    let link = &ten.lines[3];
    // The rates are those of which the change is told.
    let change = mean(row, Phase::After) / mean(row, Phase::Before);
    let told = format!(
        "{} → {}",
        crate::units::Rate(mean(row, Phase::Before)),
        crate::units::Rate(mean(row, Phase::After))
    );
    assert_eq!(link.number, told);
    let told = format!("{}, both geometric means", words::change(change));
    assert!(link.comparison.starts_with(&told), "{link:?}");
    let told = format!(
        "Copying 180 GB takes {}; before it took {}.",
        minutes(Phase::After),
        minutes(Phase::Before)
    );
    assert_eq!(link.plain, told);
    assert_eq!(link.standing, Standing::Good);
    assert!(
        ten.verdict.contains("faster (95 % interval"),
        "{}",
        ten.verdict
    );
    let many = comparison
        .workloads
        .iter()
        .find(|row| row.workload == "small-read-deep")
        .unwrap();
    let people = |phase| {
        let block = many.group(phase).unwrap().block_bytes;
        (mean(many, phase) / block as f64 / 20.0).floor()
    };
    let told = format!(
        "With many reading at once (small-read-deep) it serves {} people, before {}, at 20 small reads a second each.",
        people(Phase::After),
        people(Phase::Before)
    );
    assert_eq!(ten.lines[4].plain, told);
    // The size of the example's facts: 12 TB, then 18.
    let space = "12.0 TB (10.9 TiB) → 18.0 TB (16.4 TiB)";
    assert_eq!(ten.lines[1].number, space);
}

/// A title claims no more than what was reckoned, and no link where there is none.
#[test]
fn titles_are_true_of_the_place_of_the_data_and_of_the_way_to_it() {
    let mut study = testing::study(Example::Full);
    let titles = |study: &Study| {
        let ten = of(study);
        [ten.lines[2].title, ten.lines[3].title]
    };
    assert_eq!(
        titles(&study),
        ["Speed of the pool", "What one user on this link sees"]
    );
    for trial in study.trials.clone() {
        let seen = study.observations.entry(trial.trial).or_default();
        for name in [
            observed::LOCATION_LOW,
            observed::LOCATION_MEAN,
            observed::LOCATION_HIGH,
        ] {
            seen.put(name, [0.9, 0.8, 0.675][trial.phase as usize]);
        }
    }
    study.config.pool.as_mut().unwrap().rpm = Some(7200);
    for facts in study.facts.values_mut() {
        let mount = facts.mount.as_mut().unwrap();
        (mount.kind, mount.source) = ("btrfs".into(), "/dev/sda".into());
    }
    assert_eq!(
        titles(&study),
        [
            "Speed of the pool, same data in the same place",
            "What one user on this machine sees"
        ]
    );
}

#[test]
fn what_a_cache_served_is_void_and_has_no_minutes() {
    let ten = of(&testing::study(Example::Warm));
    assert_eq!(ten.lines[2].standing, Standing::Void);
    assert_eq!(ten.lines[3].standing, Standing::Void);
    assert!(ten.alarming && ten.verdict.starts_with("Nothing can be said of the gain."));
    assert!(!ten.lines[3].plain.contains("takes"), "{:?}", ten.lines[3]);
}

/// Held like against like: trials against trials; else probes, where they are enough and the pace is none of
/// the difference.
#[test]
fn what_it_cost_is_told_by_what_can_tell_it() {
    let mut study = reshaping(|hour| match hour < 1.0 {
        true => (hour, Word::Running),
        false => (1.0, Word::Finished),
    });
    let told = |study: &Study| {
        let ten = of(study);
        let cost = ten.lines[5].clone();
        assert!(
            ten.verdict.contains(&cost.number),
            "{} {cost:?}",
            ten.verdict
        );
        (ten.verdict, cost)
    };
    study.probes.push(small(0.5, 10.2));
    let (verdict, cost) = told(&study);
    assert!(
        verdict.contains("While it ran for 1.0 h, in trials small reads took"),
        "{verdict}"
    );
    assert!(
        cost.number.contains("times as long (95 % interval"),
        "{cost:?}"
    );
    assert!(
        cost.comparison.starts_with(
            "by 1 probe small reads took 10.2 ms on average, median 8.16 ms; before, "
        ),
        "{cost:?}"
    );
    assert!(cost.rows.starts_with("trials.csv"), "{cost:?}");
    study.trials.retain(|trial| trial.phase != Phase::During);
    let (_, cost) = told(&study);
    assert!(
        cost.number.starts_with(
            "by 1 probe small reads took 10.2 ms on average, median 8.16 ms; before, "
        ) && cost
            .number
            .ends_with("; so few do not tell how much longer that is"),
        "{cost:?}"
    );
    for index in 0..11 {
        study.probes.push(small(f64::from(index) / 12.0, 10.2));
    }
    let (_, cost) = told(&study);
    assert!(
        cost.number.starts_with("by probes small reads took ")
            && cost
                .number
                .contains(" times as long (10.2 ms on average, median 8.16 ms; before, "),
        "{cost:?}"
    );
    // An hour has no worst hour of the day.
    assert!(!cost.comparison.contains("worst from"), "{cost:?}");
    for trial in &mut study.trials {
        trial.mean_ns = Some(62_700);
        trial.p50_ns = Some(58_000);
    }
    assert_eq!(
        told(&study).1.number,
        "by probes small reads took 10.2 ms on average, median 8.16 ms; before, when they followed one another at \
         once, 62.7 µs on average, median 58.0 µs"
    );
}

/// What is known leads: that nothing is proved is no answer to what it cost.
#[test]
fn where_trials_prove_no_change_what_was_measured_leads() {
    let mut study = reshaping(|hour| match hour < 1.0 {
        true => (hour, Word::Running),
        false => (1.0, Word::Finished),
    });
    // Trials of the phase during that scatter by more than they differ.
    let mut rate = 0.0;
    for trial in &mut study.trials {
        if trial.workload == "small-read" && trial.phase == Phase::During {
            rate += 1.0;
            trial.rate_bytes_per_s = trial.rate_bytes_per_s.map(|old| old * 2.4 * rate / 2.0);
        }
    }
    let line = of(&study).lines[5].clone();
    // Without probes, the rate of the trials themselves is told.
    assert!(line.number.ends_with(" in small-read"), "{line:?}");
    assert_eq!(line.sure, "not proved");
    let verdict = of(&study).verdict;
    assert!(
        verdict.contains("in trials small reads took ")
            && verdict.contains(" before: no change is proved"),
        "{verdict}"
    );
    for index in 0..11 {
        study.probes.push(small(f64::from(index) / 12.0, 10.2));
    }
    let line = of(&study).lines[5].clone();
    assert!(
        line.number.starts_with("by probes small reads took "),
        "{line:?}"
    );
    assert!(
        line.comparison
            .starts_with("trials of small-read prove no change ("),
        "{line:?}"
    );
}

/// A practice study has nothing to follow; of a reshape that is over nothing can be followed any more.
#[test]
fn nobody_is_asked_to_follow_what_is_not_there() {
    let followed = |study: &Study| {
        let ten = of(study);
        [5, 6].map(|line: usize| ten.lines[line].plain.clone())
    };
    let asked = |lines: [String; 2]| lines.iter().all(|line| line.contains("poolproof watch"));
    assert!(asked(followed(&testing::study(Example::BeforeOnly))));
    let mut study = testing::study(Example::Full);
    study.trials.retain(|trial| trial.phase != Phase::During);
    for line in followed(&study) {
        assert!(line.starts_with("The reshape is over"), "{line}");
    }
    study.config.pool = None;
    let before = study.facts.values().next().unwrap().space.clone();
    for facts in study.facts.values_mut() {
        facts.space.clone_from(&before);
    }
    for line in followed(&study) {
        assert!(line.starts_with("No expansion was seen or told"), "{line}");
    }
}

/// Line 9 knows what the facts below it know.
#[test]
fn facts_that_differ_are_not_called_nothing() {
    let mut study = testing::study(Example::Full);
    for facts in study.facts.values_mut() {
        facts.links[0].mtu = 1500;
    }
    let line = of(&study).lines[8].clone();
    assert_eq!(line.number, "no setting that is known");
    assert_eq!(
        line.comparison,
        "free space of the share 4.00 TB → 10.0 TB; size of the share 12.0 TB → 18.0 TB"
    );
    let space = study.facts.values().next().unwrap().space.clone();
    for facts in study.facts.values_mut() {
        facts.space.clone_from(&space);
    }
    let line = of(&study).lines[8].clone();
    assert_eq!(
        (line.number.as_str(), line.comparison.as_str()),
        ("nothing that is known", "")
    );
}

/// Raw bytes are named so, and what is for data stands before them.
#[test]
fn a_share_that_shows_raw_bytes_is_told_by_what_holds_data() {
    let mut study = testing::study(Example::Full);
    for facts in study.facts.values_mut() {
        let grown = facts.space.as_ref().unwrap().total == Bytes::TB.times(18);
        let room = facts.space.as_mut().unwrap();
        room.total = Bytes::TB.times(if grown { 30 } else { 24 });
        facts.mount.as_mut().unwrap().kind = "btrfs".into();
    }
    let line = of(&study).lines[1].clone();
    // RAID 6 of four, then five, drives of 6 TB.
    assert_eq!(
        line.number,
        "12.0 TB (10.9 TiB) → 18.0 TB (16.4 TiB) for data"
    );
    assert_eq!(
        line.comparison,
        "+50 % by RAID 6, 4 drives of 6 TB, growing to 5; the share shows raw bytes, parity included: 24.0 TB → \
         30.0 TB, +25 %; as much as the drives' 30.0 TB"
    );
    assert!(
        line.plain.contains("10.0 TB were free for data"),
        "{line:?}"
    );
    // A share that has not grown, or in part, has no more for data by its level.
    for (total, told) in [(24, "24.0 TB (21.8 TiB)"), (27, "27.0 TB (24.6 TiB)")] {
        let mut partly = study.clone();
        for facts in partly.facts.values_mut() {
            let room = facts.space.as_mut().unwrap();
            room.total = room.total.min(Bytes::TB.times(total));
        }
        let line = of(&partly).lines[1].clone();
        assert_eq!(line.number, format!("24.0 TB (21.8 TiB) → {told} raw"));
    }
    study.config.pool.as_mut().unwrap().drive_size = None;
    let line = of(&study).lines[1].clone();
    assert_eq!(line.number, "24.0 TB (21.8 TiB) → 30.0 TB (27.3 TiB) raw");
}

#[test]
fn a_half_done_study_says_what_is_next_and_which_lines_are_open() {
    let ten = of(&testing::study(Example::BeforeOnly));
    assert!(
        ten.verdict
            .contains("Next: check that it may start (line 10 says how)."),
        "{}",
        ten.verdict
    );
    let missing = |ten: &Ten| {
        let lines = ten.lines.iter();
        lines
            .filter(|line| line.standing == Standing::Missing)
            .count()
    };
    assert_eq!(missing(&ten), 7, "{ten:#?}");
    assert!(ten.lines[3].plain.contains("took") && !ten.lines[3].plain.contains("takes"));
    assert_eq!(missing(&of(&testing::study(Example::Empty))), 9);
}

#[test]
fn a_failed_check_is_as_loud_as_a_passed_one_is_quiet() {
    let mut study = testing::study(Example::Full);
    let row = |item: &str, result| CheckRow {
        noted: now(),
        done: now(),
        side: Side::Before,
        item: item.to_owned(),
        result,
        by: "the keeper".to_owned(),
        note: String::new(),
    };
    study.checks.push(row("scrub", Outcome::Passed));
    let told = of(&study).lines[7].clone();
    assert_eq!(told.standing, Standing::Told);
    assert!(
        told.number.starts_with("1 of 9 points attested"),
        "{told:?}"
    );
    study.checks.push(row("restore", Outcome::Failed));
    let told = of(&study).lines[7].clone();
    assert_eq!(told.standing, Standing::Bad);
    assert!(told.comparison.contains("FAILED: restore"), "{told:?}");
}

/// The number of Linux for an input/output error.
#[cfg(target_os = "linux")]
#[test]
fn errors_of_the_share_are_in_lines_one_and_eight() {
    let mut study = testing::study(Example::Full);
    assert_ne!(of(&study).lines[0].standing, Standing::Bad);
    let error = std::io::Error::from_raw_os_error(5);
    let trial = study
        .trials
        .iter_mut()
        .find(|t| t.state == State::Failed)
        .unwrap();
    trial.cause = format!("flushing file 3 of the test data: {error}");
    let number = trial.trial;
    let told = format!("1 trial ended with an input/output error ({number})");
    let ten = of(&study);
    let (data, safety) = (&ten.lines[0], &ten.lines[7]);
    assert_eq!(data.standing, Standing::Bad);
    assert!(data.comparison.contains(&told), "{data:?}");
    assert!(data.plain.contains("kernel log"), "{data:?}");
    assert!(safety.comparison.contains(&told), "{safety:?}");
}

/// Blocks that one pass read stand when a later one had none left to read.
#[test]
fn a_pass_over_nothing_leaves_the_proof_before_it() {
    let mut study = testing::study(Example::Full);
    let pass = |pass, ended| PassRow {
        pass,
        at: now(),
        read_phase: Phase::After,
        ended,
    };
    study.passes = vec![pass(1, true)];
    let empty = of(&study).lines[0].clone();
    assert_eq!(empty.standing, Standing::Missing, "{empty:?}");
    study.verified.push(VerifiedRow {
        pass: 1,
        at: now(),
        read_phase: Phase::After,
        file: 0,
        set: Set::Read,
        laid_phase: Phase::Before,
        offset_bytes: 0,
        bytes: 4096 * 732,
        blocks: 732,
        differing: 0,
        unreadable: 0,
        missing: 0,
        unsettled: 0,
        seconds: 1.0,
        direct: Some(true),
        complete: true,
    });
    study.passes.push(pass(2, true));
    study.data.files.clear();
    let line = of(&study).lines[0].clone();
    assert!(
        line.number.starts_with("0 of 732 blocks differ"),
        "{line:?}"
    );
    assert_eq!(line.standing, Standing::Good);
}

/// What is for no earlier day than that has its name and its day beside "nothing is due".
#[test]
fn where_nothing_is_due_the_next_day_is_named() {
    let mut study = testing::study(Example::Full);
    study.data.files.clear();
    let end = study.trials.last().unwrap().started;
    for trial in &mut study.trials {
        trial.state = State::Complete;
        trial.rate_bytes_per_s = trial.rate_bytes_per_s.or(Some(1e6));
    }
    for item in ["reshape", "alignment", "settings", "scrub", "report"] {
        study.checks.push(CheckRow {
            noted: end,
            done: end,
            side: Side::After,
            item: item.to_owned(),
            result: Outcome::Passed,
            by: "the keeper".to_owned(),
            note: String::new(),
        });
    }
    let due = (end + jiff::SignedDuration::from_hours(7 * 24)).strftime("%Y-%m-%d");
    let line = of(&study).lines[9].clone();
    let wanted = format!("nothing is due; look again after 7 days on {due}");
    assert_eq!(line.number, wanted, "{line:?}");
}

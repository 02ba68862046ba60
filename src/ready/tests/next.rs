//! What follows at each stage of the job.

use jiff::{SignedDuration, Timestamp};

use super::{attest, days_before, done, ready, scene};
use crate::compare::scene::{at, reshaping};
use crate::facts::{Device, Facts};
use crate::plan::{Phase, Set};
use crate::ready::*;
use crate::report::testing::Scene;
use crate::reshape::Word;
use crate::study::{Outcome, PassRow, Side, State as TrialState, Study, VerifiedRow};
use crate::units::Bytes;

fn state(follows: &Next, word: &str) -> StepState {
    let mut steps = follows.steps.iter();
    steps.find(|step| step.step == word).unwrap().state
}

fn evidence<'a>(follows: &'a Next, word: &str) -> &'a str {
    let mut steps = follows.steps.iter();
    &steps.find(|step| step.step == word).unwrap().evidence
}

/// Words of the steps that are for now.
fn for_now(follows: &Next) -> Vec<&'static str> {
    let now = |step: &&Step| step.state == StepState::Now;
    follows
        .steps
        .iter()
        .filter(now)
        .map(|step| step.step)
        .collect()
}

#[test]
fn each_stage_names_its_next_step() {
    let now: Timestamp = "2026-03-06T12:00:00Z".parse().unwrap();
    let empty = next(&scene(Scene::Empty), None, now);
    assert_eq!(
        (empty.stage, for_now(&empty)),
        (Stage::Nothing, vec!["baseline"])
    );

    let mut few = scene(Scene::BeforeOnly);
    few.trials.truncate(20);
    let few = next(&few, None, now);
    assert_eq!(
        (few.stage, for_now(&few)),
        (Stage::Baseline, vec!["baseline"])
    );

    let (mut study, ..) = ready();
    let follows = next(&study, None, now);
    assert_eq!(
        (follows.stage, for_now(&follows)),
        (Stage::Ready, vec!["started"])
    );
    assert_eq!(
        evidence(&follows, "check"),
        "9 of the 9 items that are always asked for were attested"
    );
    // Answers go stale while nobody starts.
    let waited = next(&study, None, now + SignedDuration::from_hours(24 * 8));
    assert_eq!(for_now(&waited), ["check"]);

    done(&mut study, "started", now);
    let follows = next(&study, None, now);
    assert_eq!(
        (follows.stage, for_now(&follows)),
        (Stage::During, vec!["during", "reshape"])
    );
    assert_eq!(state(&follows, "check"), StepState::Done);

    done(&mut study, "reshape", now);
    let follows = next(&study, None, now);
    assert_eq!(
        (follows.stage, for_now(&follows)),
        (Stage::After, vec!["grow"])
    );
    assert_eq!(state(&follows, "during"), StepState::Missed);

    done(&mut study, "grow", now);
    let follows = next(&study, None, now);
    assert_eq!(
        for_now(&follows),
        ["alignment", "settings", "scrub", "verified"]
    );
    assert!(
        evidence(&follows, "grow").contains("not known"),
        "no size was seen since"
    );
}

#[test]
fn the_check_was_done_where_every_item_was_answered_for_before_the_start() {
    let check = |change: &dyn Fn(&mut Study, Timestamp)| {
        let (mut study, _, start) = ready();
        change(&mut study, start);
        done(&mut study, "started", start);
        let follows = next(&study, None, start);
        let told = evidence(&follows, "check").to_owned();
        (state(&follows, "check"), told)
    };
    let told =
        "9 of the 9 items that are always asked for were attested before it began".to_owned();
    assert_eq!(check(&|_, _| ()), (StepState::Done, told.clone()));
    let scrub = item(Side::Before, "scrub").unwrap();
    // An answer of later days takes nothing from what was known at the start.
    let later = check(&|study, start| {
        attest(study, scrub, days_before(start, -2));
        study.checks.last_mut().unwrap().result = Outcome::Failed;
    });
    assert_eq!(later, (StepState::Done, told));
    // Both dated to the day alone, the start at its first moment.
    let (mut study, ..) = ready();
    let midnight: Timestamp = "2026-03-06T00:00:00Z".parse().unwrap();
    study
        .checks
        .iter_mut()
        .for_each(|row| row.done = midnight + SignedDuration::from_hours(9));
    done(&mut study, "started", midnight);
    assert_eq!(
        state(&next(&study, None, midnight), "check"),
        StepState::Done
    );
    let short = (
        StepState::Missed,
        "8 of the 9 items that are always asked for were attested before it began".to_owned(),
    );
    let afterwards = check(&|study, start| {
        study.checks.retain(|row| row.item != "scrub");
        attest(study, scrub, days_before(start, -2));
    });
    assert_eq!(afterwards, short);
    let stale = check(&|study, start| {
        study.checks.retain(|row| row.item != "scrub");
        attest(study, scrub, days_before(start, 15));
    });
    assert_eq!(stale, short);
    let failed = check(&|study, start| {
        attest(study, scrub, days_before(start, 1));
        study.checks.last_mut().unwrap().result = Outcome::Failed;
    });
    assert_eq!(failed, short);
}

/// The study of all three phases, with every step recorded but the looks.
fn complete() -> (Study, Timestamp) {
    let mut study = scene(Scene::Full);
    let end = study.trials.last().unwrap().started;
    // The last two were cut short.
    for trial in &mut study.trials {
        trial.state = TrialState::Complete;
        trial.rate_bytes_per_s = trial.rate_bytes_per_s.or(Some(1e6));
    }
    for word in ["alignment", "settings", "scrub", "report"] {
        done(&mut study, word, end);
    }
    read(&mut study, true, end);
    (study, end)
}

/// A pass over the test data has read a block of it.
fn read(study: &mut Study, ended: bool, at: Timestamp) {
    study.passes.push(read_back(ended, at));
    study.verified.push(VerifiedRow {
        pass: 1,
        at,
        read_phase: Phase::After,
        file: 0,
        set: Set::Read,
        laid_phase: Phase::Before,
        offset_bytes: 0,
        bytes: 4096,
        blocks: 1,
        differing: 0,
        unreadable: 0,
        missing: 0,
        unsettled: 0,
        seconds: 1.0,
        direct: Some(true),
        complete: true,
    });
}

fn read_back(ended: bool, at: Timestamp) -> PassRow {
    PassRow {
        pass: 1,
        at,
        read_phase: Phase::After,
        ended,
    }
}

#[test]
fn what_was_written_before_has_to_be_read_back() {
    let (mut study, end) = complete();
    assert_eq!(state(&next(&study, None, end), "verified"), StepState::Done);
    study.passes = vec![read_back(false, end)];
    let follows = next(&study, None, end);
    assert_eq!(state(&follows, "verified"), StepState::Now);
    assert!(evidence(&follows, "verified").contains("has not ended"));
    study.passes.clear();
    assert_eq!(state(&next(&study, None, end), "verified"), StepState::Now);
}

/// A pass over sealed files alone, and taking the test data off, leave what was proved before.
#[test]
fn a_pass_over_nothing_takes_no_proof_away() {
    let (mut study, end) = complete();
    study.passes.push(PassRow {
        pass: 2,
        ..read_back(true, end)
    });
    assert_eq!(state(&next(&study, None, end), "verified"), StepState::Done);
    study.data.files.clear();
    let follows = next(&study, None, end);
    assert_eq!(state(&follows, "verified"), StepState::Done);
    assert!(evidence(&follows, "verified").contains("taken off the share since"));
    // Nothing but a pass over nothing: nothing is said of it.
    study.verified.clear();
    let follows = next(&study, None, end);
    assert!(follows.steps.iter().all(|step| step.step != "verified"));
}

/// btrfs tells raw bytes: 24 TB of drives become 30, of which 18 and 24 are for data.
#[test]
fn a_file_system_that_counts_parity_is_held_against_raw_bytes() {
    use crate::pool::Level;
    let (mut study, end) = complete();
    let pool = study.config.pool.as_mut().unwrap();
    (pool.level, pool.drives, pool.adding) = (Level::Raid5, 4, 1);
    pool.drive_size = Some(Bytes::TB.times(6));
    for facts in study.facts.values_mut() {
        facts.mount.as_mut().unwrap().kind = "btrfs".into();
    }
    for trial in study.trials.clone() {
        let terabytes = if trial.phase == Phase::Before { 24 } else { 30 };
        let facts = study.facts.get(&trial.facts).unwrap().clone();
        let own = format!("{}-{terabytes}", trial.facts);
        let mut facts = facts;
        facts.space.as_mut().unwrap().total = Bytes::TB.times(terabytes);
        study.facts.insert(own.clone(), facts);
        let mut all = study.trials.iter_mut();
        all.find(|t| t.trial == trial.trial).unwrap().facts = own;
    }
    let follows = next(&study, None, end);
    let share = follows
        .layers
        .iter()
        .find(|layer| layer.name == "share")
        .unwrap();
    for (expected, seen) in share.expected.iter().zip(&share.seen) {
        let (expected, seen) = (expected.as_ref().unwrap(), seen.as_ref().unwrap());
        assert_eq!(expected.bytes, seen.bytes);
        assert!(expected.source.contains("raw bytes") && seen.source.contains("raw bytes"));
    }
    assert!(evidence(&follows, "alignment").contains("does not apply"));
    assert_eq!(state(&follows, "alignment"), StepState::Done);
}

#[test]
fn looking_again_falls_due_and_the_test_data_goes_last() {
    let (mut study, end) = complete();
    let day = |days: i64| days_before(end, -days);
    let follows = next(&study, None, end);
    assert_eq!(
        (follows.stage, for_now(&follows)),
        (Stage::FollowUp, vec![])
    );
    let until = crate::report::now_text(&follows, 80);
    let due = day(7).strftime("%Y-%m-%d").to_string();
    assert!(until.contains(&format!(
        "nothing until {due}: then look again after 7 days"
    )));
    assert!(
        evidence(&follows, "clean").ends_with("looks again after 7 and 30 days measure with it")
    );
    assert!(too_early(&study, "look-7", day(5)).is_some());
    assert_eq!(too_early(&study, "look-7", day(7)), None);
    assert_eq!(too_early(&study, "scrub", day(1)), None);
    assert_eq!(for_now(&next(&study, None, day(8))), ["look-7"]);
    assert_eq!(for_now(&next(&study, None, day(40))), ["look-7", "look-30"]);
    done(&mut study, "look-7", day(7));
    done(&mut study, "look-30", day(30));
    assert_eq!(for_now(&next(&study, None, day(40))), ["clean"]);
    study.data.files.clear();
    let follows = next(&study, None, day(40));
    assert_eq!((follows.stage, for_now(&follows)), (Stage::Done, vec![]));
}

#[test]
fn a_scrub_from_before_the_end_of_the_reshape_does_not_count() {
    let (mut study, end) = complete();
    study.checks.retain(|row| row.item != "scrub");
    done(&mut study, "scrub", days_before(end, 2));
    let follows = next(&study, None, end);
    assert_eq!(state(&follows, "scrub"), StepState::Now);
    assert!(evidence(&follows, "scrub").contains("before the layout was finished"));
}

/// Facts of the sitting after, changed.
fn change_after(study: &mut Study, change: impl Fn(&mut Facts)) {
    let id = study.trials.last().unwrap().facts.clone();
    change(study.facts.get_mut(&id).unwrap());
}

#[test]
fn sizes_count_before_records() {
    let (mut study, end) = complete();
    assert!(evidence(&next(&study, None, end), "grow").contains("18.0 TB (16.4 TiB)"));
    done(&mut study, "grow", end);
    change_after(&mut study, |facts| {
        facts.space.as_mut().unwrap().total = Bytes::TB.times(12);
    });
    let follows = next(&study, None, end);
    assert_eq!(
        (follows.stage, for_now(&follows)),
        (Stage::After, vec!["grow"])
    );
    let told = evidence(&follows, "grow");
    assert!(
        told.contains("old size") && told.contains("say otherwise"),
        "{told}"
    );
    change_after(&mut study, |facts| {
        facts.space.as_mut().unwrap().total = Bytes::TB.times(14);
    });
    let told = next(&study, None, end);
    assert!(evidence(&told, "grow").contains("only a part"), "{told:?}");
    // A look of this moment is later than the last sitting, and only at the same mount.
    let mut live = study.facts[&study.trials.last().unwrap().facts].clone();
    live.space.as_mut().unwrap().total = Bytes::TB.times(18);
    assert_eq!(
        state(&next(&study, Some(&live), end), "grow"),
        StepState::Done
    );
    live.mount.as_mut().unwrap().source = "other:/x".into();
    assert_eq!(
        state(&next(&study, Some(&live), end), "grow"),
        StepState::Now
    );
}

/// Five drives in place of four are 25 % more raw bytes, and 50 % more for data in RAID 6.
#[test]
fn raw_bytes_that_grew_with_the_drives_are_enough_on_btrfs_and_for_who_looked() {
    let (mut study, end) = complete();
    change_after(&mut study, |facts| {
        facts.space.as_mut().unwrap().total = Bytes::TB.times(15);
    });
    let follows = next(&study, None, end);
    assert_eq!(state(&follows, "grow"), StepState::Now);
    let told = evidence(&follows, "grow");
    assert!(
        told.contains("may be all") && told.contains("+25 % of raw bytes"),
        "{told}"
    );
    let mut recorded = study.clone();
    done(&mut recorded, "grow", end);
    let follows = next(&recorded, None, end);
    assert_eq!(state(&follows, "grow"), StepState::Done);
    assert!(evidence(&follows, "grow").starts_with("the keeper recorded it"));
    change_after(&mut study, |facts| {
        facts.mount.as_mut().unwrap().kind = "btrfs".into()
    });
    let follows = next(&study, None, end);
    assert_eq!(state(&follows, "grow"), StepState::Done);
    assert!(evidence(&follows, "grow").contains("shows raw bytes"));
}

/// What `watch` has read needs no record.
#[test]
fn a_reshape_that_was_followed_to_its_end_is_begun_and_finished() {
    let mut study = reshaping(|hour| match hour < 40.0 {
        true => (hour / 40.0, Word::Running),
        false => (1.0, Word::Finished),
    });
    study.trials.retain(|trial| trial.phase == Phase::Before);
    study.checks.clear();
    let now = at(50.0);
    let follows = next(&study, None, now);
    assert_eq!(state(&follows, "started"), StepState::Done);
    assert_eq!(state(&follows, "reshape"), StepState::Done);
    assert!(evidence(&follows, "reshape").contains("read that it is done"));
    study.progress = study.progress.span(0..100).collect();
    let follows = next(&study, None, now);
    assert_eq!(follows.stage, Stage::During);
    assert_eq!(state(&follows, "reshape"), StepState::Now);
    assert_eq!(evidence(&follows, "reshape"), "`watch` read it at 20.6 %");
    let step = follows.steps.iter().find(|step| step.step == "reshape");
    let advice = &step.unwrap().advice;
    assert!(
        advice.starts_with("let `poolproof watch") && advice.contains("--done reshape"),
        "{advice}"
    );
}

/// The drive is in the pool and a watch runs, but nobody has started the balance.
#[test]
fn what_waits_to_be_started_is_not_measured_yet() {
    let mut study = reshaping(|_| (0.0, Word::Absent));
    study.progress.change(|_, row| row.fraction = None);
    study.trials.retain(|trial| trial.phase == Phase::Before);
    let last = study.progress.last().unwrap().at;
    done(&mut study, "started", last - SignedDuration::from_hours(1));
    let after = |minutes| next(&study, None, last + SignedDuration::from_mins(minutes));
    let advice = |follows: &Next, word: &str| {
        let step = follows.steps.iter().find(|step| step.step == word);
        step.unwrap().advice.clone()
    };
    let soon = after(1);
    assert_eq!(
        evidence(&soon, "reshape"),
        "`watch` reads that nothing reshapes yet"
    );
    assert!(advice(&soon, "during").starts_with("once it runs, "));
    assert!(advice(&soon, "reshape").starts_with("let the server begin"));
    // An hour later, nobody knows.
    let later = after(60);
    assert!(advice(&later, "during").starts_with("run `poolproof measure"));
}

#[test]
fn the_stripe_is_read_from_the_mount() {
    let (mut study, end) = complete();
    study.checks.retain(|row| row.item != "alignment");
    let options = |option: &str| {
        let option = option.to_owned();
        move |facts: &mut Facts| facts.mount.as_mut().unwrap().options = vec![option.clone()]
    };
    // 512 KiB chunks in blocks of 4 KiB: 128 for each of two data drives, then of three.
    let before = study.trials[0].facts.clone();
    options("stripe=256")(study.facts.get_mut(&before).unwrap());
    change_after(&mut study, options("stripe=256"));
    let follows = next(&study, None, end);
    assert_eq!(for_now(&follows), ["alignment"]);
    assert!(
        evidence(&follows, "alignment").contains("would be 384"),
        "{follows:?}"
    );
    change_after(&mut study, options("stripe=384"));
    assert_eq!(
        state(&next(&study, None, end), "alignment"),
        StepState::Done
    );
    change_after(&mut study, options("rw"));
    assert_eq!(
        evidence(&next(&study, None, end), "alignment"),
        "nobody has recorded it"
    );
}

#[test]
fn bytes_are_told_layer_by_layer_with_their_sources() {
    let (mut study, end) = complete();
    change_after(&mut study, |facts| {
        let drive = |name: &str| Device {
            name: name.into(),
            bytes: Bytes::TB.times(6),
            over: Vec::new(),
        };
        let over = |name: &str, below: &[&str]| Device {
            name: name.into(),
            bytes: Bytes::TB.times(18),
            over: below.iter().map(|name| (*name).into()).collect(),
        };
        let names = ["sda1", "sdb1", "sdc1", "sdd1", "sde1"];
        facts.devices = vec![over("dm-0", &["md7"]), over("md7", &names)];
        facts.devices.extend(names.map(drive));
    });
    let follows = next(&study, None, end);
    let told: Vec<(&str, [Option<u64>; 4])> = follows
        .layers
        .iter()
        .map(|layer| {
            let bytes = |figure: &Option<Figure>| figure.as_ref().map(|f| f.bytes.0 / Bytes::TB.0);
            let [expected, grown] = &layer.expected;
            let [seen, later] = &layer.seen;
            (
                layer.name,
                [bytes(expected), bytes(seen), bytes(grown), bytes(later)],
            )
        })
        .collect();
    assert_eq!(
        told,
        [
            ("drives", [Some(24), None, Some(30), Some(30)]),
            ("pool", [Some(12), None, Some(18), Some(18)]),
            ("volume", [Some(12), None, Some(18), Some(18)]),
            ("share", [Some(12), Some(12), Some(18), Some(18)]),
        ]
    );
    let source = |layer: usize| {
        follows.layers[layer].seen[1]
            .as_ref()
            .unwrap()
            .source
            .as_str()
    };
    assert_eq!(source(0), "5 block devices, in sitting 3");
    assert_eq!(source(1), "block device md7, in sitting 3");
    assert_eq!(source(2), "block device dm-0, in sitting 3");
    let expected = follows.layers[1].expected[1].as_ref().unwrap();
    assert_eq!(expected.source, "study.toml: 3 data drives × 6.00 TB");
}

#[test]
fn what_else_changed_stands_beside_the_steps() {
    let (study, end) = complete();
    let follows = next(&study, None, end);
    let facts: Vec<&str> = follows.changed.iter().map(|c| c.fact.as_str()).collect();
    assert_eq!(
        facts,
        ["largest packet of lan0", "filled part of the share"]
    );
    let text = crate::report::next_text(&follows, 80);
    assert!(
        text.contains("largest packet of lan0: 1500 → 1500 → 9000"),
        "{text}"
    );
}

/// A study of trials before and after alone: nothing was described, watched or recorded, and the share stayed
/// as large as it was.
fn untold() -> (Study, Timestamp) {
    let mut study = scene(Scene::Full);
    study.config.pool = None;
    study.trials.retain(|trial| trial.phase != Phase::During);
    let room = study.facts[&study.trials[0].facts].space.clone();
    change_after(&mut study, |facts| facts.space = room.clone());
    let end = study.trials.last().unwrap().started;
    (study, end)
}

#[test]
fn what_follows_an_expansion_is_held_back_where_none_was_seen_or_told() {
    let (mut study, end) = untold();
    let follows = next(&study, None, end).at("scans");
    assert_eq!(
        (follows.stage, for_now(&follows)),
        (Stage::Untold, vec!["reshape", "verified"])
    );
    assert_eq!(
        (come_to(&study), come_to(&complete().0)),
        (Phase::Before, Phase::After),
        "what did not change can be measured again"
    );
    let step = |word: &str| {
        let mut steps = follows.steps.iter();
        steps.find(|step| step.step == word).unwrap()
    };
    assert!(
        step("reshape")
            .advice
            .starts_with("if an expansion has ended, record it")
    );
    for word in ["grow", "alignment", "settings", "scrub", "look-7"] {
        let step = step(word);
        assert_eq!((step.state, step.at), (StepState::Later, None), "{word}");
        assert!(
            step.advice.starts_with("if a drive was added: "),
            "{}",
            step.advice
        );
    }
    // Neither waits for them, nor do looks fall due.
    read(&mut study, true, end);
    let late = next(&study, None, days_before(end, -40));
    assert!(!for_now(&late).contains(&"look-7"), "{late:?}");
    assert!(for_now(&late).contains(&"after"), "{late:?}");
    // What somebody records is believed, and asks for all that follows.
    done(&mut study, "reshape", end);
    let follows = next(&study, None, end);
    assert_eq!(
        (follows.stage, for_now(&follows)),
        (Stage::After, vec!["grow"])
    );
}

/// Each of these speaks of an expansion, so that all its steps stand.
#[test]
fn an_expansion_is_told_by_a_pool_a_size_a_reading_or_a_trial() {
    let stage = |change: &dyn Fn(&mut Study)| {
        let (mut study, end) = untold();
        change(&mut study);
        let follows = next(&study, None, end);
        assert!(for_now(&follows).contains(&"grow"), "{follows:?}");
        follows.stage
    };
    let full = scene(Scene::Full);
    let during = full
        .trials
        .iter()
        .find(|t| t.phase == Phase::During)
        .unwrap();
    assert_eq!(
        stage(&|study| study.config.pool = full.config.pool.clone()),
        Stage::After
    );
    assert_eq!(
        stage(&|study| study.trials.insert(0, during.clone())),
        Stage::After
    );
    let larger = |facts: &mut Facts| facts.space.as_mut().unwrap().total = Bytes::TB.times(18);
    assert_eq!(stage(&|study| change_after(study, larger)), Stage::After);
    let unseen = |facts: &mut Facts| facts.space = None;
    assert_eq!(stage(&|study| change_after(study, unseen)), Stage::After);
    let read = reshaping(|_| (0.5, Word::Running)).progress;
    assert_eq!(
        stage(&|study| study.progress.extend(read.span(0..2))),
        Stage::After
    );
    assert_eq!(
        stage(&|study| done(study, "settings", study.trials[0].started)),
        Stage::After
    );
}

/// Nobody waits for the end of what runs no more, or measures beside it.
#[test]
fn a_reshape_that_runs_no_more_is_looked_at_before_anything_else() {
    let mut study = reshaping(|hour| match hour < 4.0 {
        true => (0.1 * hour, Word::Running),
        false => (0.4, Word::Absent),
    });
    study.trials.retain(|trial| trial.phase == Phase::Before);
    let follows = next(&study, None, at(20.0)).at("scans");
    let advice = |word: &str| {
        let step = follows.steps.iter().find(|step| step.step == word);
        step.unwrap().advice.clone()
    };
    assert_eq!(state(&follows, "reshape"), StepState::Now);
    assert!(
        advice("reshape").contains("`poolproof watch scans --at 100`"),
        "{}",
        advice("reshape")
    );
    assert!(advice("during").starts_with("once it runs again, run "));
}

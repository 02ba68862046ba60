//! Each rule on a study that may start, changed in one thing.

use jiff::{SignedDuration, Timestamp};

use super::*;
use crate::facts::{Device, Mount};
use crate::report::testing::{HOSTILE, Scene, study};
use crate::study::Outcome;
use crate::units::Bytes;

/// A study whose every line holds, or is to be minded, with the look that goes with it.
pub(crate) fn ready() -> (Study, Look, Timestamp) {
    let mut study = study(Scene::BeforeOnly);
    // Two sittings: the second half of the trials is one of its own.
    let half = study.trials.len() / 2;
    for trial in &mut study.trials[half..] {
        trial.sitting = 2;
    }
    let now = study.trials.last().unwrap().started + SignedDuration::from_hours(20);
    for facts in study.facts.values_mut() {
        facts.clock_synchronised = Some(true);
    }
    let look = Look {
        facts: study.facts.values().next().unwrap().clone(),
        interface: Some("lan0".into()),
        data_found: Some(true),
        activity: Activity::Quiet("nothing is running".into()),
    };
    for item in &BEFORE {
        attest(&mut study, item, now - SignedDuration::from_hours(2));
    }
    (study, look, now)
}

fn attest(study: &mut Study, item: &Item, done: Timestamp) {
    study.checks.push(CheckRow {
        noted: done,
        done,
        side: item.side,
        item: item.word.into(),
        result: Outcome::Passed,
        by: "the keeper".into(),
        note: "seen".into(),
    });
}

fn done(study: &mut Study, word: &str, when: Timestamp) {
    attest(study, item(Side::After, word).unwrap(), when);
}

fn days_before(now: Timestamp, days: i64) -> Timestamp {
    now - SignedDuration::from_hours(24 * days)
}

fn line<'a>(found: &'a Readiness, item: &str) -> &'a Line {
    let mut lines = found.seen.iter().chain(&found.attested);
    lines.find(|line| line.item == item).unwrap()
}

/// How `item` and the whole come out after `change`.
fn after(item: &str, change: impl FnOnce(&mut Study, &mut Look)) -> (State, Verdict, String) {
    let (mut study, mut look, now) = ready();
    change(&mut study, &mut look);
    let found = readiness(&study, &look, now);
    let line = line(&found, item);
    if !matches!(line.state, State::Holds) {
        assert!(
            !line.advice.is_empty() || line.state != State::NotYet,
            "{line:?}"
        );
    }
    (line.state, found.verdict, line.evidence.clone())
}

#[track_caller]
fn expect(
    item: &str,
    state: State,
    verdict: Verdict,
    words: &str,
    change: impl FnOnce(&mut Study, &mut Look),
) {
    let (found, whole, evidence) = after(item, change);
    assert_eq!((found, whole), (state, verdict), "{item}: {evidence}");
    assert!(evidence.contains(words), "{item}: {words} in {evidence}");
}

fn mount(look: &mut Look) -> &mut Mount {
    look.facts.mount.as_mut().unwrap()
}

#[test]
fn everything_that_holds_says_go() {
    let (study, look, now) = ready();
    let found = readiness(&study, &look, now);
    let others: Vec<&Line> = found
        .seen
        .iter()
        .chain(&found.attested)
        .filter(|line| line.state != State::Holds)
        .collect();
    assert_eq!((found.verdict, others), (Verdict::Go, vec![]));
    assert!(
        found
            .seen
            .iter()
            .all(|line| !line.evidence.is_empty() && line.at.is_some())
    );
    assert!(
        line(&found, "link")
            .evidence
            .contains("carries at most 1.177 GB/s")
    );
}

#[test]
fn an_empty_study_is_not_ready_and_every_line_says_what_to_do() {
    let study = study(Scene::Empty);
    let found = readiness(&study, &Look::default(), study.config.created);
    assert_eq!(found.verdict, Verdict::No, "nothing is mounted");
    for held in found
        .attested
        .iter()
        .filter(|line| line.state == State::NotYet)
    {
        assert!(!held.advice.is_empty(), "{held:?}");
    }
    assert_eq!(line(&found, "baseline").state, State::NotYet);
}

#[test]
fn the_share_must_be_there_and_the_same() {
    use State::*;
    let no = |words, change: fn(&mut Look)| {
        expect("share", No, Verdict::No, words, |_, look| change(look));
    };
    no("nothing is known", |look| look.facts.mount = None);
    no("in sitting 2 it was", |look| {
        mount(look).source = "other:/x".into()
    });
    no("in sitting 2 it was", |look| {
        mount(look).kind = "ext4".into()
    });
    no("read-only", |look| mount(look).options = vec!["ro".into()]);
    no("is not on", |look| look.data_found = Some(false));
    expect(
        "share",
        Mind,
        Verdict::NotYet,
        "root file system",
        |study, look| {
            study.trials.clear();
            mount(look).point = "/".into();
        },
    );
}

#[test]
fn what_runs_is_waited_for_and_a_person_may_look_instead() {
    let running = Activity::of(Some("scrub at 3 %".into()), "the server");
    expect(
        "running",
        State::NotYet,
        Verdict::NotYet,
        "scrub",
        |_, look| {
            look.activity = running;
        },
    );
    let unseen = || Activity::NotSeen("nobody could look".into());
    expect(
        "running",
        State::Unknown,
        Verdict::Go,
        "nobody",
        |_, look| {
            look.activity = unseen();
        },
    );
    expect(
        "idle",
        State::NotYet,
        Verdict::NotYet,
        "nobody has",
        |study, look| {
            look.activity = unseen();
            study.checks.retain(|row| row.item != "idle");
        },
    );
    let (study, look, now) = ready();
    let found = readiness(&study, &look, now);
    assert!(
        found.attested.iter().all(|line| line.item != "idle"),
        "it was seen"
    );
}

#[test]
fn a_link_that_changed_holds_it_up_and_an_unknown_one_does_not() {
    use Verdict::*;
    expect("link", State::NotYet, NotYet, "1 Gb/s", |_, look| {
        look.facts.links[0].bits_per_second = Some(1_000_000_000);
    });
    expect("link", State::NotYet, NotYet, "MTU 9000", |_, look| {
        look.facts.links[0].mtu = 9000;
    });
    expect("link", State::Unknown, Go, "not known", |_, look| {
        look.interface = Some("lan9".into())
    });
    expect("link", State::Holds, Go, "2.5 Gb/s", |study, _| {
        study.config.link_gigabits = Some(2.5);
    });
    // Another mount holds it up, not the link.
    expect("link", State::Holds, No, "no link between", |_, look| {
        mount(look).kind = "ext4".into();
    });
}

#[test]
fn room_and_fill_level() {
    let free = |terabytes: u64| {
        move |look: &mut Look| {
            look.facts.space.as_mut().unwrap().available = Bytes::GB.times(terabytes * 100);
        }
    };
    expect(
        "free-space",
        State::NotYet,
        Verdict::NotYet,
        "8 %",
        |_, look| free(10)(look),
    );
    expect(
        "free-space",
        State::Mind,
        Verdict::NotYet,
        "15 %",
        |_, look| free(18)(look),
    );
    expect(
        "fill-level",
        State::NotYet,
        Verdict::NotYet,
        "85 % full, 67 %",
        |_, look| {
            free(18)(look);
        },
    );
    expect(
        "fill-level",
        State::Holds,
        Verdict::Go,
        "69 % full, 67 %",
        |_, look| {
            free(37)(look);
        },
    );
    expect(
        "free-space",
        State::Unknown,
        Verdict::Go,
        "does not tell",
        |_, look| {
            look.facts.space = None;
        },
    );
}

#[test]
fn clock_memory_and_direct_io() {
    use Verdict::*;
    expect(
        "clock",
        State::NotYet,
        NotYet,
        "unsynchronised",
        |_, look| {
            look.facts.clock_synchronised = Some(false);
        },
    );
    expect("clock", State::Unknown, Go, "does not tell", |_, look| {
        look.facts.clock_synchronised = None;
    });
    expect("memory", State::NotYet, NotYet, "1.0 times", |study, _| {
        study.config.server_memory = Some(Bytes::GIB.times(64));
    });
    expect(
        "memory",
        State::Unknown,
        Go,
        "was not stated",
        |study, _| {
            study.config.server_memory = None;
        },
    );
    expect("direct-io", State::Mind, Go, "1 of 30", |study, _| {
        study.trials[0].direct = false
    });
}

#[test]
fn what_else_changed_is_named() {
    expect(
        "fingerprint",
        State::NotYet,
        Verdict::NotYet,
        "client's kernel: 6.1.0 → 6.2.0",
        |_, look| {
            look.facts.client.kernel = "6.2.0".into();
        },
    );
    expect(
        "fingerprint",
        State::NotYet,
        Verdict::NotYet,
        "mount option nolock: none → set",
        |_, look| {
            mount(look).options.push("nolock".into());
        },
    );
}

#[test]
fn a_baseline_is_large_enough_and_recent() {
    use Verdict::*;
    expect("baseline", State::NotYet, NotYet, "mixed 4", |study, _| {
        let last = study
            .trials
            .iter()
            .rposition(|trial| trial.workload == "mixed");
        study.trials.remove(last.unwrap());
    });
    expect("baseline", State::Mind, Go, "one sitting", |study, _| {
        study.trials.iter_mut().for_each(|trial| trial.sitting = 1);
    });
    expect(
        "baseline-age",
        State::NotYet,
        NotYet,
        "stale: counts for 30 days",
        |study, _| {
            for trial in &mut study.trials {
                trial.started = days_before(trial.started, 31);
            }
        },
    );
    // A rate above the link's payload did not come over it: such trials do not count.
    expect(
        "baseline",
        State::NotYet,
        NotYet,
        "large-read 0",
        |study, _| {
            use crate::record::observed::{WIRE_LINE_RATE, WIRE_MTU};
            let fast: Vec<u64> = study
                .trials
                .iter()
                .filter(|trial| trial.workload == "large-read")
                .map(|trial| trial.trial)
                .collect();
            for trial in fast {
                let seen = study.observations.entry(trial).or_default();
                seen.put(WIRE_LINE_RATE, 1e8);
                seen.put(WIRE_MTU, 1500.0);
            }
        },
    );
}

#[test]
fn what_has_begun_is_not_started_again() {
    let now = ready().2;
    expect(
        "not-begun",
        State::No,
        Verdict::No,
        "recorded 'started'",
        |study, _| {
            done(study, "started", now);
        },
    );
    let study = study(Scene::BeforeDuring);
    let found = readiness(&study, &Look::default(), now);
    assert_eq!(line(&found, "not-begun").state, State::No);
}

#[test]
fn every_answer_goes_stale_on_its_day() {
    for item in &BEFORE {
        let limit = item.days.unwrap();
        for (days, state) in [(limit, State::Holds), (limit + 1, State::NotYet)] {
            let (mut study, mut look, now) = ready();
            look.activity = Activity::default();
            study.checks.retain(|row| row.item != item.word);
            attest(&mut study, item, days_before(now, days));
            let found = readiness(&study, &look, now);
            let line = line(&found, item.word);
            assert_eq!(line.state, state, "{line:?}");
            assert_eq!(line.evidence.contains("stale"), state == State::NotYet);
        }
    }
}

#[test]
fn a_failure_forbids_until_a_later_answer() {
    let (mut study, look, now) = ready();
    let scrub = item(Side::Before, "scrub").unwrap();
    attest(&mut study, scrub, now);
    study.checks.last_mut().unwrap().result = Outcome::Failed;
    let found = readiness(&study, &look, now);
    assert_eq!(found.verdict, Verdict::No);
    assert!(line(&found, "scrub").evidence.contains("found it failed"));
    attest(&mut study, scrub, now);
    assert_eq!(readiness(&study, &look, now).verdict, Verdict::Go);
    // A scrub recorded for the time after is none of the time before.
    study.checks.retain(|row| row.item != "scrub");
    done(&mut study, "scrub", now);
    assert_eq!(readiness(&study, &look, now).verdict, Verdict::NotYet);
    attest(&mut study, scrub, days_before(now, -3));
    let found = readiness(&study, &look, now);
    assert!(
        line(&found, "scrub").evidence.contains("after now"),
        "{found:?}"
    );
}

#[test]
fn a_wrong_word_is_told_the_right_ones() {
    let error = item(Side::Before, "srcub\u{1b}").unwrap_err();
    assert!(!error.contains('\u{1b}'), "{error}");
    for known in &BEFORE {
        assert!(error.contains(known.word), "{error}");
    }
    assert!(item(Side::Before, "grow").is_err() && item(Side::After, "grow").is_ok());
}

#[test]
fn ages_are_told_in_fitting_words() {
    let now: Timestamp = "2026-03-20T12:00:00Z".parse().unwrap();
    for (seconds, words) in [
        (0, "just now"),
        (2_400, "40 min ago"),
        (18_000, "5 h ago"),
        (12 * 86_400, "12 days ago"),
        (-7_200, "dated 2 h after now"),
    ] {
        assert_eq!(age(now, now - SignedDuration::from_secs(seconds)), words);
    }
}

#[test]
fn hostile_answers_do_no_harm_in_text_and_json() {
    let (mut study, look, now) = ready();
    for row in &mut study.checks {
        (row.by, row.note) = (HOSTILE.into(), HOSTILE.into());
    }
    study.name = HOSTILE.into();
    done(&mut study, "started", now);
    study.checks.last_mut().unwrap().by = HOSTILE.into();
    let found = readiness(&study, &look, now);
    let follows = next(&study, Some(&look.facts), now);
    for text in [
        crate::report::check_text(&found, 80),
        crate::report::next_text(&follows, 80),
    ] {
        assert!(text.contains("alert(1)"), "{text}");
        for bad in ['\u{202E}', '\u{1b}', '\u{0}', '\u{FFFE}'] {
            assert!(!text.contains(bad), "{bad:?} in {text}");
        }
        for line in text.lines() {
            assert!(line.chars().count() <= 80, "{line}");
        }
    }
    let json = crate::report::check_json(&found);
    assert!(
        !json.contains('\u{1b}') && !json.contains('\u{0}'),
        "{json}"
    );
    let value: serde_json::Value = serde_json::from_str(&json).unwrap();
    assert_eq!(value["verdict"], "no");
    assert_eq!(
        value["attested"][0]["evidence"],
        format!("{HOSTILE} says: {HOSTILE}")
    );
}

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
    let empty = next(&study(Scene::Empty), None, now);
    assert_eq!(
        (empty.stage, for_now(&empty)),
        (Stage::Nothing, vec!["baseline"])
    );

    let mut few = study(Scene::BeforeOnly);
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
        (Stage::Ready, vec!["check"])
    );
    assert_eq!(evidence(&follows, "check"), "9 of 9 items attested");

    done(&mut study, "started", now);
    let follows = next(&study, None, now);
    assert_eq!(
        (follows.stage, for_now(&follows)),
        (Stage::During, vec!["during", "reshape"])
    );
    assert_eq!(state(&follows, "check"), StepState::Missed);

    done(&mut study, "reshape", now);
    let follows = next(&study, None, now);
    assert_eq!(
        (follows.stage, for_now(&follows)),
        (Stage::After, vec!["grow"])
    );
    assert_eq!(state(&follows, "during"), StepState::Missed);

    done(&mut study, "grow", now);
    let follows = next(&study, None, now);
    assert_eq!(for_now(&follows), ["alignment", "settings", "scrub"]);
    assert!(
        evidence(&follows, "grow").contains("not known"),
        "no size was seen since"
    );
}

/// The study of all three phases, with every step recorded but the looks.
fn complete() -> (Study, Timestamp) {
    let mut study = study(Scene::Full);
    let end = study.trials.last().unwrap().started;
    for word in ["alignment", "settings", "scrub", "report"] {
        done(&mut study, word, end);
    }
    (study, end)
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
        facts.space.as_mut().unwrap().total = Bytes::TB.times(15);
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

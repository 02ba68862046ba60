//! Each rule of the check on a study that may start, changed in one thing.

use jiff::{SignedDuration, Timestamp};

use super::{attest, days_before, done, ready, scene};
use crate::facts::{Mount, Room};
use crate::ready::*;
use crate::report::testing::{HOSTILE, Scene};
use crate::study::{LatencyLog, Outcome, Side, State as TrialState, Study};
use crate::units::Bytes;

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
    let study = scene(Scene::Empty);
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
        State::Holds,
        Verdict::Go,
        "nobody could look; ",
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

/// The numbers of Linux for an input/output error and a full file system.
#[cfg(target_os = "linux")]
#[test]
fn errors_that_the_share_gave_hold_it_up_until_a_later_sitting_ran_clean() {
    let fail = |study: &mut Study, sitting: u64, number: i32| {
        let error = std::io::Error::from_raw_os_error(number);
        let mut of = study.trials.iter_mut();
        let trial = of.rfind(|trial| trial.sitting == sitting).unwrap();
        let number = trial.trial;
        let mut failed = trial.clone();
        failed.trial = 1000 + number;
        failed.state = TrialState::Failed;
        failed.cause = format!("flushing file 3 of the test data: {error}");
        failed.rate_bytes_per_s = None;
        study.trials.push(failed);
    };
    let told = "1 trial ended with an input/output error";
    let errors = |words: &str, state, verdict, sitting, number| {
        expect("errors", state, verdict, words, |study, _| {
            fail(study, sitting, number)
        });
    };
    errors(told, State::NotYet, Verdict::NotYet, 2, 5);
    errors("met none", State::Mind, Verdict::Go, 1, 5);
    errors("no trial", State::Holds, Verdict::Go, 2, 28);
    // Two in a row, and a clean one after both.
    expect(
        "errors",
        State::Mind,
        Verdict::Go,
        "met none",
        |study, _| {
            fail(study, 1, 5);
            fail(study, 2, 5);
            let mut again = study.trials.iter().rev();
            let mut again = again.find(|t| t.trial < 1000).unwrap().clone();
            (again.trial, again.sitting) = (3000, 3);
            study.trials.push(again);
        },
    );
}

#[test]
fn after_the_start_nothing_of_the_time_before_is_asked_for() {
    let (mut study, mut look, now) = ready();
    look.activity = Activity::Partly("no balance is running".into());
    study
        .checks
        .retain(|row| row.item != "idle" && row.item != "users");
    look.facts.space.as_mut().unwrap().available = Bytes::GB.times(1_800);
    let state = |study: &Study, item| line(&readiness(study, &look, now), item).clone();
    for item in ["fill-level", "idle", "users"] {
        assert_eq!(state(&study, item).state, State::NotYet, "{item}");
    }
    done(&mut study, "started", now);
    for item in ["fill-level", "idle", "users"] {
        let past = state(&study, item);
        assert_eq!(past.state, State::Past, "{item}");
        assert!(past.evidence.starts_with("applies no longer") && past.advice.is_empty());
    }
}

#[test]
fn what_a_source_does_not_tell_of_is_asked_of_a_person() {
    let half = || Activity::Partly("no balance is running; a scrub is not told by it".into());
    expect(
        "running",
        State::Holds,
        Verdict::Go,
        "a scrub is not told by it; ",
        |_, look| {
            look.activity = half();
        },
    );
    expect(
        "idle",
        State::NotYet,
        Verdict::NotYet,
        "nobody",
        |study, look| {
            look.activity = half();
            study.checks.retain(|row| row.item != "idle");
        },
    );
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
    // What the program itself has laid down since fills nothing.
    expect(
        "fill-level",
        State::Holds,
        Verdict::Go,
        "this study's own test data",
        |study, look| {
            let room = look.facts.space.as_mut().unwrap();
            let laid = study.data.total();
            room.total = Bytes(laid.0 * 10);
            room.available = Bytes(laid.0 * 8);
            for facts in study.facts.values_mut() {
                let room = facts.space.as_mut().unwrap();
                (room.total, room.available) = (Bytes(laid.0 * 10), Bytes(laid.0 * 9));
            }
        },
    );
    // Nor does it where a part of it lay there at the baseline already: 60 and 70 % of the space, with 20 %
    // of its own, are 55 % and 50 % at least without it.
    expect(
        "fill-level",
        State::Holds,
        Verdict::Go,
        "70 % full, 60 %",
        |study, look| {
            let laid = study.data.total();
            let room = |available: u64| Room {
                total: Bytes(laid.0 * 5),
                available: Bytes(laid.0 / 10 * available),
            };
            look.facts.space = Some(room(15));
            for facts in study.facts.values_mut() {
                facts.space = Some(room(20));
            }
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
    // A person has answered for it, or has not.
    expect("clock", State::Holds, Go, "unsynchronised; ", |_, look| {
        look.facts.clock_synchronised = Some(false);
    });
    expect(
        "clock",
        State::Unknown,
        NotYet,
        "unsynchronised",
        |study, look| {
            look.facts.clock_synchronised = Some(false);
            study.checks.retain(|row| row.item != "clock-set");
        },
    );
    expect(
        "clock-set",
        State::NotYet,
        NotYet,
        "nobody has answered",
        |study, look| {
            look.facts.clock_synchronised = Some(false);
            study.checks.retain(|row| row.item != "clock-set");
        },
    );
    expect("clock", State::Unknown, Go, "does not tell", |_, look| {
        look.facts.clock_synchronised = None;
    });
    // Its trials show no cache, so less data than twice the memory is to be minded.
    expect("memory", State::Mind, Go, "0.12 times", |study, _| {
        study.config.server_memory = Some(Bytes::GIB.times(512));
    });
    // Without trials nothing is known, and what there is room for has to be laid down; what there is
    // no room for is asked of nobody.
    let unmeasured = |gib: u64| {
        move |study: &mut Study, _: &mut Look| {
            study.trials.clear();
            study.config.server_memory = Some(Bytes::GIB.times(gib));
        }
    };
    expect("memory", State::NotYet, NotYet, "1.0 times", unmeasured(64));
    let none = unmeasured(1 << 20);
    expect("memory", State::Mind, NotYet, "has no room for", none);
    expect(
        "memory",
        State::Unknown,
        Go,
        "was not stated",
        |study, _| {
            study.config.server_memory = None;
        },
    );
    expect("direct-io", State::Mind, Go, "30 of 30", |study, _| {
        study
            .trials
            .iter_mut()
            .for_each(|trial| trial.direct = Some(false));
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
    // Without control reads nobody has looked for a cache, and everything else may hold.
    expect("baseline", State::Mind, Go, "of grade U", |study, _| {
        study.latency = LatencyLog::default();
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
    let study = scene(Scene::BeforeDuring);
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
            look.facts.clock_synchronised = Some(false);
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
        crate::report::check_text(&found, "scans", 80),
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

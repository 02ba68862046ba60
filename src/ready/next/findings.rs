//! How each step stands: done, and what tells so; or open, and what to do.

use jiff::{SignedDuration, Timestamp};

use crate::compare::Comparison;
use crate::plan::Phase;
use crate::ready::counted::{ENOUGH, holding};
use crate::ready::grown::{Grown, Stripe, file_system, stripe};
use crate::ready::items::item;
use crate::ready::{AFTER, BEFORE, Sides, answer, days};
use crate::reshape::{Alarm, Assessment};
use crate::study::{CheckRow, Outcome, Side, State, Study, Trial, VerifiedRow};
use crate::text::count;
use crate::units::{grouped, percent};

/// A step that may be done: the evidence of it and when, or what there is instead and what to do.
pub(super) struct Finding {
    pub(super) done: bool,
    pub(super) evidence: String,
    pub(super) at: Option<Timestamp>,
    pub(super) advice: String,
}

impl Finding {
    fn done(evidence: String, at: Option<Timestamp>) -> Self {
        let (done, advice) = (true, String::new());
        Self {
            done,
            evidence,
            at,
            advice,
        }
    }

    fn open(evidence: impl Into<String>, advice: impl Into<String>) -> Self {
        let (evidence, advice) = (evidence.into(), advice.into());
        Self {
            done: false,
            evidence,
            at: None,
            advice,
        }
    }
}

pub(super) fn title(word: &str) -> &'static str {
    item(Side::After, word).map_or("", |item| item.title)
}

fn takes(word: &str) -> &'static str {
    let after = AFTER.iter().find(|item| item.word == word);
    after.map_or("", |item| item.takes)
}

/// How a person records an item.
fn record(word: &str) -> String {
    format!(
        "{}; then record it: `poolproof next STUDY --done {word} --by NAME`",
        takes(word)
    )
}

/// An item that only a person knows.
pub(super) fn recorded(study: &Study, word: &str) -> Finding {
    match answer(study, Side::After, word) {
        Some(row) if row.result == Outcome::Passed => {
            let note = match row.note.is_empty() {
                true => String::new(),
                false => format!(": {}", row.note),
            };
            Finding::done(format!("{} recorded it{note}", row.by), Some(row.done))
        }
        Some(row) => Finding::open(
            format!("{} recorded that it failed: {}", row.by, row.note),
            record(word),
        ),
        None => Finding::open("nobody has recorded it", record(word)),
    }
}

/// The end of an expansion of which nothing tells but a trial that was measured after it.
pub(super) fn untold(study: &Study) -> Finding {
    let after = study.trials.iter().find(|t| t.phase == Phase::After);
    let trial = after.map_or(String::new(), |t| {
        format!("trial {} was measured after, but ", t.trial)
    });
    Finding::open(
        format!("{trial}no expansion was seen or told"),
        "if an expansion has ended, record it: `poolproof next STUDY --done reshape --by NAME`; what \
         follows one (growing the file system, settings, a scrub) is asked for from then on",
    )
}

/// Makes a step one that holds only if there was an expansion: not done, and due at no time.
pub(super) fn condition(found: &mut Finding) {
    let advice = match found.advice.is_empty() {
        true => String::new(),
        false => format!("if a drive was added: {}", found.advice),
    };
    let evidence = std::mem::take(&mut found.evidence);
    *found = Finding::open(evidence, advice);
}

/// An event that a record or a later trial shows.
pub(super) fn event(study: &Study, word: &str, seen: &Option<(String, Timestamp)>) -> Finding {
    match seen {
        Some((why, at)) => Finding::done(why.clone(), Some(*at)),
        None => recorded(study, word),
    }
}

/// The end of the reshape, which a watch reads by itself where one follows it, as `read`.
pub(super) fn reshape(
    study: &Study,
    read: Option<&Assessment>,
    finished: &Option<(String, Timestamp)>,
) -> Finding {
    let found = event(study, "reshape", finished);
    let place = read.and_then(|read| read.fraction);
    match place.filter(|_| !found.done) {
        Some(place) => Finding::open(
            format!("`watch` read it at {}", percent(place, 1)),
            format!(
                "let `poolproof watch STUDY` go on, which sees the end by itself; else {}",
                found.advice
            ),
        ),
        None => found,
    }
}

/// The end of one that, as a watch reads, has not begun.
pub(super) fn waits(study: &Study) -> Finding {
    Finding::open(
        "`watch` reads that nothing reshapes yet",
        format!(
            "let the server begin, as its maker says: a file system that moves its own chunks waits for \
             somebody to start the balance; then {}",
            event(study, "reshape", &None).advice
        ),
    )
}

/// How the baseline is measured, wherever it is asked for.
pub(in crate::ready) const BASELINE: &str =
    "run `poolproof measure STUDY --phase before`, at several hours and on several days";

/// How the time after is measured.
pub(super) const MEASURE_AFTER: &str =
    "run `poolproof measure STUDY --phase after` at the hours of the baseline";

/// The same where that has to wait.
pub(super) const MEASURE_WHEN_READY: &str = "run `poolproof measure STUDY --phase after` at the hours of the baseline, \
    when the file system has grown and the scrub is clean";

/// The same where nothing tells of an expansion.
pub(super) const MEASURE_UNTOLD: &str = "for a sure answer, run `poolproof measure STUDY --phase after` until each \
    workload has five trials; an exercise may stop here";

/// Whether `phase` was measured well enough; `advice` says how it is done.
pub(super) fn measured(
    study: &Study,
    comparison: &Comparison,
    phase: Phase,
    advice: &str,
) -> Finding {
    let found = holding(study, comparison, phase);
    let enough = found.iter().filter(|held| held.trials >= ENOUGH);
    let (enough, all) = (enough.count(), found.len());
    let latest = study.trials.iter().rfind(|trial| trial.phase == phase);
    let evidence = format!("{enough} of {all} workloads have {ENOUGH} trials that are not void");
    match latest {
        None => Finding::open("nothing was measured", advice),
        Some(latest) if enough == all => Finding::done(evidence, Some(latest.started)),
        Some(_) => Finding::open(evidence, advice),
    }
}

/// Before the start, `check` itself tells; afterwards, whether every item had been answered for when
/// it began, and lately enough. Answers that came later speak of the pool as it grows.
pub(super) fn checks(
    study: &Study,
    begun: Option<&(String, Timestamp)>,
    now: Timestamp,
) -> Finding {
    // A date without a time of day takes in the whole day.
    let until = begun.map_or(Timestamp::MAX, |(_, start)| {
        match start.as_second() % 86_400 {
            0 => *start + SignedDuration::from_hours(24),
            _ => *start,
        }
    });
    let asked = BEFORE.iter().filter(|item| !item.stands_in());
    let passed: Vec<&CheckRow> = asked
        .clone()
        .filter_map(|item| {
            let rows = study.checks.iter().rev();
            let row = rows
                .filter(|row| row.side == Side::Before && row.item == item.word)
                .find(|row| row.done <= until)?;
            let held_at = begun.map_or(now, |(_, start)| *start);
            let counted = days(held_at, row.done) <= item.days.unwrap_or(i64::MAX);
            (row.result == Outcome::Passed && counted).then_some(row)
        })
        .collect();
    let asked = asked.count();
    let evidence = format!(
        "{} of the {asked} items that are always asked for were attested",
        passed.len()
    );
    let latest = passed.iter().map(|row| row.done).max();
    match begun {
        Some(_) if passed.len() == asked => {
            Finding::done(format!("{evidence} before it began"), latest)
        }
        Some(_) => Finding::open(format!("{evidence} before it began"), ""),
        // What the program sees itself is looked at once more when somebody is about to start.
        None if passed.len() == asked => Finding::done(evidence, latest),
        None => Finding::open(
            evidence,
            "run `poolproof check STUDY` until it says go, then start at once",
        ),
    }
}

/// A reshape that runs no more and was not seen to end: what to look at, and how the answer is recorded.
pub(super) fn lost(alarm: &Alarm) -> Finding {
    let look = match alarm {
        Alarm::Unsettled(_) => "ask `btrfs balance status` and `btrfs device usage`",
        _ => "look whether the array runs, and force nothing",
    };
    Finding::open(
        "it runs no more, and nothing tells whether it was done or cancelled",
        format!(
            "{look}; if it is done, run `poolproof watch STUDY --at 100`, if not, let it go on and watch it again"
        ),
    )
}

/// Of a reshape that `stands`, or `waits` to begin, trials are for later.
pub(super) fn measured_during(study: &Study, stands: bool, waits: bool) -> Finding {
    let of_phase = |trial: &&Trial| trial.phase == Phase::During && trial.state == State::Complete;
    let trials = study.trials.iter().filter(of_phase).count();
    match study.trials.iter().rfind(of_phase) {
        Some(latest) => Finding::done(count(trials, "trial"), Some(latest.started)),
        None => Finding::open(
            "what it costs the users is not known",
            format!(
                "{}run `poolproof measure STUDY --phase during --workload small-read --trials 3`, short \
                 and seldom; see the card of what never to do",
                match (waits, stands) {
                    (true, _) => "once it runs, ",
                    (false, true) => "once it runs again, ",
                    (false, false) => "",
                }
            ),
        ),
    }
}

/// What sizes show counts before what was recorded.
pub(super) fn grow(study: &Study, sides: &Sides<'_>) -> Finding {
    let recorded = recorded(study, "grow");
    let contradicts = match recorded.done {
        true => format!("; {}, and the sizes say otherwise", recorded.evidence),
        false => String::new(),
    };
    let at = sides.after.map(|after| after.at);
    match file_system(study, sides) {
        Grown::Yes(told) => Finding::done(told, at),
        // By raw bytes that is all of it, and somebody who looked says that it is.
        Grown::Raw(told) if recorded.done => Finding {
            evidence: format!("{}; {told}", recorded.evidence),
            ..recorded
        },
        Grown::Raw(told) => Finding::open(
            format!("this may be all of the growth, or a part of it: {told}"),
            record("grow"),
        ),
        Grown::Partly(told) => Finding::open(
            format!("only a part of the growth has arrived: {told}{contradicts}"),
            "look at the table of bytes: the layer that falls short is the one to grow",
        ),
        Grown::No(told) => Finding::open(
            format!("it still shows the old size: {told}{contradicts}"),
            record("grow"),
        ),
        Grown::Unknown(why) if recorded.done => Finding {
            evidence: format!("{}; {why}", recorded.evidence),
            ..recorded
        },
        Grown::Unknown(why) => Finding {
            evidence: format!("{why}; {}", recorded.evidence),
            // What only a look at the share tells is no reason to ask for what may be done already.
            advice: match sides.after {
                None => format!(
                    "see with `poolproof next STUDY`, which looks at the share, whether it has grown already; if not, {}",
                    recorded.advice
                ),
                Some(_) => recorded.advice,
            },
            ..recorded
        },
    }
}

pub(super) fn alignment(study: &Study, sides: &Sides<'_>) -> Finding {
    let at = sides.after.map(|after| after.at);
    let recorded = recorded(study, "alignment");
    match stripe(study, sides) {
        Stripe::None(why) => Finding::done(why.into(), None),
        Stripe::New(told) => Finding::done(format!("the mount tells {told}"), at),
        // Hints of a file system can be set for later mounts, so a record stands beside them.
        Stripe::Old(told) => Finding {
            evidence: format!("the mount tells {told}; {}", recorded.evidence),
            ..recorded
        },
        Stripe::Unknown => recorded,
    }
}

/// A scrub of the old pool is none of the new one.
pub(super) fn scrub(study: &Study, finished: Option<&(String, Timestamp)>) -> Finding {
    let recorded = recorded(study, "scrub");
    match (recorded.at, finished) {
        // Dates are often given without a time of day.
        (Some(at), Some((_, end))) if days(*end, at) >= 1 => Finding::open(
            format!("{}, before the layout was finished", recorded.evidence),
            record("scrub"),
        ),
        _ => recorded,
    }
}

/// Whether the test data was read back since the layout was finished.
pub(super) fn read_back(study: &Study) -> Finding {
    let advice = "run `poolproof verify STUDY`: it reads back all that was written before";
    // A pass over sealed files alone has read nothing of it.
    let latest = study
        .verified
        .iter()
        .rfind(|row| row.read_phase == Phase::After);
    let pass = latest.and_then(|row| study.passes.iter().rfind(|pass| pass.pass == row.pass));
    let Some(pass) = pass else {
        return Finding::open("nobody has read back what was written before", advice);
    };
    let rows = study.verified.iter().filter(|row| row.pass == pass.pass);
    match rows.map(VerifiedRow::damaged).sum::<u64>() {
        0 if pass.ended => {
            let evidence = format!("pass {} of `verify` found every block whole", pass.pass);
            Finding::done(evidence, Some(pass.at))
        }
        0 => Finding::open(format!("pass {} has not ended", pass.pass), advice),
        damaged => Finding::open(
            format!(
                "pass {} found {} damaged blocks",
                pass.pass,
                grouped(damaged)
            ),
            "copy what matters elsewhere and find the cause, beginning with damage.csv; then run `poolproof verify STUDY` again",
        ),
    }
}

/// Looks again after the expansion, and after how many days.
pub(super) const LOOKS: [(&str, i64); 2] = [("look-7", 7), ("look-30", 30)];

/// When a look falls due, of an expansion that was `finished` then.
pub(super) fn due(word: &str, finished: Timestamp) -> Option<Timestamp> {
    let (_, days) = LOOKS.into_iter().find(|(look, _)| *look == word)?;
    finished
        .checked_add(SignedDuration::from_hours(24 * days))
        .ok()
}

pub(super) fn look(study: &Study, word: &str, finished: Option<&(String, Timestamp)>) -> Finding {
    let mut recorded = recorded(study, word);
    if !recorded.done && !study.config.simulated && study.data.files.is_empty() {
        recorded.advice += "; the test data is gone, so that the sitting lays it down anew";
    }
    match finished {
        Some((_, end)) if !recorded.done => Finding {
            at: due(word, *end),
            ..recorded
        },
        _ => recorded,
    }
}

/// Whether test data lies on the share; looks again measure with it.
pub(super) fn clean(study: &Study, finished: bool) -> Finding {
    let laid = study.data.files.len();
    let looks = LOOKS.iter().any(|(word, _)| !recorded(study, word).done);
    let kept = match finished && looks {
        true => "; looks again after 7 and 30 days measure with it",
        false => "",
    };
    match laid {
        0 if study.trials.is_empty() => Finding::open("none was laid down yet", ""),
        0 => Finding::done("the manifest lists none".into(), None),
        _ => Finding::open(
            format!(
                "{}, {} in all, lie there{kept}",
                count(laid, "file"),
                study.data.total().iec()
            ),
            "run `poolproof clean STUDY` when nothing is to be measured any more",
        ),
    }
}

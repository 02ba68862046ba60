//! What must follow now: the job from the first baseline to the look after 30 days, step by step.
//!
//! "Done" is four events: the layout is finished, the file system has grown, a scrub is clean, and
//! the speed was measured again. What facts show counts before what somebody recorded.

use jiff::{SignedDuration, Timestamp};
use serde::Serialize;

use super::grown::{Grown, Stripe, file_system, stripe};
use super::items::{IDLE, item};
use super::layers::layers;
use super::seen::{ENOUGH, comparison, holding};
use super::{AFTER, BEFORE, Layer, Sides, answer, days};
use crate::compare::{Comparison, diff, location};
use crate::facts::Facts;
use crate::plan::{Phase, Set};
use crate::study::{Outcome, Side, State, Study};

/// How far the job is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Stage {
    /// Nothing has been measured.
    Nothing,
    /// Measured before, and not enough.
    Baseline,
    /// The baseline is enough; the expansion has not begun.
    Ready,
    /// The pool grows.
    During,
    /// The layout is finished; the rest of the work follows.
    After,
    /// Only looking again and clearing up are left.
    FollowUp,
    /// Everything is done.
    Done,
}

impl Stage {
    /// In one sentence.
    pub fn sentence(self) -> &'static str {
        match self {
            Self::Nothing => "Nothing has been measured yet.",
            Self::Baseline => "The time before the expansion has been measured, and not enough.",
            Self::Ready => "The baseline is enough. The expansion has not begun.",
            Self::During => "The pool is growing.",
            Self::After => "The new layout is finished. That alone is not the end.",
            Self::FollowUp => "The expansion is complete. Looking again and clearing up are left.",
            Self::Done => "Everything is done.",
        }
    }
}

/// How a step stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum StepState {
    /// Done.
    Done,
    /// Its time has passed without it.
    Missed,
    /// To be done now.
    Now,
    /// Comes later.
    Later,
}

impl StepState {
    /// The word used in text.
    pub fn word(self) -> &'static str {
        match self {
            Self::Done => "done",
            Self::Missed => "missed",
            Self::Now => "now",
            Self::Later => "later",
        }
    }
}

/// One step of the job.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Step {
    /// Its word; the one to record, where a person records it.
    pub step: &'static str,
    /// What it is.
    pub title: &'static str,
    /// How it stands.
    pub state: StepState,
    /// What tells so.
    pub evidence: String,
    /// When it was done, or falls due.
    pub at: Option<Timestamp>,
    /// What to do; empty when it is done.
    pub advice: String,
}

/// What follows now.
#[derive(Clone, Debug, Serialize)]
pub struct Next {
    /// Name of the study.
    pub study: String,
    /// Whether the share is made up.
    pub simulated: bool,
    /// The moment for which this holds.
    pub now: Timestamp,
    /// How far the job is.
    pub stage: Stage,
    /// All steps in their order.
    pub steps: Vec<Step>,
    /// Bytes by layer, from the drives to the share.
    pub layers: Vec<Layer>,
    /// What else changed, with its values before, during and after.
    pub changed: Vec<Changed>,
    /// What part of the change of each sequential workload comes from where its data lies, where
    /// that is known.
    pub located: Vec<Located>,
}

/// A workload's change, after over before, taken apart.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Located {
    /// Name of the workload.
    pub workload: String,
    /// The factors.
    pub split: location::Split,
}

/// A fact beside the pool that changed.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Changed {
    /// Which fact.
    pub fact: String,
    /// Its values before, during and after.
    pub values: [Vec<String>; 3],
}

/// Whether and since when the expansion has begun, and what tells so.
pub(super) fn begun(study: &Study) -> Option<(String, Timestamp)> {
    let recorded = ["started", "reshape"].iter().find_map(|word| {
        let row = answer(study, Side::After, word)?;
        Some((format!("{} recorded '{word}'", row.by), row.done))
    });
    recorded.or_else(|| {
        let trial = study.trials.iter().find(|t| t.phase != Phase::Before)?;
        let why = format!("trial {} was measured {}", trial.trial, trial.phase);
        Some((why, trial.started))
    })
}

/// When the layout was finished, and what tells so.
fn finished(study: &Study) -> Option<(String, Timestamp)> {
    let recorded = answer(study, Side::After, "reshape")
        .filter(|row| row.result == Outcome::Passed)
        .map(|row| (format!("{} recorded it", row.by), row.done));
    recorded.or_else(|| {
        let trial = study.trials.iter().find(|t| t.phase == Phase::After)?;
        let why = format!("trial {} was measured after", trial.trial);
        Some((why, trial.started))
    })
}

/// A step that may be done: the evidence of it and when, or what there is instead and what to do.
struct Finding {
    done: bool,
    evidence: String,
    at: Option<Timestamp>,
    advice: String,
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

/// What must follow at the moment `now`. `live` is a look at the share of this moment, where there is
/// one.
pub fn next(study: &Study, live: Option<&Facts>, now: Timestamp) -> Next {
    let sides = Sides::of(study, live, now);
    let comparison = comparison(study);
    let (begun, finished) = (begun(study), finished(study));
    let recorded = |word: &str| recorded(study, word);
    let findings: Vec<(&'static str, &'static str, Finding)> = vec![
        (
            "baseline",
            "measured before",
            measured(study, &comparison, Phase::Before),
        ),
        (
            "check",
            "checked that it may start",
            checks(study, begun.is_some()),
        ),
        ("started", title("started"), event(study, "started", &begun)),
        ("during", "measured while it grows", measured_during(study)),
        (
            "reshape",
            title("reshape"),
            event(study, "reshape", &finished),
        ),
        ("grow", title("grow"), grow(study, &sides)),
        ("alignment", title("alignment"), alignment(study, &sides)),
        ("settings", title("settings"), recorded("settings")),
        ("scrub", title("scrub"), scrub(study, finished.as_ref())),
        (
            "after",
            "measured after",
            measured(study, &comparison, Phase::After),
        ),
        ("report", title("report"), recorded("report")),
        (
            "look-7",
            title("look-7"),
            look(study, "look-7", finished.as_ref(), 7),
        ),
        (
            "look-30",
            title("look-30"),
            look(study, "look-30", finished.as_ref(), 30),
        ),
        (
            "clean",
            "the test data is gone from the share",
            clean(study),
        ),
    ];
    let steps = order(findings, begun.is_some(), finished.is_some(), now);
    let changed = diff::lines(study).into_iter().filter(diff::Line::differs);
    Next {
        study: study.name.clone(),
        simulated: study.config.simulated,
        now,
        stage: stage(study, &steps, begun.is_some(), finished.is_some()),
        layers: layers(study, &sides),
        located: comparison
            .workloads
            .iter()
            .filter_map(|row| {
                let workload = row.workload.clone();
                location::of(study, row).map(|split| Located { workload, split })
            })
            .collect(),
        changed: changed
            .map(|diff::Line { fact, values }| Changed { fact, values })
            .collect(),
        steps,
    }
}

/// Steps of which none waits for another of the same rank; those of a rank wait for all before it.
fn rank(step: &str) -> u32 {
    match step {
        "baseline" => 0,
        "check" => 1,
        "started" => 2,
        "during" | "reshape" => 3,
        "grow" => 4,
        "alignment" | "settings" | "scrub" => 5,
        "after" => 6,
        "report" => 7,
        "look-7" | "look-30" => 8,
        _ => 9,
    }
}

/// Only the first open steps are for now, and what has fallen due.
fn order(
    findings: Vec<(&'static str, &'static str, Finding)>,
    begun: bool,
    finished: bool,
    now: Timestamp,
) -> Vec<Step> {
    // The rank of the first open step.
    let mut open: Option<u32> = None;
    let step = |(step, title, found): (&'static str, &'static str, Finding)| {
        let passed = match step {
            "baseline" | "check" => begun,
            "during" => finished,
            _ => false,
        };
        let due = found.at.is_some_and(|at| at <= now);
        let falls_due = found.at.is_some();
        let state = match found.done {
            true => StepState::Done,
            false if passed => StepState::Missed,
            false if due => StepState::Now,
            false if falls_due || open.is_some_and(|open| rank(step) > open) => StepState::Later,
            false => StepState::Now,
        };
        if matches!(state, StepState::Now | StepState::Later) {
            open = open.or(Some(rank(step)));
        }
        Step {
            step,
            title,
            state,
            evidence: found.evidence,
            at: found.at,
            advice: found.advice,
        }
    };
    findings.into_iter().map(step).collect()
}

fn stage(study: &Study, steps: &[Step], begun: bool, finished: bool) -> Stage {
    let open = |step: &&Step| matches!(step.state, StepState::Now | StepState::Later);
    let first = steps.iter().find(open).map(|step| step.step);
    match first {
        None => Stage::Done,
        Some("look-7" | "look-30" | "clean") => Stage::FollowUp,
        _ if finished => Stage::After,
        _ if begun => Stage::During,
        Some("baseline") if study.trials.is_empty() => Stage::Nothing,
        Some("baseline") => Stage::Baseline,
        _ => Stage::Ready,
    }
}

fn title(word: &str) -> &'static str {
    item(Side::After, word).map_or("", |item| item.title)
}

fn takes(word: &str) -> &'static str {
    let after = AFTER.iter().find(|item| item.word == word);
    after.map_or("", |item| item.takes)
}

/// How a person records an item.
fn record(word: &str) -> String {
    format!("{}; then record it: `next --done {word}`", takes(word))
}

/// An item that only a person knows.
fn recorded(study: &Study, word: &str) -> Finding {
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

/// An event that a record or a later trial shows.
fn event(study: &Study, word: &str, seen: &Option<(String, Timestamp)>) -> Finding {
    match seen {
        Some((why, at)) => Finding::done(why.clone(), Some(*at)),
        None => recorded(study, word),
    }
}

fn measured(study: &Study, comparison: &Comparison, phase: Phase) -> Finding {
    let advice = match phase {
        Phase::After => {
            "run `poolproof measure STUDY --phase after` at the hours of the baseline, when the \
             file system has grown and the scrub is clean"
        }
        _ => "run `poolproof measure STUDY --phase before`, at several hours and on several days",
    };
    let found = holding(comparison, phase);
    let enough = found.iter().filter(|(_, trials, _)| *trials >= ENOUGH);
    let (enough, all) = (enough.count(), found.len());
    let latest = study.trials.iter().rfind(|trial| trial.phase == phase);
    let evidence = format!("{enough} of {all} workloads have {ENOUGH} trials of grade A or B");
    match latest {
        None => Finding::open("nothing was measured", advice),
        Some(latest) if enough == all => Finding::done(evidence, Some(latest.started)),
        Some(_) => Finding::open(evidence, advice),
    }
}

fn checks(study: &Study, begun: bool) -> Finding {
    let asked = BEFORE.iter().filter(|item| item.word != IDLE);
    let passed = asked.clone().filter(|item| {
        answer(study, Side::Before, item.word).is_some_and(|row| row.result == Outcome::Passed)
    });
    let evidence = format!("{} of {} items attested", passed.count(), asked.count());
    match begun {
        true => Finding::open(evidence, ""),
        false => Finding::open(
            evidence,
            "run `poolproof check STUDY` until it says go, then start at once",
        ),
    }
}

fn measured_during(study: &Study) -> Finding {
    let of_phase = |trial: &&crate::study::Trial| {
        trial.phase == Phase::During && trial.state == State::Complete
    };
    let count = study.trials.iter().filter(of_phase).count();
    match study.trials.iter().rfind(of_phase) {
        Some(latest) => Finding::done(format!("{count} trials"), Some(latest.started)),
        None => Finding::open(
            "what it costs the users is not known",
            "run `poolproof measure STUDY --phase during --workload small-read --trials 3`, short \
             and seldom; see the card of what never to do",
        ),
    }
}

/// What sizes show counts before what was recorded.
fn grow(study: &Study, sides: &Sides<'_>) -> Finding {
    let recorded = recorded(study, "grow");
    let contradicts = match recorded.done {
        true => format!("; {}, and the sizes say otherwise", recorded.evidence),
        false => String::new(),
    };
    let at = sides.after.map(|after| after.at);
    match file_system(study, sides) {
        Grown::Yes(told) => Finding::done(told, at),
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
            ..recorded
        },
    }
}

fn alignment(study: &Study, sides: &Sides<'_>) -> Finding {
    let at = sides.after.map(|after| after.at);
    let recorded = recorded(study, "alignment");
    match stripe(study, sides) {
        Stripe::None => Finding::done("no parity, no stripe to keep in line".into(), None),
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
fn scrub(study: &Study, finished: Option<&(String, Timestamp)>) -> Finding {
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

fn look(
    study: &Study,
    word: &str,
    finished: Option<&(String, Timestamp)>,
    after_days: i64,
) -> Finding {
    let recorded = recorded(study, word);
    match finished {
        Some((_, end)) if !recorded.done => Finding {
            at: Some(*end + SignedDuration::from_hours(24 * after_days)),
            ..recorded
        },
        _ => recorded,
    }
}

fn clean(study: &Study) -> Finding {
    let laid = study.data.files.len();
    match laid {
        0 if study.trials.is_empty() => Finding::open("none was laid down yet", ""),
        0 => Finding::done("the manifest lists none".into(), None),
        _ => Finding::open(
            format!(
                "{laid} files, {} in all, lie there",
                (study.data.bytes(Set::Read) + study.data.bytes(Set::Write)).iec()
            ),
            "run `poolproof clean STUDY` when nothing is to be measured any more",
        ),
    }
}

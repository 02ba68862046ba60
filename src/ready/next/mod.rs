//! What must follow now: the job from the first baseline to the look after 30 days, step by step.
//!
//! "Done" is four events: the layout is finished, the file system has grown, a scrub is clean, and
//! the speed was measured again. What facts show counts before what somebody recorded.

mod findings;
mod model;

use jiff::{SignedDuration, Timestamp};

pub use model::{Changed, Located, Next, Stage, Step, StepState};

pub(super) use findings::BASELINE;
use findings::Finding;

use super::counted::comparison;
use super::layers::layers;
use super::{Recorded, Sides, answer, days};
use crate::compare::{Comparison, diff, location};
use crate::facts::Facts;
use crate::plan::Phase;
use crate::reshape::{Alarm, Assessment, assess};
use crate::study::{CheckRow, Outcome, ProgressRow, Side, Study};

/// What was read before that long says nothing of now.
const LATELY: SignedDuration = SignedDuration::from_mins(10);

/// Whether and since when the expansion has begun, and what tells so: a trial that was measured since, where
/// nothing else does.
pub(super) fn begun(study: &Study) -> Option<(String, Timestamp)> {
    on_record(study).or_else(|| {
        let trial = study.trials.iter().find(|t| t.phase != Phase::Before)?;
        let why = format!("trial {} was measured {}", trial.trial, trial.phase);
        Some((why, trial.started))
    })
}

/// The same by what somebody recorded or `watch` read.
fn on_record(study: &Study) -> Option<(String, Timestamp)> {
    let started = answer(study, Side::After, "started");
    let started = started.filter(|row| row.result == Outcome::Passed);
    let recorded = started
        .or_else(|| answer(study, Side::After, "reshape"))
        .map(|row| (format!("{} recorded '{}'", row.by, row.item), row.done));
    let read = || {
        let mut readings = study.progress.iter().map(ProgressRow::reading);
        let first = readings.find(|r| r.position().is_some())?;
        Some(("`watch` read its progress".to_owned(), first.at))
    };
    recorded.or_else(read)
}

/// Why nothing of `phase` can be measured at the moment `now`, and what can, where something on record tells
/// when the reshape began or ended.
pub fn out_of_phase(study: &Study, phase: Phase, now: Timestamp) -> Option<String> {
    if phase == Phase::After {
        return None;
    }
    let clock = |at: Timestamp| at.strftime("%Y-%m-%d %H:%M:%S");
    if let Some((why, at)) = over(study) {
        return Some(format!(
            "the reshape ended {} UTC ({why}): what is measured now is of the time after, so give --phase after; another expansion takes a study of its own",
            clock(at)
        ));
    }
    match (phase, idle(study, now), on_record(study)) {
        (Phase::During, Some(at), _) => Some(format!(
            "nothing reshapes yet, as `watch` read at {} UTC: what is measured now is of the time before, so give --phase before, or wait until a position is read",
            clock(at)
        )),
        (Phase::Before, None, Some((why, at))) => Some(format!(
            "the reshape began {} UTC ({why}): what is measured now is of the time while it runs, so give --phase during",
            clock(at)
        )),
        _ => None,
    }
}

/// The end of the reshape that somebody recorded.
fn recorded_end(study: &Study) -> Option<(String, Timestamp)> {
    answer(study, Side::After, "reshape")
        .filter(|row| row.result == Outcome::Passed)
        .map(|row| (format!("{} recorded it", row.by), row.done))
}

/// What the readings say, where nobody has recorded the end: going through all of them takes long.
fn assessed(study: &Study) -> Option<Assessment> {
    match recorded_end(study) {
        Some(_) => None,
        None => assess(&study.progress, study.config.zones(), None),
    }
}

/// When the reshape was over, by what was recorded or `read` of it, and what tells so.
fn over_by(study: &Study, read: Option<&Assessment>) -> Option<(String, Timestamp)> {
    recorded_end(study).or_else(|| {
        let ending = read?.ending?;
        let why = match ending.told {
            true => "`watch` read that it is done",
            false => "`watch` read it to where it was not mentioned any more and had had the time",
        };
        Some((why.to_owned(), ending.at))
    })
}

/// When the reshape was over, by what was recorded or read of it, and what tells so.
pub fn over(study: &Study) -> Option<(String, Timestamp)> {
    over_by(study, assessed(study).as_ref())
}

/// When `watch` last read that nothing reshapes, where that was lately and no position was ever read.
fn idle(study: &Study, now: Timestamp) -> Option<Timestamp> {
    let latest = study.progress.last()?;
    let lately = now.duration_since(latest.at) < LATELY;
    (lately && latest.state.is_idle() && study.waits()).then_some(latest.at)
}

/// When the layout was finished, and what tells so: a trial that was measured after, where nothing else does.
fn finished_by(study: &Study, read: Option<&Assessment>) -> Option<(String, Timestamp)> {
    over_by(study, read).or_else(|| {
        let trial = study.trials.iter().find(|t| t.phase == Phase::After)?;
        let why = format!("trial {} was measured after", trial.trial);
        Some((why, trial.started))
    })
}

fn finished(study: &Study) -> Option<(String, Timestamp)> {
    finished_by(study, assessed(study).as_ref())
}

/// Whether anything but trials of the time after tells of an expansion: a pool or its reshape described
/// in study.toml, what somebody recorded, progress that was read, trials while it grew, or sizes of share
/// and drives that changed or are not known from both sides.
fn told(study: &Study, sides: &Sides<'_>) -> bool {
    let config = &study.config;
    let described = config.pool.is_some() || config.reshape.is_some();
    let recorded = |row: &CheckRow| row.side == Side::After && row.item != "report";
    let read = |row: ProgressRow| row.reading().position().is_some();
    let sizes = |of: Recorded<'_>| Some((of.facts.space.as_ref()?.total, of.facts.devices.clone()));
    let before = sides.before.and_then(sizes);
    let stayed = before.is_some() && before == sides.after.and_then(sizes);
    described
        || study.checks.iter().any(recorded)
        || study.progress.iter().any(read)
        || study
            .trials
            .iter()
            .any(|trial| trial.phase == Phase::During)
        || !stayed
}

/// The day from which a look again counts, where `done` is more than a day earlier: days are often given
/// without a time.
pub fn too_early(study: &Study, word: &str, done: Timestamp) -> Option<Timestamp> {
    let (_, end) = finished(study)?;
    findings::due(word, end).filter(|due| days(*due, done) >= 1)
}

/// The phase in which the study is, by what was recorded and measured.
pub fn phase(study: &Study) -> Phase {
    // A trial tells at once what readings tell after all of them were gone through.
    let after = || study.trials.iter().any(|trial| trial.phase == Phase::After);
    match after() || over(study).is_some() {
        true => Phase::After,
        false if begun(study).is_some() => Phase::During,
        false => Phase::Before,
    }
}

/// The phase that the study has come to, so that nothing before it can be measured any more. Where nothing but
/// trials of the time after tells of an expansion, the pool may still be as it was.
pub fn come_to(study: &Study) -> Phase {
    // Without a look of this moment, the moment does not matter.
    let sides = Sides::of(study, None, Timestamp::MIN);
    match phase(study) {
        Phase::After if !told(study, &sides) => Phase::Before,
        phase => phase,
    }
}

/// What must follow at the moment `now`. `live` is a look at the share of this moment, where there is
/// one.
pub fn next(study: &Study, live: Option<&Facts>, now: Timestamp) -> Next {
    next_by(study, &comparison(study), live, now)
}

/// The same by the comparison of `study` that was made already: judging many trials takes long.
pub fn next_by(
    study: &Study,
    comparison: &Comparison,
    live: Option<&Facts>,
    now: Timestamp,
) -> Next {
    let sides = Sides::of(study, live, now);
    let read = assessed(study);
    let (begun, finished) = (begun(study), finished_by(study, read.as_ref()));
    let recorded = |word: &str| findings::recorded(study, word);
    let title = findings::title;
    let over = finished.as_ref();
    // Trials of the time after are all there is: what follows an expansion is asked of nobody who made none.
    let held = over.is_some() && !told(study, &sides);
    // What somebody has to find out of a reshape that runs no more and was not seen to end.
    let lost = read
        .as_ref()
        .filter(|_| over.is_none())
        .and_then(|read| read.alarm.clone())
        .filter(|alarm| matches!(alarm, Alarm::Unsettled(_) | Alarm::Gone(_)));
    let waits = idle(study, now);
    let (grow, scrub) = (findings::grow(study, &sides), findings::scrub(study, over));
    let ready = grow.done && scrub.done;
    let mut findings: Vec<(&'static str, &'static str, Finding)> = vec![
        (
            "baseline",
            "measured before",
            findings::measured(study, comparison, Phase::Before, BASELINE),
        ),
        (
            "check",
            "checked that it may start",
            findings::checks(study, begun.as_ref(), now),
        ),
        (
            "started",
            title("started"),
            findings::event(study, "started", &begun),
        ),
        (
            "during",
            "measured while it grows",
            findings::measured_during(study, lost.is_some(), waits.is_some()),
        ),
        (
            "reshape",
            title("reshape"),
            match (held, &lost) {
                (true, _) => findings::untold(study),
                (false, Some(alarm)) => findings::lost(alarm),
                (false, None) if waits.is_some() => findings::waits(study),
                (false, None) => findings::reshape(study, read.as_ref(), &finished),
            },
        ),
        ("grow", title("grow"), grow),
        (
            "alignment",
            title("alignment"),
            findings::alignment(study, &sides),
        ),
        ("settings", title("settings"), recorded("settings")),
        ("scrub", title("scrub"), scrub),
        (
            "after",
            "measured after",
            findings::measured(
                study,
                comparison,
                Phase::After,
                match (held, ready) {
                    (true, _) => findings::MEASURE_UNTOLD,
                    (false, true) => findings::MEASURE_AFTER,
                    (false, false) => findings::MEASURE_WHEN_READY,
                },
            ),
        ),
        ("report", title("report"), recorded("report")),
        (
            "look-7",
            title("look-7"),
            findings::look(study, "look-7", over),
        ),
        (
            "look-30",
            title("look-30"),
            findings::look(study, "look-30", over),
        ),
        (
            "clean",
            "the test data is gone from the share",
            findings::clean(study, over.is_some() && !held),
        ),
    ];
    // A made-up share holds nothing, and what is cleaned away cannot be read back; what was read back
    // before that stands.
    let lies = study.data.files.iter().any(|file| file.complete);
    let mut read = findings::read_back(study);
    if !study.config.simulated && (lies || read.done) {
        if !lies {
            read.evidence += "; it was taken off the share since";
        }
        let step = ("verified", "what was written before is still there", read);
        let after = findings.iter().position(|(step, ..)| *step == "after");
        findings.insert(after.unwrap_or(findings.len()), step);
    }
    if held {
        let of_one = findings.iter_mut().filter(|(step, ..)| HELD.contains(step));
        of_one.for_each(|(.., found)| findings::condition(found));
    }
    let steps = order(findings, begun.is_some(), finished.is_some(), held, now);
    let changed = diff::lines(study).into_iter().filter(diff::Line::differs);
    Next {
        study: study.name.clone(),
        simulated: study.config.simulated,
        now,
        stage: match held {
            true => Stage::Untold,
            false => stage(study, &steps, begun.is_some(), finished.is_some()),
        },
        layers: layers(study, &sides),
        located: comparison
            .workloads
            .iter()
            .filter_map(|row| {
                let workload = row.workload.clone();
                let split = location::explain(study, row).ok()?;
                Some(Located { workload, split })
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
        "alignment" | "settings" | "scrub" | "verified" => 5,
        "after" => 6,
        "report" => 7,
        "look-7" | "look-30" => 8,
        _ => 9,
    }
}

/// Steps that only an expansion asks for.
const HELD: [&str; 7] = [
    "started",
    "grow",
    "alignment",
    "settings",
    "scrub",
    "look-7",
    "look-30",
];

/// Only the first open steps are for now, and what has fallen due. Where those of an expansion are `held`
/// back, nothing waits for them.
fn order(
    findings: Vec<(&'static str, &'static str, Finding)>,
    begun: bool,
    finished: bool,
    held: bool,
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
            false if held && HELD.contains(&step) => StepState::Later,
            false if held && step == "reshape" => StepState::Now,
            false if passed => StepState::Missed,
            false if due => StepState::Now,
            false if falls_due || open.is_some_and(|open| rank(step) > open) => StepState::Later,
            false => StepState::Now,
        };
        let waits = !held || !(step == "reshape" || HELD.contains(&step));
        if waits && matches!(state, StepState::Now | StepState::Later) {
            open = open.or(Some(rank(step)));
        }
        Step {
            step,
            title,
            act: model::act(step, held),
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

//! One sitting as text for a terminal, and what is said of single trials.

use super::grades::{self, Judgements};
use super::history::{self, Sitting};
use super::layout::{clamp, heading, list, paragraph, table};
use super::precise;
use super::words::{self, NONE};
use crate::chart::Family;
use crate::judge::Limiting;
use crate::plan::Access;
use crate::record::observed;
use crate::stats::describe::{coefficient_of_variation, median};
use crate::study::{Fault, State, Study, Trial, faults_told};
use crate::text::plain;
use crate::text::short;
use crate::units::grouped;

/// What came of sitting number `sitting`: its trials one by one, then by workload, at most `width`
/// characters wide (held between 60 and 110), each with its grade; what is void
/// shows no rate. `typed` is the study in a command. One sentence when there is no such sitting.
pub fn sitting_text(
    study: &Study,
    sitting: u64,
    judgements: &Judgements,
    typed: &str,
    width: usize,
) -> String {
    let width = clamp(width);
    let Some(sitting) = history::sittings(study)
        .into_iter()
        .find(|s| s.number == sitting)
    else {
        return format!("Sitting {sitting} has left no trials.\n");
    };
    let banner = words::banner(words::made_up(study));
    let title = format!(
        "{banner}Sitting {}, {} the expansion",
        sitting.number, sitting.phase
    );
    let head = [
        "trial", "workload", "grade", "rate", "median", "99th", "steady", "flush",
    ];
    let mut text = heading(&title);
    text += &format!("\n{banner}Trials\n");
    text += &table(
        width,
        3,
        &head,
        sitting
            .trials
            .iter()
            .map(|trial| trial_row(trial, judgements)),
    );
    text += &paragraph(width, "", &grades::legend());
    let head = [
        "workload",
        "grade",
        "trials",
        "median rate",
        "spread",
        "latency",
    ];
    text += &format!("\n{banner}By workload: trials that are not void (A, B, U); medians\n");
    text += &table(width, 2, &head, workload_rows(&sitting, judgements));
    text += &list(
        width,
        "How well it is known",
        &precise::known(study, &sitting),
    );
    text += &list(width, "What limits", &limits(&sitting, judgements));
    let causes: Vec<String> = sitting
        .trials
        .iter()
        .filter_map(|trial| cause(trial))
        .collect();
    let notes: Vec<String> = sitting
        .trials
        .iter()
        .filter_map(|trial| note(trial))
        .collect();
    text += &list(width, "Cut short", &causes);
    let faults = faults_told(sitting.trials.iter().copied());
    let faults = faults.map(|told| {
        format!(
            "The share answered with errors: {told}. {}.",
            words::sentence_case(Fault::ADVICE)
        )
    });
    text += &list(width, "What to do", &faults.into_iter().collect::<Vec<_>>());
    text += &list(width, "Notes", &notes);
    text + &list(width, "Compared", &compared(study, &sitting, typed))
}

/// How many blocks of what the sitting read were compared with what was laid down.
fn compared(study: &Study, sitting: &Sitting<'_>, typed: &str) -> Vec<String> {
    let sum = |name: &str| -> Option<f64> {
        let seen = sitting
            .trials
            .iter()
            .filter_map(|trial| study.observations.get(&trial.trial)?.get(name));
        seen.reduce(|a, b| a + b)
    };
    let blocks = sum(observed::CHECKED_BLOCKS).zip(sum(observed::DAMAGED_BLOCKS));
    let sentence = blocks.map(|(checked, damaged)| {
        format!(
            "{} of {} blocks of 4 KiB that were taken from what the trials read differ from what was laid down; all of it: `poolproof verify {typed}`.",
            grouped(damaged as u64),
            grouped(checked as u64)
        )
    });
    sentence.into_iter().collect()
}

/// The family of a trial's workload.
pub(super) fn family(trial: &Trial) -> Family {
    match trial.access {
        Access::Sequential => Family::Sequential,
        Access::Random => Family::Random,
    }
}

/// The rate of a trial, or how it ended instead.
pub(super) fn rate(trial: &Trial) -> String {
    match (trial.state, trial.rate_bytes_per_s) {
        (State::Complete, Some(rate)) => words::rate(family(trial), rate, trial.block_bytes),
        (State::Complete, None) => NONE.to_owned(),
        (state, _) => state.word().to_owned(),
    }
}

/// What drove a trial and why that, in plain words; `None` where no reason is recorded, as of made-up
/// shares.
pub(super) fn submission(study: &Study, trial: &Trial) -> Option<String> {
    let reason = plain(&trial.submission_reason);
    if reason.is_empty() {
        return None;
    }
    let submission = match trial.submission.as_str() {
        "ring" => "an io_uring ring".to_owned(),
        "threads" => "threads".to_owned(),
        other => plain(other),
    };
    // A study keeps to a way of submission once it is chosen; why is told by the trial that it was chosen for.
    let first = reason.strip_prefix("as trial ");
    let first = first.and_then(|number| number.parse().ok());
    let chosen = first.and_then(|number: u64| study.trials.iter().find(|t| t.trial == number));
    let why = match chosen.map(|first| plain(&first.submission_reason)) {
        Some(first) if first.starts_with(MEASURED) => format!("{reason}, {}", in_turns(&first)),
        _ => in_turns(&reason),
    };
    Some(format!("{submission}: {why}"))
}

/// How the reason of a way of submission that was chosen by measurement begins.
const MEASURED: &str = "measured: ";

/// A reason that comes of a measurement, for who does not know how one is made; others as they are.
fn in_turns(reason: &str) -> String {
    reason
        .strip_prefix(MEASURED)
        .map_or(reason.to_owned(), |found| {
            format!("chosen by measurement, both in turns on this share: {found} of the other")
        })
}

/// Why a trial was cut short, as a sentence.
pub(super) fn cause(trial: &Trial) -> Option<String> {
    let why = match plain(&trial.cause) {
        cause if cause.is_empty() => String::new(),
        cause => format!(": {cause}"),
    };
    let name = plain(&trial.workload);
    (trial.state != State::Complete).then(|| {
        format!(
            "Trial {} ({name}) {}{why}.",
            trial.trial,
            ended(trial.state)
        )
    })
}

fn ended(state: State) -> &'static str {
    match state {
        State::Complete => "ran its time",
        State::Failed => "failed",
        State::Interrupted => "was interrupted",
    }
}

fn note(trial: &Trial) -> Option<String> {
    let note = plain(&trial.notes);
    (!note.is_empty()).then(|| format!("Trial {}: {note}", trial.trial))
}

fn trial_row(trial: &Trial, judgements: &Judgements) -> Vec<String> {
    let judged = judgements.get(&trial.trial);
    let void = grades::is_void(judged);
    // A figure in this column would be taken for one of drives; `why` tells it with its evidence.
    let figure = |text: String| if void { NONE.to_owned() } else { text };
    let latency = |ns: Option<u64>| figure(words::latency(ns.map(|ns| ns as f64)));
    let rate = match void {
        true => "void".to_owned(),
        false => rate(trial),
    };
    let flush = trial
        .flush_seconds
        .map_or(String::new(), |s| format!("{s:.1} s"));
    vec![
        trial.trial.to_string(),
        short(&trial.workload, 24),
        grades::letter(judged).to_owned(),
        rate,
        latency(trial.p50_ns),
        latency(trial.p99_ns),
        words::steadiness(trial),
        flush,
    ]
}

/// The complete trials of a workload by name.
fn complete<'a>(sitting: &Sitting<'a>, name: &str) -> Vec<&'a Trial> {
    let of_name = |trial: &&Trial| trial.state == State::Complete && plain(&trial.workload) == name;
    sitting.trials.iter().copied().filter(of_name).collect()
}

/// A row a workload, of the trials that are not void; without any, of none.
fn workload_rows(sitting: &Sitting<'_>, judgements: &Judgements) -> Vec<Vec<String>> {
    let row = |name: String| {
        let all = complete(sitting, &name);
        let sound: Vec<&Trial> = all
            .iter()
            .copied()
            .filter(|trial| !grades::is_void(judgements.get(&trial.trial)))
            .collect();
        let void = sound.is_empty() && !all.is_empty();
        let graded: Vec<u64> = if void { &all } else { &sound }
            .iter()
            .map(|trial| trial.trial)
            .collect();
        let worst = grades::worst(judgements, &graded);
        let rates: Vec<f64> = sound.iter().filter_map(|t| t.rate_bytes_per_s).collect();
        let latencies: Option<Vec<f64>> =
            sound.iter().map(|t| t.p50_ns.map(|ns| ns as f64)).collect();
        let rate = sound
            .first()
            .zip(median(&rates))
            .map(|(first, rate)| words::rate(family(first), rate, first.block_bytes));
        let missing = if void { "void" } else { NONE };
        vec![
            short(&name, 32),
            grades::named(worst),
            match all.len() - sound.len() {
                0 => all.len().to_string(),
                _ => format!("{} of {}", sound.len(), all.len()),
            },
            rate.unwrap_or_else(|| missing.to_owned()),
            words::spread(coefficient_of_variation(&rates)),
            words::latency(latencies.and_then(|values| median(&values))),
        ]
    };
    sitting.workloads().into_iter().map(row).collect()
}

/// What limits, each finding once with its workloads, and why these are void where they are.
fn limits(sitting: &Sitting<'_>, judgements: &Judgements) -> Vec<String> {
    let sentence = |name: String| {
        let of = complete(sitting, &name);
        let trials: Vec<u64> = of.iter().map(|t| t.trial).collect();
        let rates: Vec<f64> = of
            .iter()
            .map(|t| t.rate_bytes_per_s.unwrap_or(0.0))
            .collect();
        let (_, limiting) = grades::limiting(judgements, &trials, &rates)?;
        let ruling = &grades::worst(judgements, &trials)?.ruling;
        let void = match ruling.grade.is_void() {
            false => String::new(),
            true => format!("void, {}; ", grades::sentence(ruling)),
        };
        let grade = ruling.grade.letter();
        Some((format!("{} ({grade})", short(&name, 60)), void, limiting))
    };
    let found = grades::alike(sitting.workloads().into_iter().filter_map(sentence));
    let told = |alike: grades::Alike<'_, String>| {
        let sentence = plain(&Limiting::together(&alike.of));
        format!("{}: {}{sentence}.", alike.places.join(", "), alike.lead)
    };
    found.into_iter().map(told).collect()
}

#[cfg(test)]
mod tests {
    use super::super::testing::{self, Scene};
    use super::*;
    use crate::judge::judge_all;

    #[test]
    fn a_submission_is_told_with_its_reason_that_of_the_first_trial_included() {
        let mut study = testing::study(Scene::Full);
        assert_eq!(submission(&study, &study.trials[0]), None);
        study.trials[0].submission = "ring".into();
        study.trials[0].submission_reason = "measured: 1.40 times the rate".into();
        study.trials[1].submission = "ring".into();
        study.trials[1].submission_reason = format!("as trial {}", study.trials[0].trial);
        study.trials[2].submission_reason = "one operation at a time".into();
        let told = |index: usize| submission(&study, &study.trials[index]).unwrap();
        let why =
            "chosen by measurement, both in turns on this share: 1.40 times the rate of the other";
        assert_eq!(told(0), format!("an io_uring ring: {why}"));
        let number = study.trials[0].trial;
        assert_eq!(
            told(1),
            format!("an io_uring ring: as trial {number}, {why}")
        );
        assert_eq!(told(2), "threads: one operation at a time");

        let judgements = judge_all(&study);
        let asked = Some(study.trials[0].trial);
        let text = super::super::why_text(&study, asked, &judgements, 110).unwrap();
        assert!(
            text.contains("submitted an io_uring ring: chosen by"),
            "{text}"
        );
        let json = super::super::why_json(&study, asked, &judgements).unwrap();
        assert!(
            json.contains(r#""submission_reason": "measured: 1.40"#),
            "{json}"
        );
    }

    #[test]
    fn a_sitting_tells_each_trial_and_each_workload() {
        let study = testing::study(Scene::Full);
        let text = sitting_text(&study, 3, &judge_all(&study), "my/scans", 80);
        for trial in study.trials.iter().filter(|trial| trial.sitting == 3) {
            let start = format!("{:<5}", trial.trial);
            assert!(text.lines().any(|line| line.starts_with(&start)), "{text}");
        }
        assert!(text.contains("failed: reading file 3"), "{text}");
        // Five trials of which one failed, their workload, what limits it, and the failure.
        assert_eq!(text.matches("small-read-deep").count(), 8, "{text}");
    }
}

//! A sitting and a whole study as text for a terminal.

use super::grades::{self, Judgements};
use super::history::{self, Sitting};
use super::layout::{clamp, heading, list, paragraph, table};
use super::words::{self, NONE};
use crate::chart::{Family, plain, short};
use crate::plan::{Access, Set};
use crate::stats::describe::{coefficient_of_variation, median};
use crate::study::{State, Study, Trial};

/// What came of sitting number `sitting`: its trials one by one, then by workload, at most `width`
/// characters wide (held between 60 and 110), each with its grade; what is void
/// shows no rate. One sentence when there is no such sitting.
pub fn sitting_text(study: &Study, sitting: u64, judgements: &Judgements, width: usize) -> String {
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
    let head = [
        "workload",
        "grade",
        "trials",
        "median rate",
        "spread",
        "latency",
    ];
    text += &format!("\n{banner}By workload: trials whose grade holds (A, B); medians\n");
    text += &table(width, 2, &head, workload_rows(&sitting, judgements));
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
    text + &list(width, "Notes", &notes)
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

/// A row a workload, of the trials whose grade holds; without any, of none.
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
            grades::letter(worst).to_owned(),
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

/// What limits each workload, and why it is void where it is.
fn limits(sitting: &Sitting<'_>, judgements: &Judgements) -> Vec<String> {
    let sentence = |name: String| {
        let trials: Vec<u64> = complete(sitting, &name).iter().map(|t| t.trial).collect();
        let limiting = plain(&grades::limiting(judgements, &trials)?.sentence);
        let ruling = &grades::worst(judgements, &trials)?.ruling;
        let sentence = match ruling.grade.holds() {
            true => limiting,
            false => format!("void, {}; {limiting}", grades::sentence(ruling)),
        };
        let grade = ruling.grade.letter();
        Some((format!("{} ({grade})", short(&name, 60)), sentence))
    };
    words::merged(sitting.workloads().into_iter().filter_map(sentence))
}

/// All that a study holds, at most `width` characters wide (held between 60 and 110): what was said,
/// sittings with the grades of their trials, the latest facts and what changed, test data, damage.
pub fn study_text(study: &Study, judgements: &Judgements, width: usize) -> String {
    let width = clamp(width);
    let banner = words::banner(words::made_up(study));
    let mut text = heading(&short(&format!("{banner}Study {}", study.name), width));
    let mut line = |name: &str, value: &str| {
        text += &paragraph(width, &format!("{name:<15}"), &plain(value));
    };
    line("share", &study.config.share);
    line("identity", &study.config.id.to_string());
    line("created", &moment(study.config.created));
    if let Some(pool) = history::pool(study) {
        line("pool", &pool);
    }
    if let Some(memory) = study.config.server_memory {
        line("server memory", &memory.to_string());
    }
    line(
        "threshold",
        &format!(
            "{} % is of practical interest",
            study.config.threshold_percent
        ),
    );
    text += &data(study, width);
    text += &sittings(study, judgements, width, banner);
    text += &facts(study, width, banner);
    let remarks: Vec<String> = study.remarks.iter().map(|remark| plain(remark)).collect();
    text + &list(width, "Damage found", &remarks)
}

/// Date and time to the second, UTC.
pub(super) fn moment(at: jiff::Timestamp) -> String {
    at.strftime("%Y-%m-%d %H:%M:%S UTC").to_string()
}

/// The test data in sentences.
pub(super) fn data_words(study: &Study) -> Vec<String> {
    let data = &study.data;
    if data.files.is_empty() {
        return vec!["No test data lies on the share.".to_owned()];
    }
    let set = |set: Set, name: &str| {
        let files = words::count(data.of(set).count(), "file");
        format!("{name} set: {files}, {} in all.", data.bytes(set))
    };
    let mut sentences = vec![
        format!("Folder on the share: {}", plain(&data.folder)),
        set(Set::Read, "Read"),
        set(Set::Write, "Write"),
    ];
    let incomplete = data.files.iter().filter(|file| !file.complete).count();
    if incomplete > 0 {
        let files = words::count(incomplete, "file");
        sentences.push(format!("{files} not written to the end, and not used."));
    }
    sentences
}

fn data(study: &Study, width: usize) -> String {
    list(width, "Test data", &data_words(study))
}

fn sittings(study: &Study, judgements: &Judgements, width: usize, banner: &str) -> String {
    let sittings = history::sittings(study);
    if sittings.is_empty() {
        return "\nNothing has been measured yet.\n".to_owned();
    }
    let sentence = |sitting: &Sitting<'_>| {
        let workloads = sitting.workloads();
        let cut = match sitting.cut_short() {
            0 => String::new(),
            cut => format!(", {cut} of them cut short"),
        };
        let tags = match sitting.tags() {
            tags if tags.is_empty() => String::new(),
            tags => format!(" Tags: {tags}."),
        };
        let trials = words::count(sitting.trials.len(), "trial");
        let count = words::count(workloads.len(), "workload");
        let numbers = sitting.trials.iter().map(|trial| trial.trial);
        let grades = match grades::counted(judgements, numbers) {
            grades if grades.is_empty() => String::new(),
            grades => format!(" Grades: {grades}."),
        };
        format!(
            "{}, {}: {trials}{cut}, of {count} ({}).{grades}{tags}",
            sitting.phase,
            moment(sitting.started),
            workloads.join(", ")
        )
    };
    let mut text = format!("\n{banner}Sittings\n");
    for sitting in &sittings {
        text += &paragraph(
            width,
            &format!("{:>3}  ", sitting.number),
            &sentence(sitting),
        );
    }
    text
}

fn facts(study: &Study, width: usize, banner: &str) -> String {
    let Some(facts) = history::latest_facts(study) else {
        return String::new();
    };
    let mut text = format!("\n{banner}Facts of the latest sitting\n");
    for (name, value) in facts.lines() {
        let name = short(&name, 34);
        text += &paragraph(width, &format!("  {name:<28} "), &plain(&value));
    }
    for step in history::steps(study) {
        let sentence = |change: &crate::facts::Change| {
            let side = |value: &Option<String>| value.as_deref().map_or("none".into(), plain);
            format!(
                "{}: {} → {}",
                plain(&change.fact),
                side(&change.was),
                side(&change.is)
            )
        };
        let changes: Vec<String> = match step.changes.is_empty() {
            true => vec!["nothing".to_owned()],
            false => step.changes.iter().map(sentence).collect(),
        };
        text += &list(width, &format!("What changed {}", step.label), &changes);
    }
    text
}

#[cfg(test)]
mod tests {
    use super::super::testing::{self, SCENES, Scene};
    use super::*;
    use crate::judge::judge_all;

    #[test]
    fn every_study_fits_eighty_columns_without_control_characters() {
        for scene in SCENES {
            let study = testing::study(scene);
            let judgements = judge_all(&study);
            let mut text = study_text(&study, &judgements, 80);
            for sitting in 0..4 {
                text += &sitting_text(&study, sitting, &judgements, 80);
            }
            for line in text.lines() {
                assert!(line.chars().count() <= 80, "{scene:?}: {line}");
                assert_eq!(
                    plain(line),
                    line.split_whitespace().collect::<Vec<_>>().join(" ")
                );
            }
            assert_eq!(
                text.contains("SIMULATED"),
                scene == Scene::Simulated,
                "{scene:?}"
            );
        }
    }

    #[test]
    fn a_study_tells_sittings_facts_changes_data_and_damage() {
        let study = testing::study(Scene::Full);
        let text = study_text(&study, &judge_all(&study), 80);
        for part in [
            "RAID 6, 4 drives of 6 TB, growing to 5",
            "Read set: 16 files, 64 GiB in all.",
            "30 trials, 2 of them cut",
            "link.lan0.mtu: 1500 → 9000",
            "half a line",
        ] {
            assert!(text.contains(part), "{part} in\n{text}");
        }
    }

    #[test]
    fn a_sitting_tells_each_trial_and_each_workload() {
        let study = testing::study(Scene::Full);
        let text = sitting_text(&study, 3, &judge_all(&study), 80);
        for trial in study.trials.iter().filter(|trial| trial.sitting == 3) {
            let start = format!("{:<5}", trial.trial);
            assert!(text.lines().any(|line| line.starts_with(&start)), "{text}");
        }
        assert!(text.contains("failed: reading file 3"), "{text}");
        // Five trials of which one failed, their workload, what limits it, and the failure.
        assert_eq!(text.matches("small-read-deep").count(), 8, "{text}");
    }
}

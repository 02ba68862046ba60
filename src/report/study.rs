//! A whole study as text for a terminal.

use super::fact;
use super::grades::{self, Judgements};
use super::history::{self, Sitting};
use super::layout::{clamp, heading, list, paragraph};
use super::spark;
use super::words;
use crate::plan::{Phase, Set};
use crate::study::{State, Study, Trial};
use crate::text::{plain, short};

/// Sittings that are listed unless all are asked for.
pub const LATEST: usize = 20;

/// All that a study holds, at most `width` characters wide (held between 60 and 110): what was said, the
/// `latest` sittings with the grades of their trials, the latest facts and what changed, test data, damage.
pub fn study_text(study: &Study, judgements: &Judgements, latest: usize, width: usize) -> String {
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
    text += &sittings(study, judgements, latest, width, banner);
    text += &bars(study, judgements, width, banner);
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
    if data.of(Set::Fresh).next().is_some() {
        sentences.push(set(Set::Fresh, "Fresh"));
    }
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

fn sittings(
    study: &Study,
    judgements: &Judgements,
    latest: usize,
    width: usize,
    banner: &str,
) -> String {
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
        let grades = match grades::in_words(judgements, numbers) {
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
    let (earlier, sittings) = sittings.split_at(sittings.len().saturating_sub(latest));
    if let Some((first, last)) = earlier.first().zip(earlier.last()) {
        let trials = earlier.iter().map(|sitting| sitting.trials.len()).sum();
        let words = format!(
            "{} with {} from {} to {} are not listed: --all lists them",
            words::count(earlier.len(), "earlier sitting"),
            words::count(trials, "trial"),
            moment(first.started),
            moment(last.started)
        );
        text += &paragraph(width, "     ", &words);
    }
    for sitting in sittings {
        text += &paragraph(
            width,
            &format!("{:>3}  ", sitting.number),
            &sentence(sitting),
        );
    }
    text
}

/// A bar for each trial's rate, workload by workload, phases apart.
fn bars(study: &Study, judgements: &Judgements, width: usize, banner: &str) -> String {
    let mut names: Vec<&str> = Vec::new();
    for trial in &study.trials {
        if !names.contains(&trial.workload.as_str()) {
            names.push(&trial.workload);
        }
    }
    // Of long studies the latest trials of each phase.
    let most = (width - 18) / 3;
    let rate = |trial: &Trial| {
        let holds = !grades::is_void(judgements.get(&trial.trial));
        let rate = trial
            .rate_bytes_per_s
            .filter(|_| trial.state == State::Complete);
        rate.filter(|_| holds)
    };
    let line = |name: &str| {
        // Of a study that was read in part, those that were graded.
        let of_name = study.trials.iter().filter(|trial| {
            trial.workload == name
                && (trial.state != State::Complete || judgements.contains_key(&trial.trial))
        });
        let highest = of_name.clone().filter_map(rate).fold(0.0, f64::max);
        let phases = Phase::ALL.map(|phase| {
            let rates: Vec<_> = of_name
                .clone()
                .filter(|trial| trial.phase == phase)
                .map(rate)
                .collect();
            let from = rates.len().saturating_sub(most - 1);
            spark::bars(rates[from..].iter().copied(), highest)
        });
        let bars = phases.join("  ");
        format!("  {:<16} {}\n", short(name, 16), bars.trim_end())
    };
    let lines: String = names.into_iter().map(line).collect();
    if lines.is_empty() {
        return String::new();
    }
    let title = format!(
        "{banner}Rates trial by trial, before, during and after; each row has bars from 0 to its \
         highest, and {} where no rate of the drives is known",
        spark::VOID
    );
    format!("\n{}{lines}", paragraph(width, "", &title))
}

fn facts(study: &Study, width: usize, banner: &str) -> String {
    let Some(facts) = history::latest_facts(study) else {
        return String::new();
    };
    let mut text = format!("\n{banner}Facts of the latest sitting\n");
    for (fact, value) in facts.lines() {
        let name = short(&fact, 34);
        let value = fact::value(&fact, &value);
        text += &paragraph(width, &format!("  {name:<28} "), &plain(&value));
    }
    for step in history::steps(study) {
        let sentence = |change: &crate::facts::Change| {
            let told = |value: &str| plain(&fact::value(&change.fact, value));
            let side = |value: &Option<String>| value.as_deref().map_or("none".into(), told);
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
    use super::super::sitting::sitting_text;
    use super::super::testing::{self, SCENES, Scene};
    use super::*;
    use crate::judge::judge_all;

    #[test]
    fn every_study_fits_eighty_columns_without_control_characters() {
        for scene in SCENES {
            let study = testing::study(scene);
            let judgements = judge_all(&study);
            let mut text = study_text(&study, &judgements, LATEST, 80);
            for sitting in 0..4 {
                text += &sitting_text(&study, sitting, &judgements, "scans", 80);
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
    fn earlier_sittings_are_counted_unless_all_are_asked_for() {
        let study = testing::study(Scene::Full);
        let judgements = judge_all(&study);
        let text = study_text(&study, &judgements, 1, 80);
        assert!(text.contains("2 earlier sittings with"), "{text}");
        assert!(
            text.contains("\n  3  after") && !text.contains("\n  2  "),
            "{text}"
        );
        for latest in [3, usize::MAX] {
            let text = study_text(&study, &judgements, latest, 80);
            assert!(
                !text.contains("earlier") && text.contains("\n  1  "),
                "{text}"
            );
        }
    }

    #[test]
    fn a_study_tells_sittings_facts_changes_data_and_damage() {
        let study = testing::study(Scene::Full);
        let text = study_text(&study, &judge_all(&study), LATEST, 80);
        for part in [
            "RAID 6, 4 drives of 6 TB, growing to 5",
            "Read set: 16 files, 64 GiB in all.",
            "30 trials, 2 of them cut",
            "link.lan0.mtu: 1500 → 9000",
            "half a line",
            "Rates trial by trial",
        ] {
            assert!(text.contains(part), "{part} in\n{text}");
        }
    }
}

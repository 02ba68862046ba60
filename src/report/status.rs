//! Where a study stands and what is next, on one screen.

use super::grades::{self, Judgements};
use super::history;
use super::layout::{clamp, heading, list, paragraph, table};
use super::verdict;
use super::words::{self, NONE};
use crate::compare::{Comparison, Row};
use crate::plan::Phase;
use crate::ready::{Next, StepState, age};
use crate::reshape::{Reading, State, assess};
use crate::study::{ProgressRow, Study};
use crate::text::{plain, short};
use crate::units::{grouped, percent};

/// How far the job is, what was measured in each phase, what changed, where the reshape is, and what
/// to do now; at most `width` characters wide (held between 60 and 110).
pub fn status_text(
    study: &Study,
    judgements: &Judgements,
    comparison: &Comparison,
    next: &Next,
    width: usize,
) -> String {
    let width = clamp(width);
    let banner = words::banner(words::made_up(study));
    let mut text = heading(&short(&format!("{banner}Study {}", study.name), width));
    text += &paragraph(width, "", next.stage.sentence());
    text += &format!("\n{banner}Measured so far\n");
    text += &phases(study, judgements, next, width);
    if let Some(told) = reshape(study, next) {
        text += "\n";
        text += &paragraph(width, &format!("{banner}Reshape: "), &told);
    }
    let rows = comparison.workloads.iter();
    let changes: String = rows
        .filter_map(|row| change(comparison, judgements, row, width))
        .collect();
    if !changes.is_empty() {
        text += &format!("\n{banner}What changed\n{changes}");
    }
    text + &now_text(next, width)
}

/// Where the expansion is, by the account that `watch` and `next` give of it, and what else runs after its
/// end; `None` where nobody has read anything.
fn reshape(study: &Study, next: &Next) -> Option<String> {
    let readings: Vec<Reading> = study.progress.iter().map(ProgressRow::reading).collect();
    let seen = assess(&readings, study.config.zones(), None)?;
    let at = |fraction: Option<f64>| {
        fraction.map_or(String::new(), |done| format!(", at {}", percent(done, 1)))
    };
    let read = age(next.now, seen.at);
    let done = next.steps.iter().find(|step| step.step == "reshape");
    let done = done.filter(|step| step.state == StepState::Done);
    let own = match (done.and_then(|step| step.at), seen.state) {
        (Some(end), _) => format!("finished ({})", age(next.now, end)),
        (None, State::Finished) => format!("finished ({})", age(next.now, seen.since)),
        (None, state) => format!("{}{} (as of {read})", state.word(), at(seen.fraction)),
    };
    Some(match seen.another {
        Some(another) if another.at_work => format!(
            "{own}; another pass over the drives was running{} (as of {read})",
            at(another.fraction)
        ),
        Some(another) => format!(
            "{own}; another pass over the drives was seen{}, and it runs no more (as of {read})",
            at(another.fraction)
        ),
        None => own,
    })
}

/// What is for now, at most `width` characters wide (held between 60 and 110); nothing where nothing is.
pub fn now_text(next: &Next, width: usize) -> String {
    let mut steps: Vec<String> = next.now().map(|step| plain(&step.asked())).collect();
    if steps.is_empty() {
        let open = next
            .steps
            .iter()
            .filter(|step| step.state == StepState::Later);
        let first = open.filter_map(|step| Some((step.at?, step.act))).min();
        steps.extend(
            first.map(|(due, act)| {
                format!("nothing until {}: then {act}", due.strftime("%Y-%m-%d"))
            }),
        );
    }
    list(clamp(width), "Now", &steps)
}

/// A study among several: its name, how far the job is, and the next step.
pub fn status_line(next: &Next, name: &str, width: usize) -> String {
    let banner = words::banner(next.simulated);
    let step = next.now().next();
    let step = step.map_or(String::new(), |step| format!(" Next: {}.", step.act));
    let text = format!("{banner}{}{step}", next.stage.sentence());
    paragraph(clamp(width), &format!("{:<20}  ", short(name, 40)), &text)
}

fn phases(study: &Study, judgements: &Judgements, next: &Next, width: usize) -> String {
    let sittings = history::sittings(study);
    let row = |phase: Phase| {
        let of_phase: Vec<_> = sittings.iter().filter(|s| s.phase == phase).collect();
        let trials = of_phase.iter().flat_map(|sitting| &sitting.trials);
        let numbers = trials.clone().map(|trial| trial.trial);
        let grades = grades::in_words(judgements, numbers);
        let latest = trials.clone().map(|trial| trial.started).max();
        let count = |count: usize| match count {
            0 => NONE.to_owned(),
            count => grouped(count as u64),
        };
        vec![
            phase.word().to_owned(),
            if grades.is_empty() {
                NONE.to_owned()
            } else {
                grades
            },
            count(of_phase.len()),
            count(trials.count()),
            latest.map_or(NONE.to_owned(), |at| age(next.now, at)),
        ]
    };
    let head = ["phase", "grades", "sittings", "trials", "latest"];
    table(width, 2, &head, Phase::ALL.map(row))
}

/// The verdict on a workload, after if there is one, else during.
fn change(
    comparison: &Comparison,
    judgements: &Judgements,
    row: &Row,
    width: usize,
) -> Option<String> {
    let after = row.after_before.as_ref().map(|found| (Phase::After, found));
    let during = row
        .during_before
        .as_ref()
        .map(|found| (Phase::During, found));
    let (phase, contrast) = after.or(during)?;
    let words = verdict::verdict(row, contrast, phase, &comparison.rules, judgements);
    let first = format!("  {:<17} ", short(&row.workload, 40));
    Some(paragraph(width, &first, &format!("{phase}: {words}")))
}

#[cfg(test)]
mod tests {
    use super::super::testing::{self, SCENES, Scene};
    use super::*;
    use crate::compare::{Rules, compare};
    use crate::judge::judge_all;
    use crate::ready::next;

    fn text(scene: Scene) -> String {
        let study = testing::study(scene);
        let judgements = judge_all(&study);
        let comparison = compare(&study, &judgements, Rules::of(&study));
        let now = "2026-03-09T12:00:00Z".parse().unwrap();
        let follows = next(&study, None, now).at("my/scans");
        status_text(&study, &judgements, &comparison, &follows, 80)
            + &status_line(&follows, "my/scans", 80)
    }

    #[test]
    fn every_study_fits_eighty_columns_and_made_up_ones_say_so() {
        for scene in SCENES {
            let text = text(scene);
            for line in text.lines() {
                assert!(line.chars().count() <= 80, "{scene:?}: {line}");
            }
            assert_eq!(text.contains("SIMULATED"), scene == Scene::Simulated);
        }
    }

    /// Read to its end and then not mentioned; after that, another balance.
    #[test]
    fn the_expansion_is_told_as_watch_tells_it_and_another_pass_as_such() {
        use crate::compare::scene::{at, reshaping};
        use crate::reshape::Word;
        let reshaped = reshaping(|hour| match hour {
            h if h < 10.0 => (0.1 * h, Word::Running),
            _ => (1.0, Word::Absent),
        });
        let mut study = reshaped;
        study.progress.retain(|row| row.at < at(12.0));
        study.progress.change(|_, row| {
            row.fraction = row.fraction.filter(|_| row.state == Word::Running);
        });
        let told = |study: &Study| reshape(study, &next(study, None, at(20.0))).unwrap();
        let finished = told(&study);
        assert!(
            finished.starts_with("finished (") && !finished.contains("another"),
            "{finished}"
        );
        let mut row = study.progress.first().unwrap();
        (row.at, row.elapsed_s, row.fraction) = (at(19.0), None, Some(0.25));
        study.progress.push(row);
        let later = told(&study);
        assert!(later.starts_with("finished ("), "{later}");
        assert!(
            later.ends_with(
                "another pass over the drives was running, at 25.0 % (as of 60 min ago)"
            ),
            "{later}"
        );
    }

    #[test]
    fn it_says_what_is_next_for_this_study() {
        let empty = text(Scene::Empty);
        assert!(empty.contains("Nothing has been measured yet."), "{empty}");
        assert!(
            empty.contains("`poolproof measure my/scans --phase before`"),
            "{empty}"
        );
        let full = text(Scene::Full);
        for part in ["What changed", "after: gain of", "no cache found", "Now"] {
            assert!(full.contains(part), "{part} in\n{full}");
        }
        assert!(!full.contains("STUDY"), "{full}");
    }
}

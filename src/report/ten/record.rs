//! What the record of the expansion says: data, forecast, safety, other changes, what follows.

use super::{Line, Scene, Standing};
use crate::compare::diff;
use crate::compare::forecasted::{Finish, Planned, Told};
use crate::integrity::{
    Pass, ReadBack, Sealing, data_pass, read_back, sample_sentence, sealed_pass, sealing,
};
use crate::plan::Phase;
use crate::ready::{BEFORE, Stage, StepState, answer};
use crate::report::verified::back_sentences;
use crate::report::{history, words};
use crate::study::{Fault, Outcome, Side, State, Study, faults_told};
use crate::text::plain;
use crate::units::{Bytes, grouped, percent};

const DATA: &str = "Result and data errors";
const FORECAST: &str = "Forecast against actual";
const SAFETY: &str = "Safety record";
const CHANGES: &str = "What changed besides the drive";
const FOLLOWS: &str = "What to do next";

/// What was read back last: of the test data, and of sealed files. A pass over nothing proves nothing.
struct Proof {
    data: Option<Pass>,
    backs: Vec<ReadBack>,
    seals: Vec<Sealing>,
}

impl Proof {
    fn of(study: &Study) -> Self {
        let data = data_pass(study);
        let backs = data
            .as_ref()
            .map_or(Vec::new(), |pass| read_back(study, pass.number));
        let seals = sealed_pass(study).map_or(Vec::new(), |pass| sealing(study, pass.number));
        Self { data, backs, seals }
    }

    fn damaged(&self) -> u64 {
        let blocks: u64 = self.backs.iter().map(ReadBack::damaged).sum();
        blocks + self.seals.iter().map(Sealing::damaged).sum::<u64>()
    }

    /// What the sample of one seal says; of several there is no common one.
    fn own(&self) -> String {
        let [seal] = &self.seals[..] else {
            return String::new();
        };
        sample_sentence(seal.differing, seal.blocks).map_or(String::new(), |sentence| {
            format!("Of your own files, {sentence}.")
        })
    }
}

/// Blocks and files of the latest reading back that are damaged; `None` where nothing was read back.
pub(super) fn damage(scene: &Scene<'_>) -> Option<u64> {
    let proof = Proof::of(scene.study);
    (proof.data.is_some() || !proof.seals.is_empty()).then(|| proof.damaged())
}

/// Line 1: whether what was written is still there, and whether the share answered with errors.
pub(super) fn data(scene: &Scene<'_>) -> Line {
    let mut line = data_read(scene);
    if let Some(faults) = faults_told(&scene.study.trials) {
        line.standing = Standing::Bad;
        line.comparison = [
            format!("the share answered with errors: {faults}"),
            line.comparison,
        ]
        .into_iter()
        .filter(|part| !part.is_empty())
        .collect::<Vec<_>>()
        .join("; ");
        let advice = format!("{}.", words::sentence_case(Fault::ADVICE));
        line.plain = [line.plain, advice].join(" ").trim().to_owned();
    }
    line
}

/// Line 1 by what was read back alone.
fn data_read(scene: &Scene<'_>) -> Line {
    let cut = cut_short(scene);
    let proof = Proof::of(scene.study);
    let (damaged, own) = (proof.damaged(), proof.own());
    let Some(pass) = &proof.data else {
        let gone = scene.study.data.files.is_empty() && !scene.study.trials.is_empty();
        let advice = match (scene.study.config.simulated, gone) {
            (true, _) => "A made-up share holds no data that could be read back.".to_owned(),
            (false, true) => "The test data was taken off before anybody read it back.".to_owned(),
            (false, false) => format!(
                "Run `poolproof verify {}`: it reads everything back that was written and compares it.",
                scene.typed()
            ),
        };
        let advice = match own.is_empty() {
            true => advice,
            false => format!("{own} {advice}"),
        };
        let none = Line {
            comparison: cut,
            ..Line::missing(DATA, "no test data was read back", &advice)
        };
        return match damaged {
            0 => none,
            n => Line {
                standing: Standing::Bad,
                number: format!("{} files are DAMAGED", grouped(n)),
                rows: "sealed-checks.csv".to_owned(),
                ..none
            },
        };
    };
    let blocks: u64 = proof.backs.iter().map(|back| back.blocks).sum();
    let bytes: Bytes = proof.backs.iter().map(|back| back.bytes).sum();
    let told = proof.backs.iter().flat_map(back_sentences).next();
    let told = told.map(|sentence| sentence.trim_end_matches('.').to_owned());
    let standing = match (damaged, pass.ended) {
        (0, true) => Standing::Good,
        (0, false) => Standing::Told,
        _ => Standing::Bad,
    };
    let comparison = [told.unwrap_or_default(), cut];
    let parts: Vec<String> = comparison
        .into_iter()
        .filter(|part| !part.is_empty())
        .collect();
    Line {
        title: DATA,
        standing,
        number: match damaged {
            0 => format!("0 of {} blocks differ ({})", grouped(blocks), bytes.iec()),
            n => format!("{} blocks or files are DAMAGED", grouped(n)),
        },
        comparison: parts.join("; "),
        plain: own,
        sure: if pass.ended {
            "counted"
        } else {
            "not read to the end"
        },
        why_sure: "every block was compared".to_owned(),
        grade: None,
        rows: format!("verified.csv, damage.csv, pass {}", pass.number),
    }
}

/// `2 of 180 trials failed or were cut off`
fn cut_short(scene: &Scene<'_>) -> String {
    let trials = &scene.study.trials;
    let cut = trials
        .iter()
        .filter(|trial| trial.state != State::Complete)
        .count();
    match (cut, trials.len()) {
        (_, 0) => String::new(),
        (0, 1) => "its one trial ran to its end".to_owned(),
        (0, all) => format!("all {} ran to their end", words::count(all, "trial")),
        (cut, all) => format!(
            "{} of {} failed or were cut off",
            grouped(cut as u64),
            words::count(all, "trial")
        ),
    }
}

/// Line 7: when it was done, against what had been said.
pub(super) fn forecast(scene: &Scene<'_>) -> Line {
    let Some(found) = &scene.account.forecasts else {
        return Line::missing(
            FORECAST,
            &format!("the reshape {}", scene.account.unfollowed()),
            &scene.unseen(&format!(
                "Follow it with `poolproof watch {}`.",
                scene.typed()
            )),
        );
    };
    let finishes = || {
        found
            .moments
            .iter()
            .filter_map(|moment| match &moment.told {
                Told::Finish(finish) => Some((moment.mark, finish)),
                Told::NotRead | Told::Nothing(_) => None,
            })
    };
    let (plan, held) = match &found.plan {
        Planned::Unknown(_) => (None, None),
        Planned::Hours {
            best,
            likely,
            worst,
            held,
        } => {
            let hours = |hours: &Option<f64>| words::planned(*hours);
            let outside = if *held == Some(false) {
                ": outside"
            } else {
                ""
            };
            let told = format!(
                "the plan said {} to {}, likely {}{outside}",
                hours(best),
                hours(worst),
                hours(likely)
            );
            (Some(told), *held)
        }
    };
    let told = |(mark, finish): (f64, &Finish)| {
        let error = finish.error_h?;
        let way = if error < 0.0 { "early" } else { "late" };
        let mark = percent(mark, 0);
        Some(format!(
            "at {mark} the forecast was {} too {way}",
            words::lasted(error.abs())
        ))
    };
    let first = finishes().find_map(told);
    let ranges: Vec<bool> = finishes().filter_map(|(_, finish)| finish.held95).collect();
    let kept = ranges.iter().filter(|held| **held).count();
    let parts: Vec<String> = [plan, first].into_iter().flatten().collect();
    Line {
        title: FORECAST,
        standing: match (found.finished.is_some(), held) {
            (true, Some(false)) => Standing::Bad,
            (true, Some(true)) => Standing::Good,
            _ => Standing::Told,
        },
        number: match found.hours {
            Some(hours) => format!("done after {}", words::lasted(hours)),
            None => "not done yet".to_owned(),
        },
        comparison: parts.join("; "),
        plain: String::new(),
        sure: if found.finished.is_some() {
            "observed"
        } else {
            "forecast"
        },
        why_sure: match ranges.len() {
            0 => String::new(),
            all => format!("{kept} of {all} forecasts of 95 % held the end"),
        },
        grade: None,
        rows: "progress.csv".to_owned(),
    }
}

/// Line 8: what was checked before, and what happened meanwhile.
pub(super) fn safety(scene: &Scene<'_>) -> Line {
    let items: Vec<_> = BEFORE.iter().filter(|item| !item.stands_in()).collect();
    let result = |word: &str| answer(scene.study, Side::Before, word).map(|row| row.result);
    let passed = items
        .iter()
        .filter(|item| result(item.word) == Some(Outcome::Passed))
        .count();
    let of = |wanted: Option<Outcome>| -> Vec<&str> {
        let words = items.iter().map(|item| item.word);
        words.filter(|word| result(word) == wanted).collect()
    };
    let (failed, open) = (of(Some(Outcome::Failed)), of(None));
    let scrub = answer(scene.study, Side::After, "scrub").map(|row| row.result);
    let mut parts = Vec::new();
    if !failed.is_empty() {
        parts.push(format!("FAILED: {}", failed.join(", ")));
    }
    if !open.is_empty() && open.len() < items.len() {
        parts.push(format!("not recorded: {}", open.join(", ")));
    }
    let after = match scrub {
        Some(Outcome::Passed) => Some("the scrub after it was clean"),
        Some(Outcome::Failed) => Some("THE SCRUB AFTER IT FOUND ERRORS"),
        None if scene.next.stage < Stage::After => None,
        None => Some("no scrub after it is recorded"),
    };
    parts.extend(after.map(str::to_owned));
    parts.extend(accidents(scene));
    let faults = faults_told(&scene.study.trials);
    let sound = faults.is_none();
    parts.extend(faults.map(|told| format!("the share answered with errors: {told}")));
    let comparison = parts.join("; ");
    if open.len() == items.len() && scrub.is_none() {
        let study = scene.typed();
        return Line {
            comparison,
            ..Line::missing(
                SAFETY,
                "nothing was recorded",
                &format!(
                    "Record what was checked with `poolproof check {study} --attest` and `poolproof next {study} --done`."
                ),
            )
        };
    }
    let bad = !failed.is_empty() || scrub == Some(Outcome::Failed);
    Line {
        title: SAFETY,
        standing: match (bad, passed == items.len() && scrub.is_some() && sound) {
            (true, _) => Standing::Bad,
            (false, true) => Standing::Good,
            (false, false) => Standing::Told,
        },
        number: format!(
            "{passed} of {} points attested before the start",
            items.len()
        ),
        comparison,
        plain: String::new(),
        sure: "as recorded",
        why_sure: "by those who answered for it".to_owned(),
        grade: None,
        rows: "checks.csv".to_owned(),
    }
}

/// What the readings show of standstills and of positions that went back.
fn accidents(scene: &Scene<'_>) -> Option<String> {
    let track = &scene.account.reshaped.as_ref()?.track;
    let stood = track.standing / 3600.0;
    let stood = (stood >= 0.05).then(|| format!("it stood still for {}", words::lasted(stood)));
    let back = track.jumps.len();
    let back = (back > 0).then(|| format!("it went back {}", words::count(back, "time")));
    let told: Vec<String> = [stood, back].into_iter().flatten().collect();
    Some(match told.is_empty() {
        true => "the reshape never stood still while it was read".to_owned(),
        false => told.join(", "),
    })
}

/// Line 9: what else could have moved the numbers.
pub(super) fn changes(scene: &Scene<'_>) -> Line {
    let lines = diff::lines(scene.study);
    let both = |line: &&diff::Line| !line.values[0].is_empty() && !line.values[2].is_empty();
    let compared = lines.iter().filter(both).count();
    if compared == 0 {
        return Line::missing(
            CHANGES,
            "not known yet",
            "Facts of a sitting before and of one after are compared.",
        );
    }
    let settings = &scene.account.settings;
    let besides = besides(scene.study);
    let told: Vec<String> = settings
        .iter()
        .map(|setting| {
            let values = |values: &[String]| plain(&values.join(", "));
            let (before, after) = (values(&setting.before), values(&setting.after));
            format!("{} ({before} → {after})", plain(&setting.fact))
        })
        .collect();
    Line {
        title: CHANGES,
        standing: if told.is_empty() {
            Standing::Good
        } else {
            Standing::Told
        },
        number: match (told.len(), besides.is_empty()) {
            (0, true) => "nothing that is known".to_owned(),
            (0, false) => "no setting that is known".to_owned(),
            (n, _) => words::count(n, "setting"),
        },
        comparison: [told.as_slice(), &besides].concat().join("; "),
        plain: match told.is_empty() {
            true => String::new(),
            false => "What they did cannot be told from what the drive did.".to_owned(),
        },
        sure: "compared",
        why_sure: format!(
            "{} of client, mount, link and share",
            words::count(compared, "fact")
        ),
        grade: None,
        rows: "facts".to_owned(),
    }
}

/// Facts that differ and are no settings, a part of a sentence each: sizes are meant to change, and what is
/// free changes with the data.
fn besides(study: &Study) -> Vec<String> {
    let changes = history::changed(study, Phase::After);
    let mut told = Vec::new();
    for change in &changes {
        let size = |value: &Option<String>| {
            let bytes = value
                .as_deref()
                .and_then(|value| value.parse::<Bytes>().ok());
            bytes.map_or("not known".to_owned(), Bytes::si)
        };
        let sizes = || format!("{} → {}", size(&change.was), size(&change.is));
        let (first, last) = change.fact.split_once('.').unwrap_or((&change.fact, ""));
        let words = match (first, last) {
            ("space", "available") => format!("free space of the share {}", sizes()),
            ("space", _) => format!("size of the share {}", sizes()),
            ("device", _) => "the devices under the share".to_owned(),
            ("mount", "point" | "direct_io_alignment") | ("clock_synchronised" | "missing", _) => {
                format!("{} (see the facts)", plain(&change.fact))
            }
            // Settings, which are told as such; made-up shares say so everywhere.
            _ => continue,
        };
        if !told.contains(&words) {
            told.push(words);
        }
    }
    told
}

/// Line 10: what is to be done, and whether the test files are gone.
pub(super) fn follows(scene: &Scene<'_>) -> Line {
    let next = scene.next;
    let step = next.now().next();
    let missed = next
        .steps
        .iter()
        .filter(|step| step.state == StepState::Missed);
    let missed: Vec<&str> = missed.map(|step| step.act).collect();
    let dated = next
        .steps
        .iter()
        .filter(|step| step.state == StepState::Later);
    let dated = dated.filter_map(|step| Some((step.at?, step.act)));
    let later = dated.min_by_key(|(at, _)| *at);
    let later = later.map(|(at, act)| format!("{act} on {}", at.strftime("%Y-%m-%d")));
    let files: Bytes = scene.study.data.files.iter().map(|file| file.bytes).sum();
    let gone = scene.study.data.files.is_empty();
    let data = match (gone, scene.study.config.simulated) {
        (true, _) => "no test files lie on the share".to_owned(),
        (false, true) => "test files are made up, too".to_owned(),
        (false, false) => format!(
            "{} of test files lie on the share{}; `poolproof clean {}` removes them",
            files.iec(),
            if later.is_some() {
                ", with which looks again measure"
            } else {
                ""
            },
            scene.typed()
        ),
    };
    // An expansion of which nothing tells asked for nothing.
    let missed = match missed.is_empty() || next.stage == Stage::Untold {
        true => String::new(),
        false => format!(
            "; not done, or not in full, while there was time: {}",
            missed.join(", ")
        ),
    };
    Line {
        title: FOLLOWS,
        standing: match (step.is_none(), gone) {
            (true, true) => Standing::Good,
            _ => Standing::Told,
        },
        number: match (step, later) {
            (Some(step), _) => step.act.to_owned(),
            (None, Some(later)) => format!("nothing is due; {later}"),
            (None, None) => "nothing is due".to_owned(),
        },
        comparison: format!("{data}{missed}"),
        plain: step.map_or(String::new(), |step| {
            format!("{}.", words::sentence_case(&plain(&step.advice)))
        }),
        sure: match next.stage {
            Stage::Untold => "not recorded",
            _ => "as recorded",
        },
        why_sure: next.stage.sentence().trim_end_matches('.').to_owned(),
        grade: None,
        rows: "checks.csv, testdata.csv".to_owned(),
    }
}

//! The ten lines that the person wants to send: each with its number, what it is held against, how sure
//! it is, and its grade; first of all the verdict in a sentence.
//!
//! A pure value of the study, which terminal, Markdown and page share. A line of which nothing is known
//! is there all the same and says what would make it known.

mod outcome;
mod record;
mod text;
mod users;
mod verdict;

use std::path::Path;

use jiff::Timestamp;
use serde::Serialize;

use super::grades::Judgements;
use super::words;
use crate::chart::letter;
use crate::compare::{Account, Comparison, Contrast, Group, Quantity, Row, Rules, Verdict};
use crate::plan::{Access, Phase};
use crate::ready::{self, Next, Stage};
use crate::study::{Audience, Study};

/// How a line stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub(super) enum Standing {
    /// As one would wish.
    Good,
    /// To be told, neither good nor bad.
    Told,
    /// Somebody has to act, or a promise was not kept.
    Bad,
    /// There is a number, and it is not what it seems.
    Void,
    /// Nothing is known.
    Missing,
}

impl Standing {
    /// A sign that tells it without colour.
    pub(super) fn sign(self) -> &'static str {
        match self {
            Self::Good => "✓",
            Self::Told => "·",
            Self::Bad => "!",
            Self::Void => "✕",
            Self::Missing => "?",
        }
    }

    /// The word that stands beside the sign; none where nothing is out of the ordinary.
    pub(super) fn word(self) -> Option<&'static str> {
        match self {
            Self::Good | Self::Told => None,
            Self::Bad => Some("look here"),
            Self::Void => Some("void"),
            Self::Missing => Some("not known"),
        }
    }

    /// The name of its style.
    pub(super) fn class(self) -> &'static str {
        match self {
            Self::Good => "good",
            Self::Told => "told",
            Self::Bad => "bad",
            Self::Void => "void",
            Self::Missing => "missing",
        }
    }
}

/// One line. Its texts are sentences without control characters.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub(super) struct Line {
    /// What it tells.
    pub(super) title: &'static str,
    /// How it stands.
    pub(super) standing: Standing,
    /// The number, with its unit.
    pub(super) number: String,
    /// What the number is held against.
    pub(super) comparison: String,
    /// The same in the owner's terms; empty where the number is plain enough.
    pub(super) plain: String,
    /// How sure it is: a word.
    pub(super) sure: &'static str,
    /// What that word rests on.
    pub(super) why_sure: String,
    /// The grade of the trials behind it; `None` where no trial is.
    pub(super) grade: Option<&'static str>,
    /// The rows that it follows from.
    pub(super) rows: String,
}

impl Line {
    /// A line of which nothing is known: why, and what would make it known.
    fn missing(title: &'static str, number: &str, advice: &str) -> Self {
        Self {
            title,
            standing: Standing::Missing,
            number: number.to_owned(),
            comparison: String::new(),
            plain: advice.to_owned(),
            sure: "not known",
            why_sure: String::new(),
            grade: None,
            rows: String::new(),
        }
    }
}

/// The verdict and the lines.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub(super) struct Ten {
    /// Whether anything of it is made up.
    pub(super) simulated: bool,
    /// The verdict in a sentence.
    pub(super) verdict: String,
    /// Whether the verdict is that something is wrong.
    pub(super) alarming: bool,
    /// What the study lacks and what is next, where it is not complete.
    pub(super) lacking: Option<String>,
    /// Ten lines.
    pub(super) lines: Vec<Line>,
}

impl Ten {
    /// The lines of `study`, as its trials were judged and compared, at the moment `now`.
    pub(super) fn of(
        study: &Study,
        comparison: &Comparison,
        judgements: &Judgements,
        account: &Account,
        now: Timestamp,
    ) -> Self {
        let next = ready::next_by(study, comparison, None, now).at(&typed(study));
        let scene = Scene {
            study,
            comparison,
            judgements,
            account,
            next: &next,
            audience: study.config.report.unwrap_or_default(),
        };
        let (verdict, alarming) = verdict::verdict(&scene);
        Self {
            simulated: comparison.simulated || account.simulated || words::made_up(study),
            verdict,
            alarming,
            lacking: scene.lacking(),
            lines: vec![
                record::data(&scene),
                outcome::space(&scene),
                outcome::pool(&scene),
                users::link(&scene),
                users::response(&scene),
                users::cost(&scene),
                record::forecast(&scene),
                record::safety(&scene),
                record::changes(&scene),
                record::follows(&scene),
            ],
        }
    }
}

/// The verdict and the ten lines for a terminal, at most `width` characters wide (held between 60 and
/// 110), at the moment `now`.
pub fn ten_lines(
    study: &Study,
    comparison: &Comparison,
    judgements: &Judgements,
    account: &Account,
    now: Timestamp,
    width: usize,
) -> String {
    text::ten_text(&Ten::of(study, comparison, judgements, account, now), width)
}

/// A study in a command: by the name of its folder, since the page may be read elsewhere.
fn typed(study: &Study) -> String {
    crate::text::typed(Path::new(&study.name))
}

/// What the lines are made of.
struct Scene<'a> {
    study: &'a Study,
    comparison: &'a Comparison,
    judgements: &'a Judgements,
    account: &'a Account,
    next: &'a Next,
    audience: Audience,
}

impl<'a> Scene<'a> {
    /// What the study lacks and what is next, where it is not complete; how that is done stands in line 10.
    fn lacking(&self) -> Option<String> {
        let lacking = words::lacking(self.comparison)?;
        Some(match self.next.now().next() {
            Some(step) => format!("{lacking} Next: {} (line 10 says how).", step.act),
            None => lacking,
        })
    }

    /// What is said of a reshape of which nothing was seen: how it would be, as long as it can be.
    fn unseen(&self, how: &str) -> String {
        match self.next.stage {
            Stage::Untold => {
                "No expansion was seen or told, so there was nothing to follow.".to_owned()
            }
            Stage::After | Stage::FollowUp | Stage::Done => {
                "The reshape is over: what nobody saw of it stays unknown.".to_owned()
            }
            Stage::Nothing | Stage::Baseline | Stage::Ready | Stage::During => how.to_owned(),
        }
    }

    /// The study in a command.
    fn typed(&self) -> String {
        typed(self.study)
    }

    fn rules(&self) -> &'a Rules {
        &self.comparison.rules
    }

    /// The workload that stands for copying large files: reads alone, in order, of old data.
    fn large(&self) -> Option<&'a Row> {
        self.first(|row| row.load.access == Access::Sequential)
    }

    /// The one that a waiting person feels: small reads, one at a time.
    fn small(&self) -> Option<&'a Row> {
        self.first(|row| row.load.access == Access::Random && in_flight(row) == 1)
    }

    /// The one that asks the most of the pool at once.
    fn many(&self) -> Option<&'a Row> {
        let rows = self.reads().filter(|row| {
            row.load.access == Access::Random
                && row.quantity == Quantity::Rate
                && in_flight(row) > 1
        });
        // The first of the deepest.
        rows.rev().max_by_key(|row| in_flight(row))
    }

    fn reads(&self) -> impl DoubleEndedIterator<Item = &'a Row> {
        let rows = self.comparison.workloads.iter();
        rows.filter(|row| row.load.read_percent == 100 && !row.workload.ends_with(", new data"))
    }

    fn first(&self, fits: impl Fn(&Row) -> bool) -> Option<&'a Row> {
        self.reads()
            .find(|row| row.quantity == Quantity::Rate && fits(row))
    }
}

fn in_flight(row: &Row) -> u64 {
    u64::from(row.load.depth) * u64::from(row.load.streams)
}

/// The worst grade of both sides of a contrast, else of the only side.
fn grade(row: &Row, later: Phase) -> Option<&'static str> {
    let sides = [Phase::Before, later].map(|phase| row.group(phase).and_then(|group| group.grade));
    let worst = sides.into_iter().flatten().max();
    Some(letter(worst))
}

/// `trials 1–5, 9 of trials.csv`.
fn trials<'a>(groups: impl IntoIterator<Item = Option<&'a Group>>) -> String {
    let numbers: Vec<u64> = groups
        .into_iter()
        .flatten()
        .flat_map(|group| group.trials.iter().copied())
        .collect();
    match numbers.is_empty() {
        true => String::new(),
        false => format!("trials.csv, trials {}", words::numbers(&numbers)),
    }
}

/// How sure a contrast is, and what that rests on.
fn surety(contrast: &Contrast, rules: &Rules) -> (&'static str, String) {
    let word = match contrast.verdict {
        Verdict::Gain | Verdict::Loss => "proved",
        Verdict::NoProvableChange { .. } => "not proved",
        Verdict::Void { .. } => "void",
        Verdict::NotShown { .. } => "not shown",
        Verdict::NotBelieved => "not believed",
        Verdict::NotEnoughTrials { .. } => "too few trials",
    };
    let interval = super::verdict::interval(contrast);
    let why = interval.map_or(String::new(), |interval| {
        format!("{} interval {interval}", words::confidence(rules))
    });
    (word, why)
}

#[cfg(test)]
mod tests;

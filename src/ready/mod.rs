//! What must hold before the expansion starts, and what must follow when it ends.
//!
//! Pure: a study, what a look at the machine found, and the time go in; lines with their evidence
//! come out. What cannot be seen from here is answered for by a person, by name and date, and goes
//! stale. Unknown is unknown: it neither lets the expansion start nor holds it up, and is said.

mod activity;
mod attested;
mod cards;
mod counted;
mod grown;
mod items;
mod layers;
mod next;
mod seen;

pub use activity::Activity;
pub use cards::{CAUTIONS, NEVER};
pub use items::{AFTER, BEFORE, Item, item};
pub use layers::{Figure, Layer};
pub use next::{
    Changed, Located, Next, Stage, Step, StepState, come_to, next, next_by, out_of_phase, over,
    phase, too_early,
};

use jiff::Timestamp;
use serde::Serialize;

use crate::facts::Facts;
use crate::plan::Phase;
use crate::study::{CheckRow, Mounted, Side, Study};

/// How a line came out.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum State {
    /// It was asked for before the start, which is over.
    Past,
    /// It holds.
    Holds,
    /// It holds, with something to mind.
    Mind,
    /// It cannot be seen from here, and holds nothing up.
    Unknown,
    /// Missing, stale, or to be waited for.
    NotYet,
    /// Seen to be wrong.
    No,
}

impl State {
    /// The word used in text.
    pub fn word(self) -> &'static str {
        match self {
            Self::Past => "past",
            Self::Holds => "yes",
            Self::Mind => "mind",
            Self::Unknown => "unknown",
            Self::NotYet => "not yet",
            Self::No => "no",
        }
    }
}

/// One thing that must hold, with its evidence.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Line {
    /// Its word.
    pub item: &'static str,
    /// What must hold.
    pub title: &'static str,
    /// How it came out.
    pub state: State,
    /// What tells so.
    pub evidence: String,
    /// When that was so; `None` where nothing tells.
    pub at: Option<Timestamp>,
    /// What to do; empty when it holds.
    pub advice: String,
}

/// What is seen of the time before and can be mended then alone; of what people answer for, that is all.
const OF_BEFORE: [&str; 6] = [
    "running",
    "fill-level",
    "memory",
    "baseline",
    "errors",
    "baseline-age",
];

/// The items that people answer for in place of a look of the program's own, and what that looks at.
const STANDS_FOR: [(&str, &str); 2] = [(items::IDLE, "running"), (items::CLOCK, "clock")];

impl Line {
    /// Takes somebody's answer for what could not be seen.
    fn take(&mut self, answer: &Self) {
        if (self.state, answer.state) == (State::Unknown, State::Holds) {
            self.state = State::Holds;
            self.evidence = format!("{}; {}", self.evidence, answer.evidence);
            self.at = answer.at;
            self.advice.clear();
        }
    }

    /// Asks for nothing any more: the expansion has begun. What held then, and what was seen to be wrong,
    /// stays as it is.
    fn pass(&mut self) {
        if matches!(self.state, State::Mind | State::Unknown | State::NotYet) {
            self.state = State::Past;
            self.evidence = format!(
                "applies no longer, the expansion has begun: {}",
                self.evidence
            );
            self.advice.clear();
        }
    }
}

/// The answer to "may the expansion start?".
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// Everything that must hold holds.
    Go,
    /// Something is missing, stale, or to be waited for.
    NotYet,
    /// Something is seen to be wrong.
    No,
}

/// All lines and what they come to.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Readiness {
    /// Name of the study.
    pub study: String,
    /// Whether the share is made up.
    pub simulated: bool,
    /// The moment of the look.
    pub now: Timestamp,
    /// The answer.
    pub verdict: Verdict,
    /// The next step of the job with how it is done, where that is another than to start.
    pub next: Option<String>,
    /// What the program sees itself.
    pub seen: Vec<Line>,
    /// What people answer for.
    pub attested: Vec<Line>,
}

/// What a look at machine and share found.
#[derive(Clone, Debug, Default)]
pub struct Look {
    /// What they say of themselves.
    pub facts: Facts,
    /// The interface that leads to the share's server, where it is known.
    pub interface: Option<String>,
    /// Whether the study's test data lies on the share; `None` when none was laid down.
    pub data_found: Option<bool>,
    /// Whether a reshape, a rebuild or a scrub is running.
    pub activity: Activity,
}

impl Readiness {
    /// The same with `place`, where the study lies, in each command that is named.
    pub fn at(mut self, place: &str) -> Self {
        for line in self.seen.iter_mut().chain(&mut self.attested) {
            line.advice = placed(&line.advice, place);
        }
        self.next = self.next.map(|next| placed(&next, place));
        self
    }
}

/// Advice with `place` in each command that is named.
fn placed(advice: &str, place: &str) -> String {
    advice.replace(" STUDY", &format!(" {place}"))
}

/// Judges whether the expansion may start, at the moment `now`.
pub fn readiness(study: &Study, look: &Look, now: Timestamp) -> Readiness {
    let comparison = counted::comparison(study);
    let mut seen = seen::lines(study, &comparison, look, now);
    let mut attested = attested::lines(study, look, now);
    for (item, seen_as) in STANDS_FOR {
        let answer = attested.iter().find(|line| line.item == item);
        let line = seen.iter_mut().find(|line| line.item == seen_as);
        line.into_iter()
            .zip(answer)
            .for_each(|(line, answer)| line.take(answer));
    }
    if next::begun(study).is_some() {
        let of_before = seen
            .iter_mut()
            .filter(|line| OF_BEFORE.contains(&line.item));
        of_before.chain(&mut attested).for_each(Line::pass);
    }
    let worst = seen.iter().chain(&attested).map(|line| line.state).max();
    let verdict = match worst {
        Some(State::No) => Verdict::No,
        Some(State::NotYet) => Verdict::NotYet,
        _ => Verdict::Go,
    };
    // What this check itself finds is no next step, nor what it is made for.
    let follows = next_by(study, &comparison, Some(&look.facts), now);
    let first = follows.now().next();
    let first = first.filter(|step| !matches!(step.step, "check" | "started"));
    Readiness {
        study: study.name.clone(),
        next: first.map(Step::asked),
        simulated: study.config.simulated || look.facts.simulated,
        now,
        verdict,
        seen,
        attested,
    }
}

/// The latest answer about an item; by when it was written down, so that a correction counts.
pub(crate) fn answer<'a>(study: &'a Study, side: Side, item: &str) -> Option<&'a CheckRow> {
    let of_item = |row: &&CheckRow| row.side == side && row.item == item;
    study.checks.iter().rfind(of_item)
}

/// Facts with the number and the time of their sitting.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Recorded<'a> {
    pub(crate) facts: &'a Facts,
    /// `None` for a look of this moment.
    pub(crate) sitting: Option<u64>,
    pub(crate) at: Timestamp,
}

impl Recorded<'_> {
    /// `in sitting 3`, or `just now`.
    pub(crate) fn when(&self) -> String {
        self.sitting
            .map_or("just now".to_owned(), |n| format!("in sitting {n}"))
    }
}

/// The facts of the latest sitting of `phase` that has any.
pub(crate) fn recorded(study: &Study, phase: Phase) -> Option<Recorded<'_>> {
    let trials = study.trials.iter().rev();
    trials
        .filter(|trial| trial.phase == phase)
        .find_map(|trial| {
            Some(Recorded {
                facts: study.facts.get(&trial.facts)?,
                sitting: Some(trial.sitting),
                at: trial.started,
            })
        })
}

/// What was recorded before the expansion and after it.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Sides<'a> {
    pub(crate) before: Option<Recorded<'a>>,
    pub(crate) after: Option<Recorded<'a>>,
}

impl<'a> Sides<'a> {
    /// The latest facts of either side. Once the expansion has begun, a `live` look at the same
    /// mount is the latest there is of the time after.
    pub(crate) fn of(study: &'a Study, live: Option<&'a Facts>, now: Timestamp) -> Self {
        let before = recorded(study, Phase::Before);
        let mounted = |facts: &Facts| facts.mount.as_ref().map(Mounted::from);
        let same = |facts: &&'a Facts| {
            let (Some(old), Some(new)) =
                (before.and_then(|old| mounted(old.facts)), mounted(facts))
            else {
                return false;
            };
            old.is_same(&new)
        };
        let begun = next::begun(study).is_some();
        let live = live.filter(same).filter(|_| begun).map(|facts| Recorded {
            facts,
            sitting: None,
            at: now,
        });
        // btrfs grows as its drive is added, and a sitting of that time has seen it.
        let size = |of: &Recorded<'_>| of.facts.space.as_ref().map(|room| room.total);
        let grown = recorded(study, Phase::During).filter(|during| {
            let was = before.as_ref().and_then(size);
            was.is_some() && size(during) > was
        });
        Self {
            before,
            after: live.or(recorded(study, Phase::After)).or(grown),
        }
    }
}

/// How long ago `then` was, in words: `just now`, `40 min ago`, `5 h ago`, `12 days ago`.
pub fn age(now: Timestamp, then: Timestamp) -> String {
    match now.as_second() - then.as_second() {
        ..-60 => format!("dated {} after now", span(then, now)),
        -60..60 => "just now".to_owned(),
        _ => format!("{} ago", span(now, then)),
    }
}

fn span(later: Timestamp, earlier: Timestamp) -> String {
    let seconds = later.as_second() - earlier.as_second();
    match seconds {
        ..7_200 => format!("{} min", seconds / 60),
        7_200..172_800 => format!("{} h", seconds / 3_600),
        _ => format!("{} days", days(later, earlier)),
    }
}

/// Whole days from `earlier` to `later`; negative when it is the other way round.
pub(crate) fn days(later: Timestamp, earlier: Timestamp) -> i64 {
    (later.as_second() - earlier.as_second()).div_euclid(86_400)
}

#[cfg(test)]
mod tests;

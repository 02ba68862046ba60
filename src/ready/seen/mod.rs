//! What the program sees itself before the expansion: a rule a line.

mod baseline;
mod machine;
mod share;

use jiff::Timestamp;

use super::next::BASELINE;
use super::{Line, Look, Recorded, State, recorded};
use crate::compare::Comparison;
use crate::facts::Room;
use crate::plan::Phase;
use crate::study::Study;

/// Everything a rule looks at.
struct Context<'a> {
    study: &'a Study,
    comparison: &'a Comparison,
    look: &'a Look,
    now: Timestamp,
    baseline: Option<Recorded<'a>>,
}

/// What a rule finds: how it came out, the evidence, when that was so, and what to do.
struct Found(State, String, Option<Timestamp>, String);

/// All lines, in the order in which they are best mended.
pub(super) fn lines(
    study: &Study,
    comparison: &Comparison,
    look: &Look,
    now: Timestamp,
) -> Vec<Line> {
    let context = Context {
        study,
        comparison,
        look,
        now,
        baseline: recorded(study, Phase::Before),
    };
    type Rule = fn(&Context<'_>) -> Found;
    let rules: [(&'static str, &'static str, Rule); 13] = [
        ("not-begun", "the expansion has not begun", not_begun),
        ("share", "the share is mounted and the same", share::share),
        ("running", "no reshape or scrub is running", share::running),
        ("link", "the link is as recorded", share::link),
        (
            "direct-io",
            "reads and writes go past caches",
            baseline::direct_io,
        ),
        (
            "free-space",
            "a tenth of the share is free",
            share::free_space,
        ),
        (
            "fill-level",
            "it is as full as at the baseline",
            share::fill_level,
        ),
        ("clock", "this machine's clock is set", machine::clock),
        ("memory", "the test data outgrows memory", machine::memory),
        (
            "fingerprint",
            "nothing else has changed",
            machine::fingerprint,
        ),
        (
            "baseline",
            "the baseline is large enough",
            baseline::baseline,
        ),
        (
            "errors",
            "the share answered without errors",
            baseline::errors,
        ),
        (
            "baseline-age",
            "the baseline is recent",
            baseline::baseline_age,
        ),
    ];
    let line = |(item, title, rule): (&'static str, &'static str, Rule)| {
        let Found(state, evidence, at, advice) = rule(&context);
        Line {
            item,
            title,
            state,
            evidence,
            at,
            advice,
        }
    };
    rules.into_iter().map(line).collect()
}

impl Context<'_> {
    /// What was seen just now.
    fn now(&self, state: State, evidence: impl Into<String>, advice: &str) -> Found {
        Found(state, evidence.into(), Some(self.now), advice.to_owned())
    }

    /// What cannot be told for want of a baseline.
    fn no_baseline(&self) -> Found {
        Found(
            State::NotYet,
            "nothing was measured before the expansion".into(),
            None,
            BASELINE.into(),
        )
    }

    /// The phase of this look.
    fn phase(&self) -> Phase {
        match super::next::begun(self.study) {
            Some(_) => Phase::During,
            None => Phase::Before,
        }
    }

    fn room(&self) -> Option<&Room> {
        self.look
            .facts
            .space
            .as_ref()
            .filter(|room| room.total.0 > 0)
    }
}

/// Nothing of a later phase was measured or recorded.
fn not_begun(context: &Context<'_>) -> Found {
    match super::next::begun(context.study) {
        Some((why, at)) => Found(
            State::No,
            why,
            Some(at),
            "this check is for before; ask `poolproof next STUDY` what follows".into(),
        ),
        None => context.now(State::Holds, "no trial or record of a later time", ""),
    }
}

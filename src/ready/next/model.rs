//! The steps of the job and how they stand.

use jiff::Timestamp;
use serde::Serialize;

use crate::compare::location;
use crate::ready::Layer;

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
    /// Measured after, though no expansion was seen or told.
    Untold,
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
            Self::During => "The expansion has begun.",
            Self::Untold => {
                "It was measured after, and no expansion was seen or told: what follows one is held back."
            }
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
    /// What it is, once it is done.
    pub title: &'static str,
    /// What it asks for.
    pub act: &'static str,
    /// How it stands.
    pub state: StepState,
    /// What tells so.
    pub evidence: String,
    /// When it was done, or falls due.
    pub at: Option<Timestamp>,
    /// What to do; empty when it is done.
    pub advice: String,
}

impl Step {
    /// What it asks for, and how: `measure before: run ...`.
    pub fn asked(&self) -> String {
        format!("{}: {}", self.act, self.advice)
    }
}

/// What a step asks for; that of a reshape of which nothing tells (`untold`), to tell.
pub(super) fn act(step: &str, untold: bool) -> &'static str {
    match step {
        "baseline" => "measure before",
        "check" => "check that it may start",
        "started" => "start the expansion",
        "during" => "measure while it grows",
        "reshape" if untold => "tell whether there was an expansion",
        "reshape" => "wait for the new layout",
        "grow" => "grow the file system",
        "alignment" => "tell the file system the new stripe",
        "settings" => "put settings back",
        "scrub" => "scrub the grown pool",
        "verified" => "read back what was written before",
        "after" => "measure after",
        "report" => "send the report",
        "look-7" => "look again after 7 days",
        "look-30" => "look again after 30 days",
        _ => "take the test data off the share",
    }
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

impl Next {
    /// The steps that are for now, the first one to be done first. Whoever names a next step takes it from
    /// here.
    pub fn now(&self) -> impl Iterator<Item = &Step> {
        self.steps
            .iter()
            .filter(|step| step.state == StepState::Now)
    }

    /// The same with `place`, where the study lies, in each command that is named.
    pub fn at(mut self, place: &str) -> Self {
        for step in &mut self.steps {
            step.advice = crate::ready::placed(&step.advice, place);
        }
        self
    }
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

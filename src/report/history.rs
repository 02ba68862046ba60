//! What a study holds, in the order in which it came about: sittings, facts and their changes.

use std::collections::{BTreeMap, BTreeSet};

use jiff::Timestamp;

use crate::facts::{Change, Facts, difference};
use crate::plan::Phase;
use crate::pool::Level;
use crate::study::{State, Study, Trial};
use crate::text::plain;

/// One sitting.
pub(super) struct Sitting<'a> {
    pub(super) number: u64,
    pub(super) phase: Phase,
    pub(super) started: Timestamp,
    pub(super) trials: Vec<&'a Trial>,
}

impl Sitting<'_> {
    /// Names of its workloads, each once.
    pub(super) fn workloads(&self) -> Vec<String> {
        let mut names = Vec::new();
        for trial in &self.trials {
            let name = plain(&trial.workload);
            if !names.contains(&name) {
                names.push(name);
            }
        }
        names
    }

    /// Tags of its trials, each once.
    pub(super) fn tags(&self) -> String {
        let tags: BTreeSet<String> = self
            .trials
            .iter()
            .flat_map(|trial| trial.tags.split(';').map(plain))
            .filter(|tag| !tag.is_empty())
            .collect();
        tags.into_iter().collect::<Vec<_>>().join(", ")
    }

    /// How many of its trials did not run their time.
    pub(super) fn cut_short(&self) -> usize {
        let cut = |trial: &&&Trial| trial.state != State::Complete;
        self.trials.iter().filter(cut).count()
    }
}

/// All sittings by number.
pub(super) fn sittings(study: &Study) -> Vec<Sitting<'_>> {
    let mut sittings = BTreeMap::<u64, Vec<&Trial>>::new();
    for trial in &study.trials {
        sittings.entry(trial.sitting).or_default().push(trial);
    }
    let sittings = sittings.into_iter();
    sittings
        .map(|(number, trials)| Sitting {
            number,
            phase: trials[0].phase,
            started: trials[0].started,
            trials,
        })
        .collect()
}

/// The facts of the latest sitting that has any.
pub(super) fn latest_facts(study: &Study) -> Option<&Facts> {
    study
        .trials
        .iter()
        .rev()
        .find_map(|trial| study.facts.get(&trial.facts))
}

/// What changed from one moment to another.
pub(super) struct Step {
    /// From when to when, in words.
    pub(super) label: String,
    /// The facts that differ.
    pub(super) changes: Vec<Change>,
}

/// The number of a sitting, its phase, its latest facts.
type Known<'a> = (u64, Phase, &'a Facts);

/// Sittings of which facts are known.
fn known(study: &Study) -> Vec<Known<'_>> {
    let facts_of = |sitting: &Sitting<'_>| {
        let mut trials = sitting.trials.iter().rev();
        trials.find_map(|trial| study.facts.get(&trial.facts))
    };
    sittings(study)
        .iter()
        .filter_map(|sitting| Some((sitting.number, sitting.phase, facts_of(sitting)?)))
        .collect()
}

fn last<'a, 'k>(known: &'k [Known<'a>], phase: Phase) -> Option<&'k Known<'a>> {
    known.iter().rfind(|(_, of, _)| *of == phase)
}

/// The facts that differ from before to `phase`, by the last of each; none where one of them has none.
pub(super) fn changed(study: &Study, phase: Phase) -> Vec<Change> {
    let known = known(study);
    let both = last(&known, Phase::Before).zip(last(&known, phase));
    both.map_or(Vec::new(), |(before, later)| difference(before.2, later.2))
}

/// What changed within a phase, from sitting to sitting, and from `before` to each later phase, by
/// the last facts of each. A step without changes is told too.
pub(super) fn steps(study: &Study) -> Vec<Step> {
    let known = known(study);
    let mut steps = Vec::new();
    for phase in Phase::ALL {
        let of_phase: Vec<_> = known.iter().filter(|(_, of, _)| *of == phase).collect();
        for pair in of_phase.windows(2) {
            let changes = difference(pair[0].2, pair[1].2);
            if !changes.is_empty() {
                let (old, new) = (pair[0].0, pair[1].0);
                let label = format!("within {phase}, from sitting {old} to sitting {new}");
                steps.push(Step { label, changes });
            }
        }
    }
    if let Some((old, _, before)) = last(&known, Phase::Before) {
        for phase in [Phase::During, Phase::After] {
            if let Some((new, _, facts)) = last(&known, phase) {
                steps.push(Step {
                    label: format!("from before (sitting {old}) to {phase} (sitting {new})"),
                    changes: difference(before, facts),
                });
            }
        }
    }
    steps
}

/// The pool in one line: `RAID 6, 4 drives of 6 TB, growing to 5`.
pub(super) fn pool(study: &Study) -> Option<String> {
    let pool = study.config.pool.as_ref()?;
    let size = pool
        .drive_size
        .map_or(String::new(), |size| format!(" of {size}"));
    let growth = match pool.adding {
        0 => String::new(),
        adding => format!(", growing to {}", pool.drives.saturating_add(adding)),
    };
    Some(format!(
        "{}, {} drives{size}{growth}",
        level(pool.level),
        pool.drives
    ))
}

/// The level's word in files, as people write it: `raid6` becomes `RAID 6`.
fn level(level: Level) -> String {
    let value = serde_json::to_value(level).unwrap_or_default();
    let word = value.as_str().unwrap_or("a pool");
    match word.strip_prefix("raid") {
        Some(number) => format!("RAID {number}"),
        None => word.to_owned(),
    }
}

//! What else changed between the phases beside the pool: client, link, mount, fill level.
//!
//! Each line is a fact with its values before, during and after. A gain is put down to the drive only
//! with these lines beside it.

use crate::facts::{Change, Facts};
use crate::plan::Phase;
use crate::study::Study;
use crate::units::percent;

/// One fact in the three phases.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Line {
    /// Which fact, in words.
    pub fact: String,
    /// Its values before, during and after: each that was found, in the order of sittings; empty
    /// where a phase has no facts.
    pub values: [Vec<String>; 3],
}

impl Line {
    /// Whether it has more than one value, within a phase or between phases.
    pub fn differs(&self) -> bool {
        let mut all = self.values.iter().flatten();
        let first = all.next();
        all.any(|value| Some(value) != first)
    }
}

/// The name of the line about the fill level.
const FILLED: &str = "filled part of the share";
/// What stands where a sitting has no such fact, and others do.
const NONE: &str = "none";

impl Line {
    /// Whether its values before are others than those after; `false` where a phase has none.
    pub fn differs_after(&self) -> bool {
        let [before, _, after] = &self.values;
        !before.is_empty() && !after.is_empty() && before != after
    }

    /// Whether it is a setting, and not the fill level, which grows with the pool.
    pub fn is_setting(&self) -> bool {
        self.fact != FILLED
    }
}

/// Every fact that can move a result, in a fixed order, whether it changed or not. Sizes of file
/// system and devices are not among them: they are meant to change.
pub fn lines(study: &Study) -> Vec<Line> {
    let phases = Phase::ALL.map(|phase| of_phase(study, phase));
    let mut names: Vec<String> = Vec::new();
    for (name, _) in phases.iter().flatten().flatten() {
        if !names.contains(name) {
            names.push(name.clone());
        }
    }
    let line = |fact: String| {
        let values = phases.each_ref().map(|sittings| {
            let mut values: Vec<String> = Vec::new();
            for told in sittings {
                let found = find(told, &fact).unwrap_or_else(|| NONE.to_owned());
                if !values.contains(&found) {
                    values.push(found);
                }
            }
            values
        });
        Line { fact, values }
    };
    names.into_iter().map(line).collect()
}

/// What changed from `old` to `new`, the fill level left out.
pub fn changes(old: &Facts, new: &Facts) -> Vec<Change> {
    let (old, new) = (told(old), told(new));
    let mut names: Vec<&String> = Vec::new();
    for (name, _) in old.iter().chain(&new) {
        if !names.contains(&name) {
            names.push(name);
        }
    }
    names
        .into_iter()
        .map(|name| Change {
            fact: name.clone(),
            was: find(&old, name),
            is: find(&new, name),
        })
        .filter(|change| change.was != change.is)
        .collect()
}

/// A fact's name and its value in words.
type Told = Vec<(String, String)>;

fn find(told: &Told, name: &str) -> Option<String> {
    let found = told.iter().find(|(own, _)| own == name);
    found.map(|(_, value)| value.clone())
}

/// What the facts of each sitting of a phase tell.
fn of_phase(study: &Study, phase: Phase) -> Vec<Told> {
    let mut ids: Vec<&str> = Vec::new();
    for trial in study.trials.iter().filter(|trial| trial.phase == phase) {
        if !ids.contains(&trial.facts.as_str()) {
            ids.push(&trial.facts);
        }
    }
    let facts = ids.into_iter().filter_map(|id| study.facts.get(id));
    let with_room = |facts: &Facts| {
        let filled = study.filled(facts, phase);
        let filled = filled.map(|part| (FILLED.to_owned(), percent(part, 0)));
        told(facts).into_iter().chain(filled).collect()
    };
    facts.map(with_room).collect()
}

fn told(facts: &Facts) -> Told {
    let mut told = Told::new();
    let mut tell = |name: &str, value: String| told.push((name.to_owned(), value));
    tell("version of this program", facts.client.program.clone());
    tell("client's system", facts.client.system.clone());
    tell("client's kernel", facts.client.kernel.clone());
    tell("client's processors", facts.client.processors.to_string());
    tell("client's memory", facts.client.memory.to_string());
    for link in &facts.links {
        let name = &link.name;
        tell(&format!("largest packet of {name}"), link.mtu.to_string());
        if let Some(bits) = link.bits_per_second {
            let value = format!("{} Gb/s", bits as f64 / 1e9);
            tell(&format!("line rate of {name}"), value);
        }
    }
    if let Some(mount) = &facts.mount {
        tell("type of the mount", mount.kind.clone());
        tell("source of the mount", mount.source.clone());
        for option in &mount.options {
            let (name, value) = option.split_once('=').unwrap_or((option, "set"));
            tell(&format!("mount option {name}"), value.to_owned());
        }
    }
    told
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::testing::{Scene, study};

    #[test]
    fn a_packet_size_that_changed_stands_beside_what_stayed() {
        let lines = lines(&study(Scene::Full));
        let changed: Vec<&Line> = lines.iter().filter(|line| line.differs()).collect();
        let names: Vec<&str> = changed.iter().map(|line| line.fact.as_str()).collect();
        assert_eq!(
            names,
            ["largest packet of lan0", "filled part of the share"]
        );
        assert_eq!(changed[0].values, [["1500"], ["1500"], ["9000"]]);
        // 12 TB with 4 TB free; 18 TB with 10 TB free.
        assert_eq!(changed[1].values, [["67 %"], ["67 %"], ["44 %"]]);
        assert!(lines.iter().any(|line| line.fact == "client's kernel"));
    }

    #[test]
    fn a_phase_without_facts_has_no_values_and_no_difference() {
        let lines = lines(&study(Scene::BeforeOnly));
        assert!(!lines.is_empty());
        assert!(
            lines
                .iter()
                .all(|line| line.values[2].is_empty() && !line.differs())
        );
        assert_eq!(super::lines(&study(Scene::Empty)), []);
    }

    #[test]
    fn mount_options_are_told_one_by_one() {
        let facts = |options: &[&str]| Facts {
            mount: Some(crate::facts::Mount {
                options: options.iter().map(|option| (*option).to_owned()).collect(),
                ..Default::default()
            }),
            ..Facts::default()
        };
        let changes = changes(
            &facts(&["rw", "vers=4.1"]),
            &facts(&["rw", "sync", "vers=4.2"]),
        );
        let told: Vec<(&str, Option<&str>, Option<&str>)> = changes
            .iter()
            .map(|c| (c.fact.as_str(), c.was.as_deref(), c.is.as_deref()))
            .collect();
        assert_eq!(
            told,
            [
                ("mount option vers", Some("4.1"), Some("4.2")),
                ("mount option sync", None, Some("set")),
            ]
        );
        assert_eq!(super::changes(&facts(&["rw"]), &facts(&["rw"])), []);
    }
}

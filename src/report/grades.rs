//! Grades, cached parts, limits and causes in words, the same for terminal, files and page.

use std::collections::BTreeMap;

use super::words::NONE;
use crate::compare::Group;
use crate::judge::{
    Cached, Evidence, Grade, Judgement, Layer, Limit, Limiting, NEGLIGIBLE, Ruling, Says,
};
use crate::stats::describe::median;
use crate::units::{grouped, percent};

/// Judgements by number of trial.
pub type Judgements = BTreeMap<u64, Judgement>;

/// All grades, best first.
pub(super) const ALL: [Grade; 5] = [Grade::A, Grade::B, Grade::U, Grade::C, Grade::X];

/// A grade in a word or two.
pub(super) fn word(grade: Grade) -> &'static str {
    match grade {
        Grade::A => "verified",
        Grade::B => "no cache found",
        Grade::U => "not looked at",
        Grade::C => "suspect",
        Grade::X => "rejected",
    }
}

/// `grade X, rejected: served from a cache (about 83 %)`.
pub fn sentence(ruling: &Ruling) -> String {
    let grade = ruling.grade;
    let reason = crate::text::plain(&ruling.reason);
    format!("grade {}, {}: {reason}", grade.letter(), word(grade))
}

/// The cached part where it says something: beside a mere suspicion, a count of nothing would be read
/// as a clearance.
pub(super) fn cached(ruling: &Ruling) -> Option<Cached> {
    let suspicion = |cached: &Cached| ruling.grade.is_void() && cached.figure() <= NEGLIGIBLE;
    ruling.cached.filter(|cached| !suspicion(cached))
}

/// The cached part with its bounds: `about 83 % (80 % to 86 %)`.
pub(super) fn share(ruling: &Ruling) -> String {
    cached(ruling).map_or("not known".to_owned(), |cached| {
        format!("{} ({})", cached.words(), bounds(cached))
    })
}

/// `80 % to 86 %`.
pub(super) fn bounds(share: Cached) -> String {
    format!("{} to {}", percent(share.low, 0), percent(share.high, 0))
}

/// Whether no speed of the drives can be read from a trial of this grade.
pub(super) fn is_void(judgement: Option<&Judgement>) -> bool {
    judgement.is_some_and(|judged| judged.ruling.grade.is_void())
}

/// The judgement of the worst of `trials`: by grade, then by cached part.
pub(super) fn worst<'a>(judgements: &'a Judgements, trials: &[u64]) -> Option<&'a Judgement> {
    let cached = |judged: &Judgement| judged.ruling.cached.map_or(0.0, |cached| cached.figure());
    trials
        .iter()
        .filter_map(|trial| judgements.get(trial))
        .max_by(|a, b| {
            let by_grade = a.ruling.grade.cmp(&b.ruling.grade);
            by_grade.then(cached(a).total_cmp(&cached(b)))
        })
}

/// What limited most of `trials`, told by the one of those whose value (in their order) is nearest to
/// the median of all, with its number.
pub(super) fn limiting<'a>(
    judgements: &'a Judgements,
    trials: &[u64],
    values: &[f64],
) -> Option<(u64, &'a Limiting)> {
    let all: Vec<(u64, f64, &Limiting)> = trials
        .iter()
        .zip(values)
        .filter_map(|(trial, value)| Some((*trial, *value, &judgements.get(trial)?.limiting)))
        .collect();
    let middle = median(values)?;
    let count = |limit: Limit| all.iter().filter(|(.., of)| of.limit == limit).count();
    // The last of equal maxima is taken: from behind, that is the first.
    let most = all
        .iter()
        .rev()
        .max_by_key(|(.., of)| count(of.limit))?
        .2
        .limit;
    let off = |value: f64| (value - middle).abs();
    all.iter()
        .filter(|(.., of)| of.limit == most)
        .min_by(|(_, a, _), (_, b, _)| off(*a).total_cmp(&off(*b)))
        .map(|(trial, _, of)| (*trial, *of))
}

/// Findings of what limits that are alike, and the places of which they hold.
pub(super) struct Alike<'a, P> {
    /// What goes before the sentence, alike in all of them.
    pub(super) lead: String,
    /// The findings.
    pub(super) of: Vec<&'a Limiting>,
    /// Where they hold, in their order.
    pub(super) places: Vec<P>,
}

/// What limits in several places, each finding once.
pub(super) fn alike<'a, P>(
    found: impl Iterator<Item = (P, String, &'a Limiting)>,
) -> Vec<Alike<'a, P>> {
    let mut all: Vec<Alike<'a, P>> = Vec::new();
    for (place, lead, limiting) in found {
        let known = all
            .iter_mut()
            .find(|known| known.lead == lead && known.of[0].is_like(limiting));
        match known {
            Some(known) => {
                known.of.push(limiting);
                known.places.push(place);
            }
            None => all.push(Alike {
                lead,
                of: vec![limiting],
                places: vec![place],
            }),
        }
    }
    all
}

/// The grades of `trials`, counted: `3 A, 1 X`.
pub(super) fn counted(judgements: &Judgements, trials: impl Iterator<Item = u64>) -> String {
    let grades: Vec<Grade> = trials
        .filter_map(|trial| Some(judgements.get(&trial)?.ruling.grade))
        .collect();
    let counts = ALL.into_iter().filter_map(|grade| {
        let count = grades.iter().filter(|other| **other == grade).count();
        let void = if grade.is_void() { " (void)" } else { "" };
        (count > 0).then(|| format!("{count} {}{void}", grade.letter()))
    });
    counts.collect::<Vec<_>>().join(", ")
}

/// The grades of `trials`, counted, in words first: `3 verified (A), 1 rejected (X, void)`.
pub(super) fn in_words(judgements: &Judgements, trials: impl Iterator<Item = u64>) -> String {
    let grades: Vec<Grade> = trials
        .filter_map(|trial| Some(judgements.get(&trial)?.ruling.grade))
        .collect();
    let counts = ALL.into_iter().filter_map(|grade| {
        let count = grades.iter().filter(|other| **other == grade).count();
        let void = if grade.is_void() { ", void" } else { "" };
        let (word, letter) = (word(grade), grade.letter());
        (count > 0).then(|| format!("{} {word} ({letter}{void})", grouped(count as u64)))
    });
    counts.collect::<Vec<_>>().join(", ")
}

/// What the letters mean, under a table that has no room for words.
pub(super) fn legend() -> String {
    let grade = |grade: Grade| format!("{} {}", grade.letter(), word(grade));
    format!("Grades: {}.", ALL.map(grade).join(", "))
}

/// A grade for a table: `no cache found, B`.
pub(super) fn named(judgement: Option<&Judgement>) -> String {
    judgement.map_or(NONE.to_owned(), |judged| {
        let grade = judged.ruling.grade;
        format!("{}, {}", word(grade), grade.letter())
    })
}

/// Why a number is not the drives'.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Cause {
    /// The record contradicts itself.
    Broken,
    /// A cache served, or may have.
    Cache(Layer),
}

/// The cause behind a grade that does not hold; `None` for one that does.
pub(super) fn cause(judgement: &Judgement) -> Option<Cause> {
    if judgement.ruling.grade.holds() {
        return None;
    }
    if judgement
        .evidence
        .iter()
        .any(|sign| sign.says == Says::Broken)
    {
        return Some(Cause::Broken);
    }
    let claims = judgement.evidence.iter().filter_map(claim);
    let strongest = claims.max_by(|a, b| a.0.strength.cmp(&b.0.strength).then(a.2.total_cmp(&b.2)));
    strongest.map(|(_, layer, _)| Cause::Cache(layer))
}

/// A sign that speaks against a layer, with the part that it tells.
fn claim(sign: &Evidence) -> Option<(&Evidence, Layer, f64)> {
    match sign.says {
        Says::Served(layer, share) if share.estimate > NEGLIGIBLE => {
            Some((sign, layer, share.estimate))
        }
        Says::AtLeast(layer, least) if least > NEGLIGIBLE => Some((sign, layer, least)),
        Says::Suspect(layer) => Some((sign, layer, 0.0)),
        _ => None,
    }
}

/// Why the group is void, in a few words with its grade: `served from a cache (about 83 %), grade X`.
pub(super) fn why_void(judgements: &Judgements, group: &Group) -> String {
    let grade = crate::chart::letter(group.grade);
    match group.void.and_then(|void| void.cached) {
        Some(cached) if cached > NEGLIGIBLE => {
            format!(
                "served from a cache (about {}), grade {grade}",
                percent(cached, 0)
            )
        }
        _ => match worst(judgements, &group.trials) {
            Some(judged) => sentence(&judged.ruling),
            None => format!("grade {grade}"),
        },
    }
}

/// What would show whose speed it is where nothing was looked at: the one cheapest thing.
pub(super) const SHOW: &str = "counting the drives' bytes would show it (diskstats_command)";

/// What to do about a void group, in a few words.
pub(super) fn remedy(cause: Option<Cause>) -> &'static str {
    match cause {
        Some(Cause::Broken) => "measure again on a client that is not busy",
        Some(Cause::Cache(Layer::Client)) => {
            "lay down more test data than this client's memory (--size) or get direct I/O to work, \
             and measure again"
        }
        Some(Cause::Cache(Layer::Path)) | None => {
            "lay down more test data (--size) or empty the server's cache (empty_cache_command), and \
             measure again"
        }
    }
}

/// What a piece of evidence says, in a word or two for files.
pub(super) fn says(says: Says) -> (&'static str, Option<Layer>) {
    match says {
        Says::Served(layer, _) => ("served", Some(layer)),
        Says::AtLeast(layer, _) => ("at least", Some(layer)),
        Says::AtMost(layer, _) => ("at most", Some(layer)),
        Says::Maybe(layer, _) => ("perhaps", Some(layer)),
        Says::Suspect(layer) => ("suspect", Some(layer)),
        Says::Broken => ("broken", None),
        Says::Remark => ("remark", None),
    }
}

/// The layer in a word.
pub(super) fn layer(layer: Layer) -> &'static str {
    match layer {
        Layer::Client => "client",
        Layer::Path => "path",
    }
}

/// The letter of a judgement, a dash without one.
pub(super) fn letter(judgement: Option<&Judgement>) -> &'static str {
    judgement.map_or(NONE, |judged| judged.ruling.grade.letter())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::judge::judge_all;
    use crate::report::testing::{Scene, study};

    #[test]
    fn what_limits_is_told_by_the_median_trial_of_those_that_most_are_like() {
        let mut judgements = judge_all(&study(Scene::Full));
        let trials: Vec<u64> = judgements.keys().copied().take(5).collect();
        for (trial, limit) in trials.iter().zip([
            Limit::Latency,
            Limit::Latency,
            Limit::Drives,
            Limit::Latency,
            Limit::Drives,
        ]) {
            let limiting = &mut judgements.get_mut(trial).unwrap().limiting;
            (limiting.limit, limiting.pieces) = (limit, vec![trial.to_string().into()]);
        }
        // The median is 30, of a trial that another layer limited; 29 is next to it.
        let values = [90.0, 29.0, 30.0, 34.0, 1.0];
        let (trial, limiting) = limiting(&judgements, &trials, &values).unwrap();
        assert_eq!((trial, limiting.limit), (trials[1], Limit::Latency));
        assert_eq!(limiting.sentence(), trial.to_string());
    }
}

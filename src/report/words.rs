//! The sentences and figures that terminal and page share.

use super::grades::{self, Alike, Judgements};
use crate::chart::Family;
use crate::compare::{BetweenSittings, Comparison, Group, Quantity, Row, Rules};
use crate::judge::{Limit, Limiting};
use crate::plan::Phase;
use crate::study::{Study, Trial};
pub(super) use crate::text::count;
use crate::text::plain;
pub(super) use crate::units::figure as grouped;
use crate::units::{self, Bytes, Nanos, Rate, percent};

/// The word that stands wherever results are made up.
pub(super) const SIMULATED: &str = "SIMULATED";
/// What stands where there is no number.
pub(super) const NONE: &str = "–";
/// Why a percentile is missing.
pub(super) const FEW_OPERATIONS: &str = "– in place of a percentile: a trial of the phase had too \
     few operations for it (the median needs 20, the 95th percentile 200, the 99th 1,000).";
/// From this part of the read set that a memory could hold on, a remark says so.
const CACHEABLE: f64 = 0.5;

/// `SIMULATED ` before a heading when results are made up, else nothing.
pub(super) fn banner(simulated: bool) -> &'static str {
    if simulated { "SIMULATED " } else { "" }
}

/// Whether anything of the study is made up.
pub(super) fn made_up(study: &Study) -> bool {
    study.config.simulated || study.trials.iter().any(|trial| trial.simulated)
}

/// A hundredfold: what is larger is no longer told in figures.
const MOST: f64 = 100.0;

/// A change with its sign: `+33 %`, `−4.2 %`; one decimal below 10 %.
pub(super) fn change(ratio: f64) -> String {
    let fraction = ratio - 1.0;
    if !fraction.is_finite() {
        return NONE.to_owned();
    }
    // Interval ends of two wild trials can be astronomic.
    if fraction >= MOST {
        return "over +10,000 %".to_owned();
    }
    let sign = if fraction < 0.0 { "−" } else { "+" };
    format!("{sign}{}", size(fraction))
}

/// A change without its sign: one decimal below 10 %, two where one would show none.
pub(super) fn size(fraction: f64) -> String {
    let size = fraction.abs();
    match size {
        s if s >= MOST => "over 10,000 %".to_owned(),
        s if s >= 9.995 => format!("{} %", units::grouped((s * 100.0).round() as u64)),
        s if s >= 0.0995 => percent(s, 0),
        s if s > 0.0 && s < 0.0005 => percent(s, 2),
        s => percent(s, 1),
    }
}

/// A fraction for a table: one decimal below 10 %.
pub(super) fn spread(fraction: Option<f64>) -> String {
    fraction.map_or(NONE.to_owned(), size)
}

/// `95 %`, as a reader expects it.
pub(super) fn confidence(rules: &Rules) -> String {
    let decimals = usize::from((rules.confidence * 1000.0).round() % 10.0 != 0.0);
    percent(rules.confidence, decimals)
}

/// The rate of a group, in the unit of its family: `421.3 MB/s`, `412 op/s`.
pub(super) fn rate(family: Family, bytes_per_s: f64, block_bytes: u64) -> String {
    if !bytes_per_s.is_finite() {
        return NONE.to_owned();
    }
    told_rate(
        bytes_per_s,
        (family == Family::Random).then_some(Bytes(block_bytes)),
    )
}

/// A rate in bytes per second as tables have it: operations of so many bytes where they are counted, as of
/// random work; else bytes.
pub fn told_rate(bytes_per_s: f64, counted: Option<Bytes>) -> String {
    match counted {
        None => Rate(bytes_per_s).to_string(),
        Some(block) => {
            let operations = Family::Random.value(bytes_per_s, block.0);
            format!("{} op/s", grouped(operations))
        }
    }
}

/// A latency, or a dash.
pub(super) fn latency(ns: Option<f64>) -> String {
    ns.map_or(NONE.to_owned(), |ns| Nanos(ns.round() as u64).to_string())
}

/// So many runs of numbers are told at most.
const RUNS: usize = 40;

/// Numbers of trials with runs drawn together: `1–5, 9`; of very many, the first and the last.
pub(super) fn numbers(trials: &[u64]) -> String {
    let mut sorted = trials.to_vec();
    sorted.sort_unstable();
    sorted.dedup();
    let runs = sorted.chunk_by(|a, b| b - a == 1).map(|run| match run {
        [one] => one.to_string(),
        [one, two] => format!("{one}, {two}"),
        _ => format!("{}–{}", run[0], run[run.len() - 1]),
    });
    let runs: Vec<String> = runs.collect();
    match runs.as_slice() {
        [first, second, .., last] if runs.len() > RUNS => {
            format!(
                "{first}, {second}, … {last} ({} trials)",
                units::grouped(sorted.len() as u64)
            )
        }
        _ => runs.join(", "),
    }
}

/// A length of time that was observed: `41.3 h`, `12 min 30 s`, `48 s`.
pub(super) fn lasted(hours: f64) -> String {
    let seconds = (hours * 3600.0).round();
    match seconds {
        s if s < 60.0 => format!("{s:.0} s"),
        s if s < 3600.0 => match s % 60.0 {
            0.0 => format!("{:.0} min", s / 60.0),
            rest => format!("{:.0} min {rest:02.0} s", (s / 60.0).floor()),
        },
        _ => format!("{hours:.1} h"),
    }
}

/// A length of time that was planned, no finer than plans are: `48 s`, `12.5 min`, `4.2 h`, whole hours where
/// there are many; `None` is beyond any plan.
pub(super) fn planned(hours: Option<f64>) -> String {
    hours.map_or("over ten years".to_owned(), |hours| match hours * 60.0 {
        minutes if minutes < 2.0 => format!("{:.0} s", minutes * 60.0),
        minutes if minutes < 60.0 => format!("{minutes:.1} min"),
        _ if hours < 10.0 => format!("{hours:.1} h"),
        _ => format!("{hours:.0} h"),
    })
}

/// Minutes with their thousands set apart, a few of them in seconds: `151 min`, `40 s`.
pub(super) fn minutes(minutes: f64) -> String {
    match minutes * 60.0 {
        seconds if seconds < 0.5 => "0 min".to_owned(),
        seconds if seconds < 119.5 => format!("{seconds:.0} s"),
        _ => format!("{} min", units::grouped(minutes.round() as u64)),
    }
}

/// What a reader has to know before trusting a comparison, a sentence each; what holds for several
/// workloads and phases is said once, with all of them.
pub(super) fn cautions(comparison: &Comparison, judgements: &Judgements) -> Vec<String> {
    let rows = &comparison.workloads;
    let paced = rows.iter().filter(|row| row.quantity == Quantity::Latency);
    let paced: Vec<String> = paced.map(|row| plain(&row.workload)).collect();
    let paced = (!paced.is_empty()).then(|| {
        format!(
            "{}: the rate is the schedule, so mean latency is compared; a ratio below 1 is the gain.",
            listed(&paced)
        )
    });
    let of_groups = Caution::ALL.into_iter();
    of_client(comparison, judgements)
        .into_iter()
        .chain(failed(comparison))
        .chain(paced)
        .chain(between_sittings(comparison))
        .chain(super::verdict::plan_ahead(comparison))
        .chain(of_groups.filter_map(|caution| caution.told(comparison)))
        .collect()
}

/// Trials that failed: what they would have shown is missing.
fn failed(comparison: &Comparison) -> Option<String> {
    let failed = comparison
        .excluded
        .iter()
        .filter(|left_out| left_out.failed);
    let numbers: Vec<u64> = failed.map(|left_out| left_out.trial).collect();
    let of = match numbers.len() {
        0 => return None,
        1 => "Trial",
        _ => "Trials",
    };
    Some(format!(
        "{of} {} failed, and figures rest on the others alone: see below with which errors, and what the share \
         or its drives say of them.",
        self::numbers(&numbers)
    ))
}

/// Of changes that are claimed between phases of which this client limited one: that they need not be the
/// pool's.
fn of_client(comparison: &Comparison, judgements: &Judgements) -> Option<String> {
    let rows = comparison.workloads.iter();
    let found = rows.filter_map(|row| limited_by_client(row, judgements));
    let (places, phases): (Vec<String>, Vec<Vec<Phase>>) = found.unzip();
    let what = match places.len() {
        0 => return None,
        1 => "the change, or a part of it,",
        _ => "these changes, or a part of them,",
    };
    let again = match phases
        .iter()
        .flatten()
        .any(|phase| comparison.rules.open(*phase))
    {
        true => "; measure again while nothing else runs on it",
        false => "",
    };
    Some(format!(
        "This client itself limited {}: {what} may be the client's and not the pool's{again}.",
        listed(&places)
    ))
}

/// How many of the trials of `phase` this client limited, of how many, where that is half of them or more.
fn by_client(row: &Row, phase: Phase, judgements: &Judgements) -> Option<(usize, usize)> {
    let group = row.group(phase)?;
    let limited = group.trials.iter().filter(|trial| {
        let judged = judgements.get(trial);
        judged.is_some_and(|judged| judged.limiting.limit == Limit::Client)
    });
    let (limited, of) = (limited.count(), group.trials.len());
    (2 * limited >= of && of > 0).then_some((limited, of))
}

/// Whether this client limited one of the phases before and `other`, so that a change between them need not
/// be the pool's.
pub(super) fn client_limited(row: &Row, other: Phase, judgements: &Judgements) -> bool {
    let phases = [Phase::Before, other];
    phases
        .iter()
        .any(|phase| by_client(row, *phase, judgements).is_some())
}

/// The trials of a workload that this client limited, where a change is claimed: `small-read in 5 of 6 trials
/// during`; and their phases.
fn limited_by_client(row: &Row, judgements: &Judgements) -> Option<(String, Vec<Phase>)> {
    let limited = |phase| {
        let (by_client, of) = by_client(row, phase, judgements)?;
        Some((
            format!("{by_client} of {} {phase}", count(of, "trial")),
            phase,
        ))
    };
    let proved = [
        (Phase::During, &row.during_before),
        (Phase::After, &row.after_before),
    ]
    .into_iter()
    .filter(|(_, contrast)| contrast.as_ref().is_some_and(|of| of.verdict.is_proved()));
    let others: Vec<Phase> = proved.map(|(phase, _)| phase).collect();
    if others.is_empty() {
        return None;
    }
    let phases = std::iter::once(Phase::Before).chain(others);
    let (sides, phases): (Vec<String>, Vec<Phase>) = phases.filter_map(limited).unzip();
    let told = || format!("{} in {}", plain(&row.workload), sides.join(" and "));
    (!sides.is_empty()).then(|| (told(), phases))
}

/// What intervals leave out where sittings are too few, with what would still bring it in; nothing where
/// they leave nothing out.
fn between_sittings(comparison: &Comparison) -> Option<String> {
    let rules = &comparison.rules;
    // More sittings by phase, and by phase the workloads of which nothing can be brought in any more, beside
    // those of which it could.
    let mut more = [0; 3];
    let mut stay_out: [Vec<String>; 3] = Default::default();
    let mut compared = [0; 3];
    for row in &comparison.workloads {
        for (contrast, phase) in [
            (&row.during_before, Phase::During),
            (&row.after_before, Phase::After),
        ] {
            let lacks = contrast.as_ref().map(|contrast| contrast.between_sittings);
            compared[phase as usize] += usize::from(lacks.is_some());
            let Some(BetweenSittings::NotIncluded { before, other }) = lacks else {
                continue;
            };
            let sittings = |phase| row.group(phase).map_or(0, |of| of.trials_of_sittings.len());
            let mut add = |of: Phase, sittings: usize| {
                more[of as usize] = sittings.max(more[of as usize]);
            };
            match (rules.open(Phase::Before), rules.open(phase)) {
                (true, _) => {
                    add(Phase::Before, before);
                    add(phase, other);
                }
                (false, true) => add(
                    phase,
                    BetweenSittings::more_in_other(sittings(Phase::Before), sittings(phase)),
                ),
                (false, false) => stay_out[phase as usize].push(plain(&row.workload)),
            }
        }
    }
    let sides = Phase::ALL
        .into_iter()
        .filter(|phase| more[*phase as usize] > 0);
    let sides: Vec<String> = sides
        .map(|phase| format!("{} {phase}", count(more[phase as usize], "more sitting")))
        .collect();
    let advice =
        (!sides.is_empty()).then(|| format!("{} would bring them in", sides.join(" and ")));
    let out = Phase::ALL.into_iter().filter_map(|phase| {
        let of = &stay_out[phase as usize];
        let named = match of.len() {
            0 => return None,
            all if all == compared[phase as usize] => "trials".to_owned(),
            _ => listed(of),
        };
        Some(format!("{named} {phase}"))
    });
    let out: Vec<String> = out.collect();
    let out = (!out.is_empty()).then(|| {
        format!(
            "of {} they stay out, since no more of them can be measured",
            listed(&out)
        )
    });
    let told: Vec<String> = [advice, out].into_iter().flatten().collect();
    (!told.is_empty()).then(|| {
        format!(
            "Differences between sittings (hour, day, who else works) are not in the intervals: {}.",
            told.join("; ")
        )
    })
}

/// The rate of a group with its grade: `421.3 MB/s (A)`; `void, about 83 % cached (X)`.
pub(super) fn graded_rate(row: &Row, group: &Group) -> String {
    let rate = || rate(Family::of(row), group.median_rate, group.block_bytes);
    let value = crate::chart::void(group).unwrap_or_else(rate);
    format!("{value} ({})", crate::chart::letter(group.grade))
}

/// What limits, each finding once: with the workloads and phases of which it holds, and the least and the
/// greatest of its figures.
pub(super) fn limits(comparison: &Comparison, judgements: &Judgements) -> Vec<String> {
    let rows = comparison.workloads.iter();
    let groups = rows.flat_map(|row| row.groups.iter().flatten().map(move |group| (row, group)));
    let found = groups.filter_map(|(row, group)| {
        let (trial, limiting) = grades::limiting(judgements, &group.trials, &group.values)?;
        Some(((row, group, trial), String::new(), limiting))
    });
    let told = |alike: Alike<'_, (&Row, &Group, u64)>| {
        let mut held: Vec<(&Row, Vec<&Group>)> = Vec::new();
        for (row, group, _) in &alike.places {
            match held.last_mut() {
                Some((last, groups)) if std::ptr::eq(*last, *row) => groups.push(group),
                _ => held.push((row, vec![group])),
            }
        }
        // Figures of a latency are those of single trials.
        let of_several = alike
            .places
            .iter()
            .any(|(_, group, _)| group.trials.len() > 1);
        let trials: Vec<u64> = alike.places.iter().map(|(.., trial)| *trial).collect();
        let whose = match (alike.of[0].limit, trials.len()) {
            (Limit::Latency, 1) if of_several => {
                format!(" (trial {}, the median one)", numbers(&trials))
            }
            (Limit::Latency, _) if of_several => {
                format!(" (trials {}, the median ones)", numbers(&trials))
            }
            _ => String::new(),
        };
        format!(
            "{}: {}{whose}.",
            places(&held, graded),
            plain(&Limiting::together(&alike.of))
        )
    };
    grades::alike(found).into_iter().map(told).collect()
}

/// Phases with their grades: `before and after (B)`, `before (A) and after (C)`.
fn graded(groups: &[&Group]) -> String {
    let letter = |group: &Group| crate::chart::letter(group.grade);
    let first = groups.first().map_or(NONE, |group| letter(group));
    match groups.iter().all(|group| letter(group) == first) {
        true => format!("{} ({first})", phases(groups)),
        false => {
            let each = groups
                .iter()
                .map(|of| format!("{} ({})", of.phase, letter(of)));
            listed(&each.collect::<Vec<_>>())
        }
    }
}

/// `before, during and after`.
fn phases(groups: &[&Group]) -> String {
    listed(&groups.iter().map(|group| group.phase).collect::<Vec<_>>())
}

/// Sentences about places, each once with all its places before it.
pub(super) fn merged(sentences: impl Iterator<Item = (String, String)>) -> Vec<String> {
    let mut merged: Vec<(String, String)> = Vec::new();
    for (place, sentence) in sentences {
        match merged.iter_mut().find(|(_, known)| *known == sentence) {
            Some((places, _)) => *places += &format!(", {place}"),
            None => merged.push((place, sentence)),
        }
    }
    let told = |(places, sentence)| format!("{places}: {sentence}.");
    merged.into_iter().map(told).collect()
}

/// What may be wrong with the trials of a workload in a phase.
#[derive(Clone, Copy)]
enum Caution {
    Unsteady,
    Cacheable,
    Revisited,
    Late,
}

impl Caution {
    const ALL: [Self; 4] = [Self::Unsteady, Self::Cacheable, Self::Revisited, Self::Late];

    /// Whether it can hold for trials of `row` at all.
    fn concerns(self, row: &Row) -> bool {
        match self {
            Self::Unsteady => true,
            Self::Cacheable | Self::Revisited => row.load.reads(),
            Self::Late => row.quantity == Quantity::Latency,
        }
    }

    fn holds(self, group: &Group) -> bool {
        match self {
            Self::Unsteady => group.unsteady > 0,
            Self::Cacheable => group.cacheable > CACHEABLE,
            Self::Revisited => group.revisited > 0,
            Self::Late => group.late_or_missed > 0,
        }
    }

    /// Where it holds, and what it is; `None` where it holds nowhere.
    fn told(self, comparison: &Comparison) -> Option<String> {
        let rows = comparison.workloads.iter();
        let concerned: Vec<&Row> = rows.filter(|row| self.concerns(row)).collect();
        let held: Vec<(&Row, Vec<&Group>)> = concerned
            .iter()
            .map(|row| {
                let groups = row.groups.iter().flatten();
                (*row, groups.filter(|group| self.holds(group)).collect())
            })
            .filter(|(_, groups): &(&Row, Vec<&Group>)| !groups.is_empty())
            .collect();
        if held.is_empty() {
            return None;
        }
        let whole =
            |row: &Row, groups: &[&Group]| groups.len() == row.groups.iter().flatten().count();
        let everywhere = held.len() == concerned.len()
            && held.len() > 1
            && held.iter().all(|(row, groups)| whole(row, groups));
        let places = match everywhere {
            true => {
                let some = concerned.len() < comparison.workloads.len();
                let of = match self {
                    Self::Late => " with a schedule",
                    _ if some => " that read",
                    _ => "",
                };
                let seen = |phase: &Phase| held.iter().any(|(row, _)| row.group(*phase).is_some());
                let phases: Vec<Phase> = Phase::ALL.into_iter().filter(seen).collect();
                format!("All workloads{of}, {}", listed(&phases))
            }
            false => places(&held, phases),
        };
        let groups: Vec<&Group> = held.into_iter().flat_map(|(_, groups)| groups).collect();
        Some(format!("{places}: {}.", self.sentence(&groups)))
    }

    /// What holds for `groups` together.
    fn sentence(self, groups: &[&Group]) -> String {
        let trials = groups.iter().map(|group| group.trials.len()).sum();
        let of = |part: fn(&Group) -> usize| {
            let part: usize = groups.iter().map(|group| part(group)).sum();
            format!(
                "{} of {}",
                units::grouped(part as u64),
                count(trials, "trial")
            )
        };
        match self {
            Self::Unsteady => format!(
                "{} never got steady; the whole of such a trial counts",
                of(|group| group.unsteady)
            ),
            Self::Cacheable => {
                let parts = groups.iter().map(|group| group.cacheable);
                let most = percent(parts.clone().fold(0.0, f64::max), 0);
                let least = percent(parts.fold(1.0, f64::min), 0);
                let up_to = if least == most { "" } else { "up to " };
                format!(
                    "a known memory could hold {up_to}{most} of the data that was read, so part of the rate \
                     may be memory and not drives"
                )
            }
            Self::Revisited => format!(
                "{} visited blocks again that had been visited before, which a cache could have kept",
                of(|group| group.revisited)
            ),
            Self::Late => {
                let late: u64 = groups.iter().map(|group| group.late_or_missed).sum();
                let late = usize::try_from(late).unwrap_or(usize::MAX);
                format!(
                    "{} started late or never, so the share could not keep the pace",
                    count(late, "paced operation")
                )
            }
        }
    }
}

/// Workloads with what is `told` of their groups, those of which the same is told together: `large-read and
/// mixed, before and after; small-read, before`.
fn places(held: &[(&Row, Vec<&Group>)], told: fn(&[&Group]) -> String) -> String {
    let mut together: Vec<(String, Vec<String>)> = Vec::new();
    for (row, groups) in held {
        let (told, name) = (told(groups), plain(&row.workload));
        match together.iter_mut().find(|(known, _)| *known == told) {
            Some((_, names)) => names.push(name),
            None => together.push((told, vec![name])),
        }
    }
    let place = |(told, names): &(String, Vec<String>)| format!("{}, {told}", listed(names));
    together.iter().map(place).collect::<Vec<_>>().join("; ")
}

/// `a`, `a and b`, `a, b and c`.
pub(super) fn listed(of: &[impl ToString]) -> String {
    let words: Vec<String> = of.iter().map(ToString::to_string).collect();
    match words.as_slice() {
        [] => String::new(),
        [one] => one.clone(),
        [first @ .., last] => format!("{} and {last}", first.join(", ")),
    }
}

/// The trials that were left out, a sentence each; the same reason is said once.
pub(super) fn excluded(comparison: &Comparison) -> Vec<String> {
    let mut reasons: Vec<(String, Vec<u64>)> = Vec::new();
    for left_out in &comparison.excluded {
        let why = plain(&left_out.why);
        match reasons.iter_mut().find(|(reason, _)| *reason == why) {
            Some((_, trials)) => trials.push(left_out.trial),
            None => reasons.push((why, vec![left_out.trial])),
        }
    }
    let sentence = |(why, trials): &(String, Vec<u64>)| {
        let (noun, verb) = if trials.len() == 1 {
            ("Trial", "is")
        } else {
            ("Trials", "are")
        };
        format!("{noun} {} {verb} left out: {why}.", numbers(trials))
    };
    reasons.iter().map(sentence).collect()
}

/// The first letter in upper case.
pub(super) fn sentence_case(word: &str) -> String {
    let mut letters = word.chars();
    letters.next().map_or(String::new(), |first| {
        first.to_uppercase().chain(letters).collect()
    })
}

/// What a study that is not complete lacks; what to do about it is told by [`crate::ready::Next`].
pub(super) fn lacking(comparison: &Comparison) -> Option<String> {
    let has = |phase: Phase| {
        comparison
            .workloads
            .iter()
            .any(|row| row.group(phase).is_some())
    };
    let least = comparison.rules.least_trials;
    let text = match Phase::ALL.map(has) {
        [false, false, false] => format!(
            "Nothing can be compared yet: a verdict takes at least {least} trials of a workload in each \
             phase."
        ),
        [false, ..] => "There is nothing from before the expansion to compare with; what was \
                        measured later stands alone."
            .to_owned(),
        [true, false, false] => "Only the time before the expansion has been measured.".to_owned(),
        [true, true, false] => "The expansion has not been measured to its end.".to_owned(),
        [true, _, true] => return None,
    };
    Some(text)
}

/// Whether and when a trial got steady, in words.
pub(super) fn steadiness(trial: &Trial) -> String {
    match (trial.steady, trial.warmup_windows) {
        (false, _) => "no".to_owned(),
        (true, 0) => "at once".to_owned(),
        (true, seconds) => format!("from {seconds} s"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::compare::compare;
    use crate::judge::{Piece, judge_all};
    use crate::report::testing;

    #[test]
    fn changes_carry_a_sign_and_fit_their_size() {
        assert_eq!(change(1.334), "+33 %");
        assert_eq!(change(0.958), "−4.2 %");
        assert_eq!(change(10.99), "+999 %");
        assert_eq!(change(29.66), "+2,866 %");
        assert_eq!(change(1e9), "over +10,000 %");
        assert_eq!(change(f64::NAN), "–");
    }

    #[test]
    fn runs_of_trials_are_drawn_together() {
        assert_eq!(numbers(&[3, 1, 2, 9, 11, 12]), "1–3, 9, 11, 12");
        assert_eq!(numbers(&[]), "");
    }

    #[test]
    fn lengths_of_time_have_a_unit_that_shows_them() {
        assert_eq!(lasted(41.26), "41.3 h");
        assert_eq!(lasted(12.5 / 60.0), "12 min 30 s");
        assert_eq!(lasted(88.0 / 3600.0), "1 min 28 s");
        assert_eq!(lasted(0.2), "12 min");
        assert_eq!(lasted(0.0133), "48 s");
        assert_eq!(minutes(40.0 / 60.0), "40 s");
        assert_eq!(minutes(0.0), "0 min");
        assert_eq!(minutes(4_987.4), "4,987 min");
        assert_eq!(
            (planned(Some(0.05)), planned(Some(41.2))),
            ("3.0 min".into(), "41 h".into())
        );
        assert_eq!(planned(Some(0.0133)), "48 s");
        assert_eq!(planned(None), "over ten years");
    }

    /// Nearly equal sentences on each workload and phase would hide that they say the same.
    #[test]
    fn what_limits_is_said_once_with_all_of_which_it_holds() {
        let study = testing::study(testing::Scene::Full);
        let mut judgements = judge_all(&study);
        for trial in &study.trials {
            let Some(judged) = judgements.get_mut(&trial.trial) else {
                continue;
            };
            let waited = 0.2 + trial.trial as f64 / 1000.0;
            let (limit, pieces) = match (trial.workload.as_str(), trial.phase) {
                ("large-read", _) => (Limit::Drives, vec!["limited by the drives".into()]),
                (_, Phase::During) => (Limit::Undetermined, vec!["nothing tells".into()]),
                _ => (
                    Limit::Client,
                    vec!["waited ".into(), Piece::Part(waited), " of the time".into()],
                ),
            };
            (judged.limiting.limit, judged.limiting.pieces) = (limit, pieces);
        }
        let comparison = compare(&study, &judgements, Rules::of(&study));
        let told = limits(&comparison, &judgements);
        assert_eq!(told.len(), 3, "{told:#?}");
        assert_eq!(
            told[0],
            "large-read, before, during and after (B): limited by the drives."
        );
        let others = "large-write and small-write-deep, before and after (A); small-read, small-read-deep and mixed, \
                      before and after (B): waited 2";
        assert!(
            told[1].starts_with(others) && told[1].contains(" to 2"),
            "{told:#?}"
        );
        assert_eq!(
            told[2],
            "large-write, small-write-deep and mixed, during (U); small-read and small-read-deep, during (B): nothing \
             tells."
        );
    }

    #[test]
    fn a_change_that_this_client_limited_need_not_be_the_pools() {
        let study = testing::study(testing::Scene::Full);
        let mut judgements = judge_all(&study);
        let told = |judgements: &Judgements| {
            let comparison = compare(&study, judgements, Rules::of(&study));
            let cautions = cautions(&comparison, judgements).into_iter();
            // It is the weightiest: nothing stands before it.
            let first = cautions.take(1);
            let of_client = first.filter(|told| told.starts_with("This client itself limited"));
            of_client.collect::<Vec<_>>()
        };
        assert!(told(&judgements).is_empty());
        // Its claimed change is told of; that of small-read, which is proved of no change, is not.
        for trial in &study.trials {
            let named = ["large-read", "small-read"].contains(&trial.workload.as_str());
            if named && trial.phase == Phase::After {
                judgements.get_mut(&trial.trial).unwrap().limiting.limit = Limit::Client;
            }
        }
        let told = told(&judgements);
        assert!(
            told.len() == 1
                && told[0].contains(
                    " large-read in 5 of 5 trials after: the change, or a part of it, may be the client's"
                ),
            "{told:?}"
        );
        let comparison = compare(&study, &judgements, Rules::of(&study));
        let row = &comparison.workloads[0];
        let contrast = row.after_before.as_ref().unwrap();
        let verdict = crate::report::verdict::verdict(
            row,
            contrast,
            Phase::After,
            &comparison.rules,
            &judgements,
        );
        assert!(
            verdict.ends_with("), which may be this client's and not the pool's"),
            "{verdict}"
        );
    }

    #[test]
    fn failed_trials_come_before_what_is_merely_short_and_nothing_is_asked_of_a_time_that_is_over()
    {
        let mut study = testing::study(testing::Scene::Full);
        let failed = study.trials.last().unwrap().trial + 1;
        study.trials.push(Trial {
            trial: failed,
            state: crate::study::State::Failed,
            cause: "input/output error".into(),
            ..study.trials.last().unwrap().clone()
        });
        let judgements = judge_all(&study);
        let mut comparison = compare(&study, &judgements, Rules::of(&study));
        for row in &mut comparison.workloads {
            for contrast in [&mut row.during_before, &mut row.after_before]
                .into_iter()
                .flatten()
            {
                contrast.between_sittings = BetweenSittings::NotIncluded {
                    before: 1,
                    other: 1,
                };
            }
            row.groups
                .iter_mut()
                .flatten()
                .for_each(|group| group.trials_of_sittings = vec![5]);
        }
        let told = |comparison: &Comparison| cautions(comparison, &judgements);
        let over = told(&comparison);
        assert!(
            over[0].starts_with("Trial") && over[0].contains(&format!("{failed} failed, and")),
            "{over:?}"
        );
        assert!(
            over[1].ends_with(
                "in the intervals: 2 more sittings after would bring them in; of trials during they stay out, \
                 since no more of them can be measured."
            ),
            "{over:?}"
        );
        comparison.rules.come_to = Phase::Before;
        let early = told(&comparison);
        assert!(
            early[1].contains(
                "1 more sitting before and 1 more sitting during and 1 more sitting after would"
            ),
            "{early:?}"
        );
    }

    #[test]
    fn a_caution_is_said_once_with_all_that_it_holds_for() {
        let study = testing::study(testing::Scene::Full);
        let judgements = judge_all(&study);
        let mut comparison = compare(&study, &judgements, Rules::of(&study));
        let told = |comparison: &Comparison, word: &str| {
            let cautions = cautions(comparison, &judgements).into_iter();
            cautions
                .filter(|told| told.contains(word))
                .collect::<Vec<_>>()
        };
        let mut set = |change: &dyn Fn(&str, &mut Group)| {
            for row in &mut comparison.workloads {
                let name = row.workload.clone();
                row.groups.iter_mut().flatten().for_each(|group| {
                    (group.unsteady, group.cacheable, group.revisited) = (0, 0.0, 0);
                    change(&name, group);
                });
            }
            comparison.clone()
        };
        let of_all = set(&|_, group| (group.unsteady, group.cacheable) = (1, 0.9));
        let groups = of_all
            .workloads
            .iter()
            .flat_map(|row| row.groups.iter().flatten());
        let (count, trials) = groups.fold((0, 0), |(count, trials), group| {
            (count + 1, trials + group.trials.len())
        });
        assert_eq!(
            told(&of_all, "steady"),
            [format!(
                "All workloads, before, during and after: {count} of {trials} trials never got steady; the \
                 whole of such a trial counts."
            )]
        );
        assert_eq!(
            told(&of_all, "known memory"),
            [
                "All workloads that read, before, during and after: a known memory could hold 90 % of the data \
              that was read, so part of the rate may be memory and not drives."
            ]
        );
        let of_some = set(&|name, group| {
            let here = match group.phase {
                Phase::Before => ["large-read", "mixed"].contains(&name),
                Phase::After => name == "small-read",
                Phase::During => false,
            };
            group.unsteady = usize::from(here) * 2;
        });
        let told = told(&of_some, "steady");
        assert!(
            told.len() == 1
                && told[0].starts_with("large-read and mixed, before; small-read, after: 6 of "),
            "{told:?}"
        );
    }
}

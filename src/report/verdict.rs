//! Verdicts in sentences.

use super::grades::{self, Judgements};
use super::words::{NONE, change, client_limited, confidence, count, size};
use crate::compare::{
    BY_CHANCE_AFTER_EACH, BY_CHANCE_ONCE_MORE, BetweenSittings, Comparison, Contrast, Quantity,
    Row, Rules, Verdict,
};
use crate::plan::Phase;
use crate::text::plain;

/// The interval of a contrast: `+29 % to +37 %`.
pub(super) fn interval(contrast: &Contrast) -> Option<String> {
    let welch = contrast.welch?;
    Some(format!("{} to {}", change(welch.low), change(welch.high)))
}

/// How much the compared quantity changed: of a paced workload it is named.
fn changed(contrast: &Contrast) -> String {
    match contrast.quantity {
        Quantity::Rate => format!(" of {}", size(contrast.ratio - 1.0)),
        Quantity::Latency => format!(": mean latency {}", change(contrast.ratio)),
    }
}

/// Which of `phases` nobody can measure more of: `more of before and during cannot be measured any more`.
fn over(rules: &Rules, phases: impl IntoIterator<Item = Phase>) -> Option<String> {
    let over = phases.into_iter().filter(|phase| !rules.open(*phase));
    let over: Vec<&str> = over.map(Phase::word).collect();
    (!over.is_empty()).then(|| format!("more of {} can be measured no longer", over.join(" and ")))
}

/// Where only a change by more than this factor would have shown, the readings say nothing of how far it
/// changed (a rule of this house, no source).
const TELLING: f64 = 5.0;

/// The sittings that would tell more, as far as they can be had: `; 1 more sitting before and 2 more sittings
/// after, compared once all are measured, would tell more`.
fn more(row: &Row, contrast: &Contrast, other: Phase, rules: &Rules) -> String {
    let sittings = |phase| row.group(phase).map_or(0, |group| group.sittings);
    let (before, of_other) = match (contrast.between_sittings, rules.open(Phase::Before)) {
        (BetweenSittings::NotIncluded { before, other }, true) => (before, other),
        (BetweenSittings::NotIncluded { .. }, false) => {
            let had = (sittings(Phase::Before), sittings(other));
            (0, BetweenSittings::more_in_other(had.0, had.1))
        }
        (BetweenSittings::Included { .. }, open) => (usize::from(open), 1),
    };
    let wanted = [(Phase::Before, before), (other, of_other)].into_iter();
    let wanted = wanted.filter(|(phase, more)| *more > 0 && rules.open(*phase));
    // Who compares after each of them until a change is proved proves one by chance (`plan_ahead`).
    let together = match wanted.clone().map(|(_, more)| more).sum::<usize>() {
        0 | 1 => "",
        _ => ", compared once all are measured,",
    };
    let wanted: Vec<String> = wanted
        .map(|(phase, more)| format!("{} {phase}", count(more, "more sitting")))
        .collect();
    match (wanted.is_empty(), over(rules, [Phase::Before, other])) {
        (false, None) => format!("; {}{together} would tell more", wanted.join(" and ")),
        (false, Some(over)) => {
            format!(
                "; {}{together} would tell more; {over}",
                wanted.join(" and ")
            )
        }
        (true, Some(over)) => format!("; {over}"),
        (true, None) => String::new(),
    }
}

/// The verdict as a sentence without a full stop; `other` is the phase that was held against
/// `before`.
pub(super) fn verdict(
    row: &Row,
    contrast: &Contrast,
    other: Phase,
    rules: &Rules,
    judgements: &Judgements,
) -> String {
    let within = || {
        let range = interval(contrast).unwrap_or_else(|| NONE.to_owned());
        format!("{} interval {range}", confidence(rules))
    };
    let whose = || match client_limited(row, other, judgements) {
        true => ", which may be this client's and not the pool's",
        false => "",
    };
    match contrast.verdict {
        Verdict::Gain => format!("gain{} ({}){}", changed(contrast), within(), whose()),
        Verdict::Loss => format!("loss{} ({}){}", changed(contrast), within(), whose()),
        Verdict::Void { phase, .. } => {
            let group = row.group(phase);
            let why = group.map_or(String::new(), |group| {
                format!(" ({})", grades::why_void(judgements, group))
            });
            let worst = group.and_then(|group| grades::worst(judgements, &group.trials));
            let remedy = grades::remedy(worst.and_then(grades::cause));
            format!(
                "void: {phase} is not the drives' speed{why}, so nothing is said of a change; {remedy}"
            )
        }
        Verdict::NotShown { phase } => {
            let group = row.group(phase);
            let worst = group.and_then(|group| grades::worst(judgements, &group.trials));
            let why = worst.map_or_else(String::new, |judged| plain(&judged.ruling.reason));
            format!(
                "{} seen ({}), not shown to be the drives': {phase}, {why}; {}",
                change(contrast.ratio),
                within(),
                grades::SHOW
            )
        }
        Verdict::NotBelieved => format!(
            "{} seen ({}), and not believed: far more than the drives can add; {}",
            change(contrast.ratio),
            within(),
            grades::SHOW
        ),
        Verdict::NotEnoughTrials {
            before,
            other: more,
        } => {
            let side = |n: usize, phase: Phase| (n > 0).then(|| format!("{n} more {phase}"));
            let sides: Vec<String> = [side(before, Phase::Before), side(more, other)]
                .into_iter()
                .flatten()
                .collect();
            let lacking = [(before, Phase::Before), (more, other)].into_iter();
            let lacking = lacking.filter(|(more, _)| *more > 0);
            let would = match over(rules, lacking.map(|(_, phase)| phase)) {
                None => "would do".to_owned(),
                Some(over) => format!("would have done; {over}"),
            };
            format!("not enough trials: {} {would}", sides.join(" and "))
        }
        Verdict::NoProvableChange { trials } => {
            if contrast.excludes_no_change() {
                return format!(
                    "no provable change of {} or more: {}, {}",
                    size(rules.threshold),
                    change(contrast.ratio),
                    within()
                );
            }
            // As large on the scale of ratios, and so as easily seen, either way.
            let provable = contrast.smallest_provable;
            let provable = provable.map(|ratio| (ratio.max(1.0 / ratio), ratio.min(1.0 / ratio)));
            if provable.is_some_and(|(rise, _)| rise > TELLING) {
                return format!(
                    "no provable change: {} was seen, in too few readings to say how far it changed{}",
                    change(contrast.ratio),
                    more(row, contrast, other, rules)
                );
            }
            let provable = provable.map_or(String::new(), |(rise, fall)| {
                let (rise, fall) = (size(rise - 1.0), size(fall - 1.0));
                format!(" (a rise of {rise} or a fall of {fall} would probably have shown)")
            });
            let of_trials = trials.map(|trials| format!("{trials} trials on each side"));
            let of_sittings = contrast
                .sittings_needed
                .map(|sittings| format!("{sittings} sittings in each phase"));
            let seen = change(contrast.ratio);
            let advice = match (of_trials.or(of_sittings), rules.open(Phase::Before)) {
                (Some(repeated), true) => {
                    format!(
                        "; {repeated}, compared once all are measured, would probably settle the {seen} seen"
                    )
                }
                // As many on each side as it takes are not to be had.
                (Some(_), false) => format!("; {seen} seen{}", more(row, contrast, other, rules)),
                (None, _) => String::new(),
            };
            format!("no provable change{provable}{advice}")
        }
    }
}

/// Where a change is not proved and more of its phases can be measured: that how many sittings there shall be is
/// settled beforehand, since whoever measures on until one is proved proves one in the end.
pub(super) fn plan_ahead(comparison: &Comparison) -> Option<String> {
    let rules = &comparison.rules;
    let goes_on = |contrast: &Option<Contrast>, phase: Phase| {
        let contrast = contrast.as_ref().filter(|_| rules.open(phase));
        contrast.is_some_and(|contrast| {
            matches!(contrast.verdict, Verdict::NoProvableChange { .. })
                && !contrast.excludes_no_change()
        })
    };
    let mut rows = comparison.workloads.iter();
    rows.any(|row| {
        goes_on(&row.during_before, Phase::During) || goes_on(&row.after_before, Phase::After)
    })
    .then(|| {
        format!(
            "Settle how many sittings each phase shall have before you measure more, and compare when all are \
             there. As simulated, where nothing has changed, chance proves a change in {} of 100 studies that are compared \
             once, in about {BY_CHANCE_ONCE_MORE} of 100 that are compared at two sittings in each phase and \
             once more, and in about {BY_CHANCE_AFTER_EACH} of 100 that are compared after each sitting until one \
             is proved.",
            ((1.0 - rules.confidence) * 100.0).round()
        )
    })
}

#[cfg(test)]
mod tests {
    use super::super::testing::{self, Scene};
    use super::*;
    use crate::compare::compare;
    use crate::judge::judge_all;
    use crate::stats::contrast::RatioEstimate;

    /// Who is asked for what can be had no more is asked in vain.
    #[test]
    fn trials_of_a_time_that_is_over_are_not_asked_for() {
        let study = testing::study(Scene::Full);
        let judgements = judge_all(&study);
        let mut rules = Rules::of(&study);
        assert_eq!(rules.come_to, Phase::After);
        let comparison = compare(&study, &judgements, rules);
        let row = &comparison.workloads[0];
        let mut contrast = row.after_before.clone().unwrap();
        let told = |contrast: &Contrast, rules: &Rules| {
            verdict(row, contrast, Phase::After, rules, &judgements)
        };
        contrast.verdict = Verdict::NotEnoughTrials {
            before: 1,
            other: 2,
        };
        assert_eq!(
            told(&contrast, &rules),
            "not enough trials: 1 more before and 2 more after would have done; more of before can be \
             measured no longer"
        );
        contrast.verdict = Verdict::NotEnoughTrials {
            before: 0,
            other: 2,
        };
        assert_eq!(
            told(&contrast, &rules),
            "not enough trials: 2 more after would do"
        );
        contrast.verdict = Verdict::NoProvableChange { trials: Some(4) };
        contrast.welch = None;
        contrast.smallest_provable = Some(1.2);
        assert_eq!(
            told(&contrast, &rules),
            format!(
                "no provable change (a rise of 20 % or a fall of 17 % would probably have shown); {} seen; 2 more \
                 sittings after, compared once all are measured, would tell more; more of before can be measured no longer",
                change(contrast.ratio)
            )
        );
        rules.come_to = Phase::Before;
        let advice =
            "; 4 trials on each side, compared once all are measured, would probably settle the ";
        assert!(told(&contrast, &rules).contains(advice));
    }

    /// A range from nothing to many times as much is no finding, and what nobody can do is no advice.
    #[test]
    fn what_hardly_anything_would_have_shown_is_told_as_too_few_readings() {
        let study = testing::study(Scene::Full);
        let judgements = judge_all(&study);
        let mut rules = Rules::of(&study);
        let comparison = compare(&study, &judgements, rules);
        let row = &comparison.workloads[0];
        let mut contrast = row.during_before.clone().unwrap();
        contrast.verdict = Verdict::NoProvableChange { trials: Some(6) };
        contrast.welch = None;
        contrast.smallest_provable = Some(0.004);
        let told = |rules: &Rules| verdict(row, &contrast, Phase::During, rules, &judgements);
        let seen = change(contrast.ratio);
        let few = format!(
            "no provable change: {seen} was seen, in too few readings to say how far it changed"
        );
        // One sitting on each side.
        rules.come_to = Phase::Before;
        let wanted = "; 1 more sitting before and 1 more sitting during, compared once all are measured, \
                      would tell more";
        assert_eq!(told(&rules), format!("{few}{wanted}"));
        rules.come_to = Phase::During;
        assert_eq!(
            told(&rules),
            format!(
                "{few}; 2 more sittings during, compared once all are measured, would tell more; more of before can \
                 be measured no longer"
            )
        );
        rules.come_to = Phase::After;
        assert_eq!(
            told(&rules),
            format!("{few}; more of before and during can be measured no longer")
        );
        contrast.smallest_provable = Some(0.5);
        assert!(!verdict(row, &contrast, Phase::During, &rules, &judgements).contains("too few"));
    }

    /// Who has a proof already, or can measure no more, is not told how to go on.
    #[test]
    fn who_may_measure_on_until_something_shows_is_told_what_that_proves() {
        let study = testing::study(Scene::Full);
        let mut rules = Rules::of(&study);
        rules.come_to = Phase::After;
        let mut comparison = compare(&study, &judge_all(&study), rules);
        let settle =
            |comparison: &mut Comparison, verdict: Verdict, welch: Option<RatioEstimate>| {
                for row in &mut comparison.workloads {
                    let contrasts = [&mut row.during_before, &mut row.after_before];
                    for contrast in contrasts.into_iter().flatten() {
                        (contrast.verdict, contrast.welch) = (verdict, welch);
                    }
                }
            };
        let surely = comparison.workloads[0].after_before.as_ref().unwrap().welch;
        assert!(surely.unwrap().low > 1.0);
        settle(&mut comparison, Verdict::Gain, surely);
        assert_eq!(plan_ahead(&comparison), None);
        let unproved = Verdict::NoProvableChange { trials: None };
        // Too small to matter, and known to be.
        settle(&mut comparison, unproved, surely);
        assert_eq!(plan_ahead(&comparison), None);
        let unsure = surely.map(|found| RatioEstimate { low: 0.9, ..found });
        settle(&mut comparison, unproved, unsure);
        let told = plan_ahead(&comparison).unwrap();
        for part in [
            "compare when all are there",
            "a change in 5 of 100 studies that are compared once, in about 9 of 100",
            "in about 13 of 100 that are compared after each sitting until one is proved.",
        ] {
            assert!(told.contains(part), "{part} in {told}");
        }
        for row in &mut comparison.workloads {
            row.after_before = None;
        }
        assert_eq!(
            plan_ahead(&comparison),
            None,
            "more of during is not to be had"
        );
    }

    /// Half again as much and two thirds of it are equally far from no change.
    #[test]
    fn what_could_have_gone_unseen_is_told_both_ways() {
        let study = testing::study(Scene::Full);
        let judgements = judge_all(&study);
        let rules = Rules::of(&study);
        let comparison = compare(&study, &judgements, rules);
        let row = &comparison.workloads[0];
        let mut contrast = row.after_before.clone().unwrap();
        contrast.verdict = Verdict::NoProvableChange { trials: None };
        contrast.sittings_needed = None;
        contrast.welch = None;
        for seen in [1.5, 1.0 / 1.5] {
            contrast.smallest_provable = Some(seen);
            assert_eq!(
                verdict(row, &contrast, Phase::After, &rules, &judgements),
                "no provable change (a rise of 50 % or a fall of 33 % would probably have shown)"
            );
        }
    }
}

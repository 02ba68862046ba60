//! Verdicts in sentences.

use super::grades::{self, Judgements};
use super::words::{NONE, change, confidence, size};
use crate::compare::{Contrast, Quantity, Row, Rules, Verdict};
use crate::plan::Phase;

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
    match contrast.verdict {
        Verdict::Gain => format!("gain{} ({})", changed(contrast), within()),
        Verdict::Loss => format!("loss{} ({})", changed(contrast), within()),
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
            let sure = contrast
                .welch
                .is_some_and(|welch| welch.low > 1.0 || welch.high < 1.0);
            if sure {
                return format!(
                    "no provable change of {} or more: {}, {}",
                    size(rules.threshold),
                    change(contrast.ratio),
                    within()
                );
            }
            let provable = contrast.smallest_provable.map_or(String::new(), |ratio| {
                // As large on the scale of ratios, and so as easily seen, either way.
                let (rise, fall) = (ratio.max(1.0 / ratio), ratio.min(1.0 / ratio));
                let (rise, fall) = (size(rise - 1.0), size(fall - 1.0));
                format!(" (a rise of {rise} or a fall of {fall} would probably have shown)")
            });
            let of_trials = trials.map(|trials| format!("{trials} trials on each side"));
            let of_sittings = contrast
                .sittings_needed
                .map(|sittings| format!("{sittings} sittings in each phase"));
            let advice = of_trials.or(of_sittings).map_or(String::new(), |repeated| {
                let seen = change(contrast.ratio);
                match over(rules, [Phase::Before, other]) {
                    None => format!("; {repeated} would probably settle the {seen} seen"),
                    Some(over) => {
                        format!("; {repeated} would probably have settled the {seen} seen; {over}")
                    }
                }
            });
            format!("no provable change{provable}{advice}")
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::testing::{self, Scene};
    use super::*;
    use crate::compare::compare;
    use crate::judge::judge_all;

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
        assert!(told(&contrast, &rules).contains("would probably have settled"));
        rules.come_to = Phase::Before;
        assert!(told(&contrast, &rules).contains("4 trials on each side would probably settle"));
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

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
            format!("not enough trials: {} would do", sides.join(" and "))
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
                format!("; {repeated} would probably settle the {seen} seen")
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

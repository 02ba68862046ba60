//! Verdicts in sentences.

use super::grades::{self, Judgements};
use super::words::{NONE, change, confidence, size};
use crate::compare::{Contrast, Row, Rules, Verdict};
use crate::plan::Phase;

/// The interval of a contrast: `+29 % to +37 %`.
pub(super) fn interval(contrast: &Contrast) -> Option<String> {
    let welch = contrast.welch?;
    Some(format!("{} to {}", change(welch.low), change(welch.high)))
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
        Verdict::Gain => format!("gain of {} ({})", size(contrast.ratio - 1.0), within()),
        Verdict::Loss => format!("loss of {} ({})", size(contrast.ratio - 1.0), within()),
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
            let provable = contrast.smallest_provable.map_or(String::new(), |factor| {
                format!(
                    " (a change of {} or more would probably have shown)",
                    size(factor - 1.0)
                )
            });
            let advice = trials.map_or(String::new(), |trials| {
                let seen = change(contrast.ratio);
                format!("; {trials} trials on each side would probably settle the {seen} seen")
            });
            format!("no provable change{provable}{advice}")
        }
    }
}

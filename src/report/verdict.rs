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
                let side = if ratio < 1.0 { "fall" } else { "rise" };
                let change = size(ratio - 1.0);
                format!(" (a {side} of {change} or more would probably have shown)")
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

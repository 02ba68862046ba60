//! The verdict in a sentence: what somebody reads who reads nothing else.

use super::record::damage;
use super::users::{minutes, small_reads, typical};
use super::{Scene, grade};
use crate::compare::{Contrast, Row, Verdict};
use crate::plan::Phase;
use crate::ready::Stage;
use crate::report::{verdict as verdicts, words};
use crate::text::plain;
use crate::units::grouped;

/// The sentence, and whether it says that something is wrong.
pub(super) fn verdict(scene: &Scene<'_>) -> (String, bool) {
    let damaged = damage(scene);
    if let Some(blocks @ 1..) = damaged {
        let told = format!(
            "Data is damaged: {} blocks or files are not what was written. Stop writing to the pool, and see which below.",
            grouped(blocks)
        );
        return (told, true);
    }
    if let Some(lacking) = scene.lacking() {
        return (lacking, false);
    }
    let Some((row, contrast)) = scene
        .large()
        .and_then(|row| Some((row, row.after_before.as_ref()?)))
    else {
        return (
            "The expansion was measured; the table below says what changed.".to_owned(),
            false,
        );
    };
    let data = match damaged {
        Some(_)
            if scene
                .study
                .trials
                .iter()
                .any(|trial| trial.fault().is_some()) =>
        {
            "No block that was read back differs, but the share answered trials with errors."
        }
        Some(_) => "No data error was found.",
        None if scene.study.config.simulated => "",
        None => "Whether the data is whole was not read back.",
    };
    let parts = [
        speed(scene, row, contrast),
        losses(scene, row),
        during(scene),
        data.to_owned(),
    ];
    let parts: Vec<String> = parts.into_iter().filter(|part| !part.is_empty()).collect();
    let bad = matches!(
        contrast.verdict,
        Verdict::Void { .. } | Verdict::Loss | Verdict::NotBelieved
    );
    (parts.join(" "), bad)
}

fn speed(scene: &Scene<'_>, row: &Row, contrast: &Contrast) -> String {
    let interval = verdicts::interval(contrast).map_or(String::new(), |interval| {
        format!(
            " ({} interval {interval})",
            words::confidence(scene.rules())
        )
    });
    let letter = grade(row, Phase::After).unwrap_or(words::NONE);
    // That the pool grew is said only where a size, a reshape or a person says so.
    let grew = scene.next.stage != Stage::Untold;
    let change = |how: &str, size: f64| {
        let size = words::size(size);
        let copy = copy(scene, row, contrast);
        match grew {
            true => format!(
                "The grown pool reads large files {size} {how}{interval}, grade {letter}{copy}."
            ),
            false => format!(
                "Large files are read {size} {how} than before{interval}, grade {letter}{copy}. That the pool grew, \
                 nothing tells."
            ),
        }
    };
    match contrast.verdict {
        Verdict::Gain => change("faster", contrast.ratio - 1.0),
        Verdict::Loss => change("slower", 1.0 - contrast.ratio),
        Verdict::NotShown { .. } | Verdict::NotBelieved => {
            let told =
                verdicts::verdict(row, contrast, Phase::After, scene.rules(), scene.judgements);
            format!("No gain is proved. Of large reads: {told}.")
        }
        Verdict::NoProvableChange { .. } => format!(
            "No change of the rate of large reads is proved: {}{interval}, grade {letter}.",
            words::change(contrast.ratio)
        ),
        Verdict::Void { .. } => {
            let told =
                verdicts::verdict(row, contrast, Phase::After, scene.rules(), scene.judgements);
            format!("Nothing can be said of the gain. Large reads are {told}.")
        }
        Verdict::NotEnoughTrials { .. } => {
            "There are too few trials for a verdict on large reads.".to_owned()
        }
    }
}

/// `: copying 100 GB takes 4.1 min in place of 7.0 min`.
fn copy(scene: &Scene<'_>, row: &Row, contrast: &Contrast) -> String {
    let (bytes, _) = scene.audience.copied();
    let time = |phase: Phase| Some(minutes(bytes, typical(row.group(phase)?, Some(contrast))));
    time(Phase::Before)
        .zip(time(Phase::After))
        .map_or(String::new(), |(old, new)| {
            format!(": copying {} takes {new} in place of {old}", bytes.si())
        })
}

/// What else is slower by proof: nobody should have to look for it.
fn losses(scene: &Scene<'_>, told: &Row) -> String {
    let others = scene.comparison.workloads.iter();
    let others = others.filter(|row| !std::ptr::eq(*row, told));
    let of = |row: &Row| {
        let contrast = row.after_before.as_ref()?;
        let whose = match words::client_limited(row, Phase::After, scene.judgements) {
            true => ", which may be this client's",
            false => "",
        };
        (contrast.verdict == Verdict::Loss).then(|| {
            let change = words::change(contrast.ratio);
            format!("{} ({change}{whose})", plain(&row.workload))
        })
    };
    let losses: Vec<String> = others.filter_map(of).collect();
    match losses.is_empty() {
        true => String::new(),
        false => format!("A loss is proved of {}.", words::listed(&losses)),
    }
}

/// What users felt while it ran.
fn during(scene: &Scene<'_>) -> String {
    let hours = scene
        .account
        .forecasts
        .as_ref()
        .and_then(|found| found.hours);
    let lasted = hours.map_or(String::new(), |hours| {
        format!(" for {}", words::lasted(hours))
    });
    small_reads(scene).map_or(String::new(), |told| {
        format!("While it ran{lasted}, {told}.")
    })
}

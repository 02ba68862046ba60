//! The pictures of a study.

pub(super) mod account;

use hdrhistogram::Histogram;

use super::grades::Judgements;
use super::layers;
use super::shown::Shown;
use crate::chart::{
    Family, PhaseLatency, family_chart, latency_distribution, layers_chart, series_told,
    sweep_chart, trial_series,
};
use crate::compare::{Account, Comparison, Row};
use crate::judge::{Judgement, cache_size, levels};
use crate::plan::Phase;
use crate::record::histogram;
use crate::study::{Study, Trial, WindowRow};
use crate::text::plain;

/// A picture on the page and as a file.
#[derive(Clone, Debug)]
pub struct Figure {
    /// Identifier: unique on the page, and the name of its file.
    pub id: String,
    /// What it shows, for its caption.
    pub caption: String,
    /// SVG with CSS variables for colours.
    pub svg: String,
    /// What can be read off it: places across in the picture's units, and words. May be empty.
    pub points: Vec<(i32, String)>,
}

/// All pictures of a study.
#[derive(Clone, Debug)]
pub struct Figures {
    /// What users felt beside the reshape, where both were followed.
    pub cost: Option<Figure>,
    /// Progress with the forecasts made on the way, where it was followed.
    pub progress: Option<Figure>,
    /// Rates, a picture a family.
    pub rates: Vec<Figure>,
    /// The layers from a drive to the client, a picture a phase.
    pub layers: Vec<Figure>,
    /// Rereading growing working sets, where the share was swept.
    pub sweep: Option<Figure>,
    /// What was expected against what was measured, where something was expected.
    pub expected: Option<Figure>,
    /// Where the test data lies on the drives, where that is known.
    pub position: Option<Figure>,
    /// Distributions of latency, a picture a workload.
    pub latencies: Vec<Figure>,
    /// By workload, a picture a trial.
    pub series: Vec<(String, Vec<Figure>)>,
    /// What could not be drawn, a sentence each.
    pub remarks: Vec<String>,
}

impl Figures {
    /// Draws the pictures of `study` and its `comparison`, as its trials were judged. What is damaged is
    /// left out and said.
    pub fn of(
        study: &Study,
        comparison: &Comparison,
        judgements: &Judgements,
        account: &Account,
    ) -> Self {
        let mut remarks = Vec::new();
        let numbered = comparison.workloads.iter().enumerate();
        let latencies = numbered
            .filter_map(|(index, row)| latency(study, comparison, index, row, &mut remarks))
            .collect();
        Self {
            cost: account::cost(study, account),
            progress: account::progress(account),
            rates: rates(comparison),
            layers: Phase::ALL
                .into_iter()
                .flat_map(|phase| layers(study, judgements, phase))
                .collect(),
            sweep: sweep(study),
            expected: account::expected(account),
            position: account::position(study, comparison, account),
            latencies,
            series: series(study, judgements, &Shown::of(study)),
            remarks,
        }
    }

    /// All of them, in the order of the page.
    pub fn all(&self) -> impl Iterator<Item = &Figure> {
        let series = self.series.iter().flat_map(|(_, figures)| figures);
        let layers = self.layers.iter().chain(&self.sweep).chain(&self.latencies);
        let account = self.cost.iter().chain(&self.progress);
        let gained = self.expected.iter().chain(&self.position);
        account
            .chain(&self.rates)
            .chain(layers)
            .chain(gained)
            .chain(series)
    }
}

fn rates(comparison: &Comparison) -> Vec<Figure> {
    let figure = |family: Family| {
        let of_family =
            |row: &&Row| Family::of(row) == family && row.groups.iter().any(Option::is_some);
        let rows: Vec<&Row> = comparison.workloads.iter().filter(of_family).collect();
        if rows.is_empty() {
            return None;
        }
        let title = match family {
            Family::Sequential => "Rates, large blocks in order",
            Family::Random => "Rates, blocks in random order",
        };
        let id = format!("rates-{}", family.word());
        Some(Figure {
            svg: family_chart(title, family, &rows, comparison.simulated, &id),
            caption: format!("{title}, in {}.", family.unit()),
            points: Vec::new(),
            id,
        })
    };
    Family::ALL.into_iter().filter_map(figure).collect()
}

/// The layers of `phase`, by its fastest trial that holds and its fastest that is void.
fn layers(study: &Study, judgements: &Judgements, phase: Phase) -> Vec<Figure> {
    let figure = |(trial, judged): (&Trial, &Judgement)| {
        let reached = layers::reached(trial, judged)?;
        let stages = layers::stages(study, trial, judged);
        let void = if reached.void { ", void" } else { "" };
        let number = trial.trial;
        let title = format!("Layers {phase}, trial {number}{void}");
        let id = format!("layers-{phase}-trial-{number}");
        Some(Figure {
            svg: layers_chart(&title, &stages, &reached, trial.simulated, &id),
            caption: format!(
                "Fastest {phase}{void}, trial {number} ({}): {}.",
                plain(&trial.workload),
                plain(&judged.limiting.sentence())
            ),
            points: Vec::new(),
            id,
        })
    };
    layers::shown(study, judgements, phase)
        .filter_map(figure)
        .collect()
}

/// The latest sweep.
fn sweep(study: &Study) -> Option<Figure> {
    let rows = study.latest_sweep();
    let first = rows.first()?;
    let found = levels(rows);
    let ends = match cache_size(&found) {
        Some(size) => format!("memory ends below {}", size.iec()),
        None => "no memory shows up to the size of the test data".to_owned(),
    };
    let id = "sweep".to_owned();
    Some(Figure {
        svg: sweep_chart(rows, &found, first.simulated, &id),
        caption: format!(
            "Where memory ends, by rereading growing working sets (sweep {}): {ends}.",
            first.sweep
        ),
        points: Vec::new(),
        id,
    })
}

fn latency(
    study: &Study,
    comparison: &Comparison,
    index: usize,
    row: &Row,
    remarks: &mut Vec<String>,
) -> Option<Figure> {
    let mut phases = Vec::new();
    for group in row.groups.iter().flatten() {
        let mut merged = histogram(3);
        for trial in &group.trials {
            if let Err(why) = merge(study, *trial, &mut merged) {
                remarks.push(format!(
                    "Latency of trial {trial} is not in its picture: {why}."
                ));
            }
        }
        if !merged.is_empty() {
            phases.push(PhaseLatency {
                phase: group.phase,
                histogram: merged,
                grade: group.grade,
                void: group.void.is_some(),
            });
        }
    }
    if phases.is_empty() {
        return None;
    }
    let id = format!("latency-{}{}", index + 1, slug(&row.workload));
    Some(Figure {
        svg: latency_distribution(&row.workload, &phases, comparison.simulated, &id),
        caption: format!("Latency of {}.", plain(&row.workload)),
        points: Vec::new(),
        id,
    })
}

fn merge(study: &Study, trial: u64, merged: &mut Histogram<u64>) -> Result<(), String> {
    let latency = study
        .latency
        .get(trial)
        .map_err(|error| error.to_string())?;
    let latency = latency.ok_or_else(|| "the latency log does not have it".to_owned())?;
    merged
        .add(&latency)
        .map_err(|_| "it holds values out of the range of a trial".to_owned())
}

fn series(study: &Study, judgements: &Judgements, shown: &Shown) -> Vec<(String, Vec<Figure>)> {
    let mut names: Vec<&str> = Vec::new();
    for trial in &study.trials {
        if !names.contains(&trial.workload.as_str()) {
            names.push(&trial.workload);
        }
    }
    // The order of the study's workloads, others behind them.
    let known = study.config.all_workloads();
    names.sort_by_key(|name| {
        known
            .iter()
            .position(|w| w.name == *name)
            .unwrap_or(known.len())
    });
    let workload = |name: &str| {
        (
            name.to_owned(),
            workload_series(study, judgements, shown, name),
        )
    };
    names.into_iter().map(workload).collect()
}

/// The trials of a workload, by phase, on one scale.
fn workload_series<'a>(
    study: &'a Study,
    judgements: &Judgements,
    shown: &Shown,
    name: &str,
) -> Vec<Figure> {
    let of_workload = study
        .trials
        .iter()
        .enumerate()
        .filter(|(place, trial)| trial.workload == name && shown.has(*place));
    let unpacked =
        |(place, trial): (usize, &'a Trial)| (place, trial, study.windows.of(trial.trial));
    let trials: Vec<(usize, &Trial, Vec<WindowRow>)> = of_workload.map(unpacked).collect();
    let all = trials.iter().flat_map(|(_, _, windows)| windows);
    let top = all.map(|window| window.bytes() as f64).fold(0.0, f64::max);
    let figure = |(index, trial, windows): &(usize, &Trial, Vec<WindowRow>)| {
        // The place in the table keeps it unique where a number stands twice in a damaged one.
        let id = format!("series-{:04}-trial-{}", index + 1, trial.trial);
        let judged = judgements.get(&trial.trial);
        let grade = judged.map(|judged| judged.ruling.grade);
        Figure {
            svg: trial_series(trial, windows, grade, top, &id),
            caption: match series_told(windows) {
                Some(told) => format!("Trial {}, {}; {told}.", trial.trial, trial.phase),
                None => format!("Trial {}, {}.", trial.trial, trial.phase),
            },
            points: Vec::new(),
            id,
        }
    };
    let of_phase = |phase: Phase| {
        trials
            .iter()
            .filter(move |(_, trial, _)| trial.phase == phase)
    };
    Phase::ALL
        .into_iter()
        .flat_map(of_phase)
        .map(figure)
        .collect()
}

/// A name as part of an identifier or file name: `-` and its letters, digits and hyphens, if any.
fn slug(name: &str) -> String {
    let kept: String = name
        .chars()
        .filter(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || *c == '-')
        .take(40)
        .collect();
    match kept.trim_matches('-') {
        "" => String::new(),
        kept => format!("-{kept}"),
    }
}

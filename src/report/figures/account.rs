//! The pictures of the account: what it cost, how it went, what was expected, where the data lies.

use super::Figure;
use crate::chart::{
    Busy, CostLines, Expected, Lying, cost_chart, cost_points, expected_chart, position_chart,
    progress_chart, progress_points, progress_told,
};
use crate::compare::expected::{Expectation, Expectations};
use crate::compare::limits::Limited;
use crate::compare::{Account, Comparison, Row, location};
use crate::plan::{Access, Phase};
use crate::study::Study;

pub(super) fn cost(study: &Study, account: &Account) -> Option<Figure> {
    let hours = &account.cost.timeline;
    let known = hours.iter().any(|hour| hour.small_read_mean_ns.is_some())
        && !crate::report::account::brief(account);
    let small = account.cost.small.as_ref();
    let lines = CostLines {
        baseline_ns: small.and_then(|felt| Some(felt.baseline.as_ref()?.value)),
        limit_ns: account
            .limits
            .iter()
            .find(|kept| kept.what == Limited::SmallRead)
            .and_then(|kept| Some(kept.limit? * 1e6)),
        busy: busy(study),
    };
    let id = "cost".to_owned();
    known.then(|| Figure {
        svg: cost_chart(hours, lines, &account.zone, account.simulated, &id),
        caption: "What users felt, and the speed of the reshape below it, hour by hour.".to_owned(),
        points: cost_points(hours, &account.zone),
        id,
    })
}

/// When people work, as far as the person said so.
pub(in crate::report) fn busy(study: &Study) -> Option<Busy> {
    let stated = &study.config.plan.as_ref()?.assume;
    Some(Busy {
        from: stated.use_from?,
        hours: stated.use_hours?,
        weekends: stated.weekends.unwrap_or(false),
    })
}

pub(super) fn expected(account: &Account) -> Option<Figure> {
    let Expectations::Known(known) = &account.expected else {
        return None;
    };
    let row = |of: &Expectation| Expected {
        workload: of.workload.clone(),
        band: of.band,
        measured: of.measured,
        interval: of.interval,
        words: of.accord.word(),
    };
    let rows: Vec<Expected> = known.iter().map(row).collect();
    let id = "expected".to_owned();
    (!rows.is_empty()).then(|| Figure {
        svg: expected_chart(&rows, account.simulated, &id),
        caption: "What was expected of each workload, and what was measured.".to_owned(),
        points: Vec::new(),
        id,
    })
}

/// The places of sequential workloads: those alone go by the rate of a track.
pub(super) fn position(
    study: &Study,
    comparison: &Comparison,
    account: &Account,
) -> Option<Figure> {
    let sequential = comparison.workloads.iter();
    let sequential = sequential.filter(|row| row.load.access == Access::Sequential);
    let lying = |row: &Row, phase: Phase| {
        Some(Lying {
            workload: row.workload.clone(),
            phase,
            place: location::place(study, row, phase)?,
        })
    };
    let rows: Vec<Lying> = sequential
        .flat_map(|row| {
            Phase::ALL
                .into_iter()
                .filter_map(move |phase| lying(row, phase))
        })
        .collect();
    // As the gains were taken apart, else as zones are known.
    let split = account.gains.iter().find_map(|gain| gain.location);
    let (inner, stated) = match split {
        Some(split) => (split.inner, split.stated),
        None => {
            let zones = study.config.zones()?;
            (1.0 / zones.ratio, zones.stated)
        }
    };
    let id = "position".to_owned();
    (!rows.is_empty()).then(|| Figure {
        svg: position_chart(&rows, inner, stated, comparison.simulated, &id),
        caption: "Where the test data lies on the drives, phase by phase.".to_owned(),
        points: Vec::new(),
        id,
    })
}

pub(super) fn progress(account: &Account) -> Option<Figure> {
    let (reshaped, found) = (account.reshaped.as_ref()?, account.forecasts.as_ref()?);
    let id = "progress".to_owned();
    let words = "Progress of the reshape, and the finish as it would have been told on the way";
    Some(Figure {
        svg: progress_chart(reshaped, found, &account.zone, account.simulated, &id),
        caption: match progress_told(reshaped) {
            Some(told) => format!("{words}; {told}."),
            None => format!("{words}."),
        },
        points: progress_points(reshaped, found, &account.zone),
        id,
    })
}

//! A comparison as CSV, a row a workload.

use crate::compare::{Comparison, Contrast, Row};
use crate::plan::Phase;
use crate::study::tables::cell;

/// Every number of a comparison, a row a workload; an empty cell where there is none. Rates are in
/// bytes per second, latencies in nanoseconds, ratios over `before`; `p` is Welch's.
pub fn comparison_csv(comparison: &Comparison) -> String {
    let mut writer = csv::Writer::from_writer(Vec::new());
    let names: Vec<String> = columns(comparison, None)
        .into_iter()
        .map(|(name, _)| name)
        .collect();
    let rows = comparison.workloads.iter().map(|row| {
        let columns = columns(comparison, Some(row));
        columns
            .into_iter()
            .map(|(_, value)| value)
            .collect::<Vec<_>>()
    });
    for record in std::iter::once(names).chain(rows) {
        writer
            .write_record(record)
            .expect("rows are of one length and memory does not fail");
    }
    let bytes = writer.into_inner().expect("memory does not fail");
    String::from_utf8(bytes).expect("cells are text")
}

/// Names and values of a row, or names alone.
fn columns(comparison: &Comparison, row: Option<&Row>) -> Vec<(String, String)> {
    let mut columns = vec![
        (
            "workload".to_owned(),
            text(row.map(|row| cell(&row.workload))),
        ),
        (
            "signature".to_owned(),
            text(row.map(|row| cell(&row.load.signature()))),
        ),
        ("simulated".to_owned(), comparison.simulated.to_string()),
    ];
    let groups = || Phase::ALL.map(|phase| (phase.word(), row.and_then(|row| row.group(phase))));
    for (phase, group) in groups() {
        // No trials is a count, where a phase was not measured too.
        let trials = group.map_or(0, |group| group.trials.len());
        columns.push((format!("{phase}_trials"), trials.to_string()));
    }
    for (phase, group) in groups() {
        let rate = group.map(|group| group.median_rate);
        columns.push((format!("{phase}_bytes_per_s"), text(rate)));
    }
    for (phase, group) in groups() {
        let interval = group.and_then(|group| group.mean_interval);
        columns.extend([
            (
                format!("{phase}_spread"),
                text(group.and_then(|group| group.spread)),
            ),
            (
                format!("{phase}_mean_low_bytes_per_s"),
                text(interval.map(|i| i.low)),
            ),
            (
                format!("{phase}_mean_high_bytes_per_s"),
                text(interval.map(|i| i.high)),
            ),
        ]);
    }
    for (phase, group) in groups() {
        columns.extend([
            (
                format!("{phase}_p50_ns"),
                text(group.and_then(|group| group.p50_ns)),
            ),
            (
                format!("{phase}_p95_ns"),
                text(group.and_then(|group| group.p95_ns)),
            ),
            (
                format!("{phase}_p99_ns"),
                text(group.and_then(|group| group.p99_ns)),
            ),
            (
                format!("{phase}_max_ns"),
                text(group.and_then(|group| group.max_ns)),
            ),
        ]);
    }
    let during = row.and_then(|row| row.during_before.as_ref());
    let after = row.and_then(|row| row.after_before.as_ref());
    columns.extend(contrast_columns("during_before", during));
    columns.extend(contrast_columns("after_before", after));
    let verdict = after.or(during).map(|contrast| contrast.verdict.word());
    columns.push(("verdict".to_owned(), text(verdict)));
    columns
}

fn contrast_columns(name: &str, contrast: Option<&Contrast>) -> Vec<(String, String)> {
    let welch = contrast.and_then(|contrast| contrast.welch);
    let permutation = contrast.and_then(|contrast| contrast.permutation);
    let bootstrap = contrast.and_then(|contrast| contrast.bootstrap);
    let columns = [
        ("ratio", text(contrast.map(|c| c.ratio))),
        ("low", text(welch.map(|w| w.low))),
        ("high", text(welch.map(|w| w.high))),
        ("p", text(welch.map(|w| w.p))),
        (
            "hodges_lehmann",
            text(contrast.and_then(|c| c.hodges_lehmann)),
        ),
        ("permutation_p", text(permutation.map(|p| p.p))),
        ("permutation_exact", text(permutation.map(|p| p.exact))),
        ("bootstrap_low", text(bootstrap.map(|b| b.low))),
        ("bootstrap_high", text(bootstrap.map(|b| b.high))),
        (
            "smallest_provable",
            text(contrast.and_then(|c| c.smallest_provable)),
        ),
        ("verdict", text(contrast.map(|c| c.verdict.word()))),
    ];
    columns
        .map(|(column, value)| (format!("{name}_{column}"), value))
        .into()
}

fn text(value: Option<impl ToString>) -> String {
    value.map_or(String::new(), |value| value.to_string())
}

//! A comparison as CSV, a row a workload.

use super::grades::{self, Judgements};
use crate::chart::letter;
use crate::compare::expected::Expectations;
use crate::compare::{Account, Comparison, Contrast, Group, Row, Verdict};
use crate::plan::Phase;
use crate::stats::describe::median;
use crate::study::tables::cell;

/// Every number of a comparison, a row a workload; an empty cell where there is none. Rates are in
/// bytes per second, latencies in nanoseconds, ratios over `before`; `p` is that of the t test.
///
/// A void phase has no rate, latency or ratio here, so that no reader of a column takes a cache for
/// drives: its median rate stands in `PHASE_void_bytes_per_s` alone.
pub fn comparison_csv(
    comparison: &Comparison,
    judgements: &Judgements,
    account: &Account,
) -> String {
    let of = |row: Option<&Row>| columns(comparison, judgements, account, row);
    let names = of(None).into_iter().map(|(name, _)| name).collect();
    let values = |row: &Row| of(Some(row)).into_iter().map(|(_, value)| value).collect();
    csv(std::iter::once(names).chain(comparison.workloads.iter().map(values)))
}

/// Records of one length as CSV.
pub(super) fn csv(records: impl IntoIterator<Item = Vec<String>>) -> String {
    let mut writer = csv::Writer::from_writer(Vec::new());
    for record in records {
        writer
            .write_record(record)
            .expect("rows are of one length and memory does not fail");
    }
    let bytes = writer.into_inner().expect("memory does not fail");
    String::from_utf8(bytes).expect("cells are text")
}

/// Names and values of a row, or names alone; its verdict is the last.
fn columns(
    comparison: &Comparison,
    judgements: &Judgements,
    account: &Account,
    row: Option<&Row>,
) -> Vec<(String, String)> {
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
        (
            "quantity".to_owned(),
            text(row.map(|row| row.quantity.word())),
        ),
    ];
    let groups = || Phase::ALL.map(|phase| (phase.word(), row.and_then(|row| row.group(phase))));
    for (phase, group) in groups() {
        // No trials is a count, where a phase was not measured too.
        let trials = group.map_or(0, |group| group.trials.len());
        columns.push((format!("{phase}_trials"), trials.to_string()));
    }
    for (phase, group) in groups() {
        columns.extend(grade_columns(phase, group, judgements));
    }
    // From here on, figures of the drives only.
    let groups =
        || groups().map(|(phase, group)| (phase, group.filter(|group| group.void.is_none())));
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
    columns.extend(account_columns(account, row));
    let verdict = after.or(during).map(|contrast| contrast.verdict.word());
    columns.push(("verdict".to_owned(), text(verdict)));
    columns
}

/// What the account says of a workload.
fn account_columns(account: &Account, row: Option<&Row>) -> Vec<(String, String)> {
    let of_row = |name: &str| row.is_some_and(|row| row.workload == name);
    let during = account.cost.trials.iter();
    let during = during.clone().find(|of| of_row(&of.workload));
    let speeds: Vec<f64> = during
        .map_or(&[][..], |of| &of.pairs)
        .iter()
        .filter_map(|pair| pair.reshape_fraction_per_h)
        .collect();
    let gain = account.gains.iter().find(|of| of_row(&of.workload));
    let rest = gain.and_then(|gain| gain.rest_noise);
    let expected = match &account.expected {
        Expectations::Known(known) => known.iter().find(|of| of_row(&of.workload)),
        Expectations::Unknown(_) => None,
    };
    let reasons = expected.map(|of| {
        let words = of.reasons.iter().map(|reason| reason.word);
        words.collect::<Vec<_>>().join(" ")
    });
    let columns = [
        ("during_reshape_fraction_per_h", text(median(&speeds))),
        (
            "after_before_location",
            text(gain.and_then(|gain| Some(gain.location?.location))),
        ),
        ("after_before_rest", text(gain.map(|gain| gain.rest))),
        ("after_before_rest_low", text(rest.map(|rest| rest.low))),
        ("after_before_rest_high", text(rest.map(|rest| rest.high))),
        ("expected_low", text(expected.map(|of| of.band.low))),
        ("expected_high", text(expected.map(|of| of.band.high))),
        ("expected_accord", text(expected.map(|of| of.accord.word()))),
        ("expected_reasons", text(reasons)),
    ];
    columns.map(|(name, value)| (name.to_owned(), value)).into()
}

/// How far a phase may be trusted.
fn grade_columns(
    phase: &str,
    group: Option<&Group>,
    judgements: &Judgements,
) -> [(String, String); 5] {
    let void = group.and_then(|group| group.void);
    let limiting =
        group.and_then(|group| Some(grades::limiting(judgements, &group.trials, &group.values)?.1));
    // The worst of the trials, as the grade is.
    let cached = group.and_then(|group| match group.void {
        Some(void) => void.cached,
        None => grades::worst(judgements, &group.trials)?
            .ruling
            .cached
            .map(|cached| cached.figure()),
    });
    let void_rate = group
        .filter(|_| void.is_some())
        .map(|group| group.median_rate);
    [
        ("grade", text(group.map(|group| letter(group.grade)))),
        ("void", text(group.map(|group| group.void.is_some()))),
        ("cached_share", text(cached)),
        (
            "limit",
            text(limiting.map(|limiting| limiting.limit.word())),
        ),
        ("void_bytes_per_s", text(void_rate)),
    ]
    .map(|(column, value)| (format!("{phase}_{column}"), value))
}

fn contrast_columns(name: &str, contrast: Option<&Contrast>) -> Vec<(String, String)> {
    let verdict = contrast.map(|contrast| contrast.verdict.word());
    let contrast = contrast.filter(|contrast| !matches!(contrast.verdict, Verdict::Void { .. }));
    let welch = contrast.and_then(|contrast| contrast.welch);
    let permutation = contrast.and_then(|contrast| contrast.permutation);
    let bootstrap = contrast.and_then(|contrast| contrast.bootstrap);
    let columns = [
        (
            "between_sittings",
            text(contrast.map(|c| c.between_sittings.word())),
        ),
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
        ("verdict", text(verdict)),
    ];
    columns
        .map(|(column, value)| (format!("{name}_{column}"), value))
        .into()
}

/// The value, an empty cell without one.
pub(super) fn text(value: Option<impl ToString>) -> String {
    value.map_or(String::new(), |value| value.to_string())
}

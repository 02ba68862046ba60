//! A comparison as JSON, with the rules and methods that made it.

use serde::Serialize;

use crate::compare::{Comparison, Contrast, Group, Row, Verdict};
use crate::plan::Phase;
use crate::stats::interval::Interval;
use crate::stats::quantile::Definition;

#[derive(Serialize)]
struct Document<'a> {
    study: &'a str,
    simulated: bool,
    rules: RulesJson,
    methods: Methods,
    workloads: Vec<RowJson<'a>>,
    excluded: Vec<ExcludedJson<'a>>,
}

#[derive(Serialize)]
struct RulesJson {
    confidence: f64,
    threshold: f64,
    least_trials: usize,
    power: f64,
}

#[derive(Serialize)]
struct Methods {
    unit: &'static str,
    ratio: &'static str,
    interval: &'static str,
    hodges_lehmann: &'static str,
    permutation: &'static str,
    bootstrap: &'static str,
    latency_quantiles: &'static str,
    bootstrap_quantiles: &'static str,
}

const METHODS: Methods = Methods {
    unit: "one trial",
    ratio: "ratio of the geometric means of the trials' rates",
    interval: "Welch's t interval of the difference of log rates, raised back",
    hodges_lehmann: "median of all pairwise differences of log rates, raised back",
    permutation: "two-sided permutation test of the difference of mean log rates",
    bootstrap: "percentile bootstrap of the ratio of medians",
    latency_quantiles: "HdrHistogram value at quantile, per trial; then the median over the trials",
    bootstrap_quantiles: "",
};

#[derive(Serialize)]
struct RowJson<'a> {
    workload: &'a str,
    signature: String,
    before: Option<GroupJson<'a>>,
    during: Option<GroupJson<'a>>,
    after: Option<GroupJson<'a>>,
    during_before: Option<ContrastJson>,
    after_before: Option<ContrastJson>,
    verdict: Option<&'static str>,
}

#[derive(Serialize)]
struct GroupJson<'a> {
    trials: &'a [u64],
    sittings: usize,
    rates_bytes_per_s: &'a [f64],
    median_bytes_per_s: f64,
    mean_interval_bytes_per_s: Option<IntervalJson>,
    spread: Option<f64>,
    block_bytes: u64,
    p50_ns: Option<f64>,
    p95_ns: Option<f64>,
    p99_ns: Option<f64>,
    max_ns: Option<u64>,
    unsteady_trials: usize,
    cacheable_fraction: f64,
    revisiting_trials: usize,
    late_or_missed_operations: u64,
}

#[derive(Serialize)]
struct IntervalJson {
    low: f64,
    high: f64,
    confidence: f64,
}

#[derive(Serialize)]
struct ContrastJson {
    verdict: &'static str,
    #[serde(skip_serializing_if = "Option::is_none")]
    trials_that_would_prove: Option<usize>,
    #[serde(skip_serializing_if = "Option::is_none")]
    missing_trials: Option<Missing>,
    ratio: f64,
    welch: Option<Welch>,
    hodges_lehmann: Option<f64>,
    permutation: Option<PermutationJson>,
    bootstrap: Option<IntervalJson>,
    smallest_provable: Option<f64>,
}

#[derive(Serialize)]
struct Missing {
    before: usize,
    other: usize,
}

#[derive(Serialize)]
struct Welch {
    low: f64,
    high: f64,
    p: f64,
    degrees_of_freedom: f64,
    standard_error_log: f64,
}

#[derive(Serialize)]
struct PermutationJson {
    p: f64,
    exact: bool,
    count: u64,
    total: u64,
}

#[derive(Serialize)]
struct ExcludedJson<'a> {
    trial: u64,
    why: &'a str,
}

/// Every number of a comparison, nested, indented, keys in a fixed order; `null` where there is no
/// number. Units stand in the names.
pub fn comparison_json(comparison: &Comparison) -> String {
    let rules = comparison.rules;
    let document = Document {
        study: &comparison.study,
        simulated: comparison.simulated,
        rules: RulesJson {
            confidence: rules.confidence,
            threshold: rules.threshold,
            least_trials: rules.least_trials,
            power: rules.power,
        },
        methods: Methods {
            bootstrap_quantiles: Definition::Linear.name(),
            ..METHODS
        },
        workloads: comparison.workloads.iter().map(row).collect(),
        excluded: comparison
            .excluded
            .iter()
            .map(|left_out| ExcludedJson {
                trial: left_out.trial,
                why: &left_out.why,
            })
            .collect(),
    };
    serde_json::to_string_pretty(&document).expect("a comparison is plain data") + "\n"
}

fn row(row: &Row) -> RowJson<'_> {
    let contrasts = row.after_before.as_ref().or(row.during_before.as_ref());
    RowJson {
        workload: &row.workload,
        signature: row.load.signature(),
        before: row.group(Phase::Before).map(group),
        during: row.group(Phase::During).map(group),
        after: row.group(Phase::After).map(group),
        during_before: row.during_before.as_ref().map(contrast),
        after_before: row.after_before.as_ref().map(contrast),
        verdict: contrasts.map(|contrast| contrast.verdict.word()),
    }
}

fn group(group: &Group) -> GroupJson<'_> {
    GroupJson {
        trials: &group.trials,
        sittings: group.sittings,
        rates_bytes_per_s: &group.rates,
        median_bytes_per_s: group.median_rate,
        mean_interval_bytes_per_s: group.mean_interval.map(interval),
        spread: group.spread,
        block_bytes: group.block_bytes,
        p50_ns: group.p50_ns,
        p95_ns: group.p95_ns,
        p99_ns: group.p99_ns,
        max_ns: group.max_ns,
        unsteady_trials: group.unsteady,
        cacheable_fraction: group.cacheable,
        revisiting_trials: group.revisited,
        late_or_missed_operations: group.late_or_missed,
    }
}

fn contrast(contrast: &Contrast) -> ContrastJson {
    let (trials_that_would_prove, missing_trials) = match contrast.verdict {
        Verdict::NoProvableChange { trials } => (trials, None),
        Verdict::NotEnoughTrials { before, other } => (None, Some(Missing { before, other })),
        Verdict::Gain | Verdict::Loss | Verdict::Void { .. } => (None, None),
    };
    ContrastJson {
        verdict: contrast.verdict.word(),
        trials_that_would_prove,
        missing_trials,
        ratio: contrast.ratio,
        welch: contrast.welch.map(|welch| Welch {
            low: welch.low,
            high: welch.high,
            p: welch.p,
            degrees_of_freedom: welch.degrees_of_freedom,
            standard_error_log: welch.standard_error_log,
        }),
        hodges_lehmann: contrast.hodges_lehmann,
        permutation: contrast.permutation.map(|test| PermutationJson {
            p: test.p,
            exact: test.exact,
            count: test.count,
            total: test.total,
        }),
        bootstrap: contrast.bootstrap.map(interval),
        smallest_provable: contrast.smallest_provable,
    }
}

fn interval(interval: Interval) -> IntervalJson {
    IntervalJson {
        low: interval.low,
        high: interval.high,
        confidence: interval.confidence,
    }
}

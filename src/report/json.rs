//! A comparison as JSON, with the rules and methods that made it.

use serde::Serialize;

use super::grades::{self, Judgements};
use crate::compare::{Account, Comparison, Contrast, Group, Row, Verdict};
use crate::integrity::{data_pass, read_back};
use crate::judge::{Grade, Limiting};
use crate::plan::Phase;
use crate::stats::interval::Interval;
use crate::stats::quantile::Definition;
use crate::study::Study;
use crate::text::escaped;

#[derive(Serialize)]
struct Document<'a> {
    study: &'a str,
    simulated: bool,
    rules: RulesJson,
    methods: Methods,
    workloads: Vec<RowJson<'a>>,
    /// What it cost while it ran, and what it gave.
    account: &'a Account,
    excluded: Vec<ExcludedJson<'a>>,
    /// What the latest pass of `verify` has read back; left out where there was none.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    read_back: Vec<ReadBackJson>,
}

#[derive(Serialize)]
struct ReadBackJson {
    pass: u64,
    laid_down: &'static str,
    read_back: &'static str,
    bytes: u64,
    blocks: u64,
    differing: u64,
    unreadable: u64,
    missing: u64,
    complete: bool,
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
    unit: "one sitting where between_sittings is included, else one trial",
    ratio: "ratio of the geometric means of the units' rates, or of their mean latencies",
    interval: "t interval of the difference of mean logs, raised back: Welch's, or Student's where a phase has fewer than three sittings, with one no narrower than Welch's of the trials",
    hodges_lehmann: "median of all pairwise differences of logs, raised back",
    permutation: "two-sided permutation test of the difference of mean logs",
    bootstrap: "percentile bootstrap of the ratio of medians",
    latency_quantiles: "HdrHistogram value at quantile, per trial; then the median over the trials",
    bootstrap_quantiles: "",
};

#[derive(Serialize)]
struct RowJson<'a> {
    workload: &'a str,
    signature: String,
    /// What is compared.
    quantity: &'static str,
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
    grade: Option<&'static str>,
    cached_share: Option<f64>,
    limit: Option<&'static str>,
    limit_sentence: Option<String>,
    block_bytes: u64,
    /// Null where the phase is void; its figures stand under `void` then.
    drives: Option<FiguresJson<'a>>,
    void: Option<VoidJson<'a>>,
    unsteady_trials: usize,
    cacheable_fraction: f64,
    revisiting_trials: usize,
    late_or_missed_operations: u64,
}

/// What was measured of a phase.
#[derive(Serialize)]
struct FiguresJson<'a> {
    rates_bytes_per_s: &'a [f64],
    median_bytes_per_s: f64,
    mean_interval_bytes_per_s: Option<IntervalJson>,
    spread: Option<f64>,
    p50_ns: Option<f64>,
    p95_ns: Option<f64>,
    p99_ns: Option<f64>,
    max_ns: Option<u64>,
}

/// A phase that is not the drives' speed.
#[derive(Serialize)]
struct VoidJson<'a> {
    why: String,
    figures_of_a_cache: FiguresJson<'a>,
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
    /// Whether differences between sittings are in the intervals.
    between_sittings: &'static str,
    #[serde(skip_serializing_if = "Option::is_none")]
    sittings_that_would_prove: Option<usize>,
    #[serde(skip_serializing_if = "Option::is_none")]
    trials_that_would_prove: Option<usize>,
    #[serde(skip_serializing_if = "Option::is_none")]
    missing_trials: Option<Missing>,
    /// Null, as all below, where the verdict is void.
    ratio: Option<f64>,
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
/// number. Units stand in the names. The figures of a void phase stand apart from those of drives,
/// and its contrast has none.
pub fn comparison_json(
    study: &Study,
    comparison: &Comparison,
    judgements: &Judgements,
    account: &Account,
) -> String {
    let read_back = data_pass(study).map_or(Vec::new(), |pass| read_back(study, pass.number));
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
        workloads: comparison
            .workloads
            .iter()
            .map(|each| row(each, judgements))
            .collect(),
        account,
        excluded: comparison
            .excluded
            .iter()
            .map(|left_out| ExcludedJson {
                trial: left_out.trial,
                why: &left_out.why,
            })
            .collect(),
        read_back: read_back
            .iter()
            .map(|back| ReadBackJson {
                pass: back.pass,
                laid_down: back.laid.word(),
                read_back: back.read.word(),
                bytes: back.bytes.0,
                blocks: back.blocks,
                differing: back.differing,
                unreadable: back.unreadable,
                missing: back.missing,
                complete: back.complete,
            })
            .collect(),
    };
    json(&document)
}

/// Plain data as JSON in lines, without anything that a terminal would obey.
pub(super) fn json(value: &impl Serialize) -> String {
    let text = serde_json::to_string_pretty(value).expect("what is told is plain data");
    escaped(&text) + "\n"
}

fn row<'a>(row: &'a Row, judgements: &'a Judgements) -> RowJson<'a> {
    let group = |phase: Phase| row.group(phase).map(|of| group(of, judgements));
    let contrasts = row.after_before.as_ref().or(row.during_before.as_ref());
    RowJson {
        workload: &row.workload,
        signature: row.load.signature(),
        quantity: row.quantity.word(),
        before: group(Phase::Before),
        during: group(Phase::During),
        after: group(Phase::After),
        during_before: row.during_before.as_ref().map(contrast),
        after_before: row.after_before.as_ref().map(contrast),
        verdict: contrasts.map(|contrast| contrast.verdict.word()),
    }
}

fn group<'a>(group: &'a Group, judgements: &'a Judgements) -> GroupJson<'a> {
    let limiting =
        grades::limiting(judgements, &group.trials, &group.values).map(|(_, limiting)| limiting);
    let worst = grades::worst(judgements, &group.trials);
    let cached = match group.void {
        Some(void) => void.cached,
        None => worst.and_then(|judged| Some(judged.ruling.cached?.figure())),
    };
    GroupJson {
        trials: &group.trials,
        sittings: group.sittings,
        grade: group.grade.map(Grade::letter),
        cached_share: cached,
        limit: limiting.map(|limiting| limiting.limit.word()),
        limit_sentence: limiting.map(Limiting::sentence),
        block_bytes: group.block_bytes,
        drives: group.void.is_none().then(|| figures(group)),
        void: group.void.is_some().then(|| VoidJson {
            why: grades::why_void(judgements, group),
            figures_of_a_cache: figures(group),
        }),
        unsteady_trials: group.unsteady,
        cacheable_fraction: group.cacheable,
        revisiting_trials: group.revisited,
        late_or_missed_operations: group.late_or_missed,
    }
}

fn figures(group: &Group) -> FiguresJson<'_> {
    FiguresJson {
        rates_bytes_per_s: &group.rates,
        median_bytes_per_s: group.median_rate,
        mean_interval_bytes_per_s: group.mean_interval.map(interval),
        spread: group.spread,
        p50_ns: group.p50_ns,
        p95_ns: group.p95_ns,
        p99_ns: group.p99_ns,
        max_ns: group.max_ns,
    }
}

fn contrast(contrast: &Contrast) -> ContrastJson {
    let (trials_that_would_prove, missing_trials) = match contrast.verdict {
        Verdict::NoProvableChange { trials } => (trials, None),
        Verdict::NotEnoughTrials { before, other } => (None, Some(Missing { before, other })),
        Verdict::Gain
        | Verdict::Loss
        | Verdict::Void { .. }
        | Verdict::NotShown { .. }
        | Verdict::NotBelieved => (None, None),
    };
    // Figures of drives against a cache are none.
    let figures = (!matches!(contrast.verdict, Verdict::Void { .. })).then_some(contrast);
    ContrastJson {
        verdict: contrast.verdict.word(),
        between_sittings: contrast.between_sittings.word(),
        sittings_that_would_prove: contrast.sittings_needed,
        trials_that_would_prove,
        missing_trials,
        ratio: figures.map(|figures| figures.ratio),
        welch: figures
            .and_then(|figures| figures.welch)
            .map(|welch| Welch {
                low: welch.low,
                high: welch.high,
                p: welch.p,
                degrees_of_freedom: welch.degrees_of_freedom,
                standard_error_log: welch.standard_error_log,
            }),
        hodges_lehmann: figures.and_then(|figures| figures.hodges_lehmann),
        permutation: figures
            .and_then(|figures| figures.permutation)
            .map(|test| PermutationJson {
                p: test.p,
                exact: test.exact,
                count: test.count,
                total: test.total,
            }),
        bootstrap: figures.and_then(|figures| figures.bootstrap).map(interval),
        smallest_provable: figures.and_then(|figures| figures.smallest_provable),
    }
}

fn interval(interval: Interval) -> IntervalJson {
    IntervalJson {
        low: interval.low,
        high: interval.high,
        confidence: interval.confidence,
    }
}

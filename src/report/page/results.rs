//! The part that everybody reads: verdicts, rates, latency, and what to know before trusting them.

use maud::{Markup, html};

use super::real::grade;
use super::{Context, marked, sentence_case, statistics, unbroken};
use crate::chart::{Family, letter, void};
use crate::compare::{Contrast, Group, Row, Verdict};
use crate::plan::Phase;
use crate::report::verdict;
use crate::report::words::{self, NONE};
use crate::text::plain;

/// A sentence a workload.
pub(super) fn verdicts(context: &Context<'_>) -> Markup {
    let comparison = context.comparison;
    if comparison.workloads.is_empty() {
        return html! {};
    }
    html! {
        ul.verdicts { @for row in &comparison.workloads { (verdict(context, row)) } }
    }
}

fn verdict(context: &Context<'_>, row: &Row) -> Markup {
    let rules = &context.comparison.rules;
    let sentence = |contrast: &Contrast, phase: Phase| {
        let judgements = context.judgements;
        verdict::verdict(row, contrast, phase, rules, judgements)
    };
    let medians: Vec<String> = row
        .groups
        .iter()
        .flatten()
        .map(|group| {
            let rate = unbroken(&words::graded_rate(row, group));
            format!("{} {rate}", group.phase)
        })
        .collect();
    // The expansion's outcome is the headline; until it is known, what it costs is.
    let (headline, beside) = match (&row.after_before, &row.during_before) {
        (Some(after), during) => (Some((after, Phase::After)), during.as_ref()),
        (None, Some(during)) => (Some((during, Phase::During)), None),
        (None, None) => (None, None),
    };
    let void = headline.is_some_and(|(contrast, _)| is_void(contrast));
    let letters = row.groups.iter().flatten().map(|group| {
        html! { " · " (group.phase) " " (grade(group.void.is_some(), letter(group.grade))) }
    });
    html! {
        li.void[void] {
            p.name {
                (context.banner()) bdi { (plain(&row.workload)) }
                @for each in letters { (each) }
            }
            @if let Some((contrast, phase)) = headline {
                p.verdict {
                    (sign(contrast)) " " (marked(&sentence_case(&sentence(contrast, phase))))
                    @if phase == Phase::During { ", while the array reshaped" }
                    "."
                }
            }
            @if let Some(during) = beside {
                p.small { "While the array reshaped: " (marked(&sentence(during, Phase::During))) "." }
            }
            @if !medians.is_empty() { p.small {
                    "Median rate and grade" @if headline.is_some() { " (the change is that of geometric means)" } ": "
                    (medians.join("; ")) "."
                } }
        }
    }
}

/// Whether nothing can be said of a change.
pub(super) fn is_void(contrast: &Contrast) -> bool {
    matches!(contrast.verdict, Verdict::Void { .. })
}

/// A sign that says the verdict's kind without colour.
fn sign(contrast: &Contrast) -> Markup {
    let (sign, class) = match contrast.verdict {
        Verdict::Gain => ("▲", "sign gain"),
        Verdict::Loss => ("▼", "sign loss"),
        Verdict::NoProvableChange { .. } => ("=", "sign"),
        Verdict::Void { .. } => ("✕", "sign void"),
        Verdict::NotShown { .. } | Verdict::NotBelieved => ("?", "sign void"),
        Verdict::NotEnoughTrials { .. } => ("?", "sign"),
    };
    html! { span class=(class) aria-hidden="true" { (sign) } }
}

/// Table and pictures of rates.
pub(super) fn rates(context: &Context<'_>) -> Markup {
    let comparison = context.comparison;
    if comparison.workloads.is_empty() {
        return html! {};
    }
    let confidence = words::confidence(&comparison.rules);
    html! {
        div.scroll tabindex="0" {
            table {
                (context.caption("Median rate, grade, spread and trials by phase; ratios to before."))
                thead {
                    tr {
                        th scope="col" { "Workload" }
                        @for phase in Phase::ALL { th scope="col" { (sentence_case(phase.word())) } }
                        th scope="col" { "During ÷ before" br; small { (confidence) " interval" } }
                        th scope="col" { "After ÷ before" br; small { (confidence) " interval" } }
                    }
                }
                tbody { @for row in &comparison.workloads { (rate_row(row)) } }
            }
        }
        p.note {
            "Spread is the standard deviation of the trials over their mean. Ratios are of \
             geometric means."
        }
        div.figures.wide {
            @for figure in &context.figures.rates {
                (context.wide(figure, "The mark is the median, the bar the interval of the mean; rings below are \
                    single trials; the letter is the grade. A hatched lane is void and has no rate."))
            }
        }
        @if comparison.workloads.iter().any(statistics::any) {
            details {
                summary { (context.banner()) "Further statistics of each ratio" }
                div.scroll tabindex="0" { (statistics::table(context)) }
            }
        }
    }
}

fn rate_row(row: &Row) -> Markup {
    let family = Family::of(row);
    let ratio = |contrast: Option<&Contrast>| {
        html! {
            td {
                @if let Some(contrast) = contrast.filter(|contrast| is_void(contrast)) {
                    strong.tag { (contrast.verdict.word()) } br;
                    small { "no ratio" }
                } @else if let Some(contrast) = contrast {
                    strong { (format!("{:.3}", contrast.ratio)) } br;
                    small {
                        @if let Some(welch) = contrast.welch { (format!("{:.3} to {:.3}", welch.low, welch.high)) }
                        @else { "no interval" }
                    }
                } @else { (NONE) }
            }
        }
    };
    html! {
        tr {
            th scope="row" { bdi { (plain(&row.workload)) } br; small { bdi { (plain(&row.load.signature())) } } }
            @for phase in Phase::ALL {
                td {
                    @if let Some(group) = row.group(phase) {
                        @if let Some(words) = void(group) {
                            (grade(true, letter(group.grade))) br;
                            small {
                                (unbroken(&words)) br;
                                (words::count(group.trials.len(), "trial")) br;
                                "nos. " (words::numbers(&group.trials))
                            }
                        } @else {
                            (words::rate(family, group.median_rate, group.block_bytes)) " "
                            (grade(false, letter(group.grade))) br;
                            small {
                                (words::spread(group.spread)) " · " (words::count(group.trials.len(), "trial")) br;
                                "nos. " (words::numbers(&group.trials))
                            }
                        }
                    } @else { (NONE) }
                }
            }
            (ratio(row.during_before.as_ref()))
            (ratio(row.after_before.as_ref()))
        }
    }
}

/// Table and pictures of latency.
pub(super) fn latencies(context: &Context<'_>) -> Markup {
    let comparison = context.comparison;
    if comparison.workloads.is_empty() {
        return html! {};
    }
    let percentiles = |group: &Group| [group.p50_ns, group.p95_ns, group.p99_ns];
    let mut groups = comparison
        .workloads
        .iter()
        .flat_map(|row| row.groups.iter().flatten());
    let dashes = groups.any(|group| group.void.is_none() && percentiles(group).contains(&None));
    html! {
        div.scroll tabindex="0" {
            table.second {
                (context.caption("Median over the trials of each percentile, and the worst operation of all."))
                thead { tr {
                    @for head in ["Workload", "Phase and grade", "Median", "95th", "99th", "Worst", "Trials"]
                    { th scope="col" { (head) } }
                } }
                tbody {
                    @for row in &comparison.workloads {
                        @for (index, group) in row.groups.iter().flatten().enumerate() {
                            tr.first[index == 0] {
                                @if index == 0 {
                                    th scope="rowgroup" rowspan=(row.groups.iter().flatten().count()) {
                                        bdi { (plain(&row.workload)) }
                                    }
                                }
                                td.word { (group.phase) " " (grade(group.void.is_some(), letter(group.grade))) }
                                @if group.void.is_some() {
                                    @for _ in 0..4 { td { "void" } }
                                } @else {
                                    @for ns in percentiles(group) { td { (words::latency(ns)) } }
                                    td { (words::latency(group.max_ns.map(|ns| ns as f64))) }
                                }
                                td { (words::numbers(&group.trials)) }
                            }
                        }
                    }
                }
            }
        }
        @if dashes { p.note { (words::FEW_OPERATIONS) } }
        div.figures {
            @for figure in &context.figures.latencies {
                (context.figure(figure, "All trials of a phase merged; a line ends where fewer than ten \
                    operations lie beyond it. A faint trace with hollow marks is void."))
            }
        }
    }
}

/// Remarks, and trials that take no part.
pub(super) fn caveats(context: &Context<'_>) -> Markup {
    let comparison = context.comparison;
    let remarks = words::cautions(comparison, context.judgements);
    let excluded = words::excluded(comparison);
    let damage: Vec<String> = context
        .study
        .remarks
        .iter()
        .chain(&context.figures.remarks)
        .map(|remark| plain(remark))
        .collect();
    let list = |title: &str, sentences: &[String]| {
        html! {
            @if !sentences.is_empty() {
                (context.subheading(title))
                ul { @for sentence in sentences { li { bdi { (marked(sentence)) } } } }
            }
        }
    };
    html! {
        (list("What limits", &words::limits(context.comparison, context.judgements)))
        (list("Signs that speak against a number", &remarks))
        (list("Trials left out", &excluded))
        (list("Damage found in the study’s files", &damage))
        @if remarks.is_empty() && excluded.is_empty() && damage.is_empty() {
            p { "No trial was left out, and no sign against a number was found." }
        }
    }
}

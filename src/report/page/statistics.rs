//! The further statistics of each ratio, for those who want to check.

use maud::{Markup, html};

use super::Context;
use super::results::is_void;
use crate::compare::{Contrast, Row};
use crate::plan::Phase;
use crate::report::words::NONE;
use crate::text::plain;

/// Whether a ratio of the row is one of drives.
pub(super) fn any(row: &Row) -> bool {
    let contrasts = [&row.during_before, &row.after_before];
    contrasts
        .into_iter()
        .flatten()
        .any(|contrast| !is_void(contrast))
}

/// Every ratio of drives with its tests and intervals.
pub(super) fn table(context: &Context<'_>) -> Markup {
    let ratio = |value: Option<f64>| value.map_or(NONE.to_owned(), |ratio| format!("{ratio:.3}"));
    let p = |value: f64| match value {
        p if p < 0.0001 => "< 0.0001".to_owned(),
        p => format!("{p:.4}"),
    };
    let row = |row: &Row, phase: Phase, contrast: &Contrast| {
        html! {
            tr {
                th scope="row" { bdi { (plain(&row.workload)) } }
                td.word { (phase) " ÷ before" }
                td { (contrast.welch.map_or(NONE.to_owned(), |welch| p(welch.p))) }
                td { (contrast.welch.map_or(NONE.to_owned(), |welch| format!("{:.1}", welch.degrees_of_freedom))) }
                td { (ratio(contrast.hodges_lehmann)) }
                td {
                    @if let Some(test) = contrast.permutation {
                        (p(test.p)) br;
                        small { (test.count) " of " (test.total) @if test.exact { ", exact" } @else { ", drawn" } }
                    } @else { (NONE) }
                }
                td {
                    @if let Some(interval) = contrast.bootstrap {
                        (format!("{:.3} to {:.3}", interval.low, interval.high))
                    } @else { (NONE) }
                }
                td { (ratio(contrast.smallest_provable)) }
            }
        }
    };
    html! {
        table.second {
            (context.caption("A t test on logs, and three methods that need no normal distribution."))
            thead { tr {
                @for head in ["Workload", "Ratio", "p of the t test", "Degrees of freedom", "Hodges-Lehmann ratio",
                    "Permutation p", "Bootstrap, ratio of medians", "Smallest provable factor"]
                { th scope="col" { (head) } }
            } }
            tbody {
                @for each in &context.comparison.workloads {
                    @if let Some(contrast) = each.during_before.as_ref().filter(|of| !is_void(of)) { (row(each, Phase::During, contrast)) }
                    @if let Some(contrast) = each.after_before.as_ref().filter(|of| !is_void(of)) { (row(each, Phase::After, contrast)) }
                }
            }
        }
    }
}

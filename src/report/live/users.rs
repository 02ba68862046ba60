//! What users feel now, beside what they had before and the limit.

use maud::{Markup, PreEscaped, html};

use super::super::figures::account::busy;
use super::super::page::unbroken;
use super::super::words::{count, latency};
use super::Live;
use super::main::{banner, heading};
use crate::chart::{CostLines, cost_chart};
use crate::compare::Reshaped;
use crate::compare::cost::Pace;
use crate::compare::now::{self, Before, FeltNow};
use crate::units::{Rate, percent};

pub(super) fn users(live: &Live<'_>, reshaped: Option<&Reshaped>) -> Markup {
    let felt = live.felt();
    let before = live.before.beside(live.study, reshaped);
    let lines = CostLines {
        baseline_ns: before.small.as_ref().map(|small| small.value),
        limit_ns: super::small_limit_ns(live),
        busy: busy(live.study),
    };
    let hours = now::hours(live.study, reshaped, live.zone);
    let known = hours.iter().any(|hour| hour.small_read_mean_ns.is_some());
    html! {
        (heading(live, match reshaped {
            Some(_) => "What it costs users now",
            None => "What users have before it begins",
        }))
        @if felt.probes + felt.failed == 0 {
            p { "Not known: the share was not probed in the last hour." }
        } @else {
            ul {
                @if let Some(ns) = felt.small_ns { li { (unbroken(&small(reshaped.map(|_| &before), &felt, ns, lines))) } }
                @if let Some(rate) = felt.large_bytes_per_s { li { (unbroken(&large(live, reshaped.map(|_| &before), rate))) } }
                @if felt.failed > 0 { li {
                    strong { (count(felt.failed, "probe")) " of the last hour failed." }
                } }
            }
        }
        @if let Some(cost) = &live.probing {
            p.note { "What probing itself costs: " (unbroken(&super::super::cost_sentence(cost))) "." }
        }
        @if known {
            div.figures.wide { figure {
                div.scroll tabindex="0" {
                    (PreEscaped(cost_chart(&hours, lines, live.zone, live.simulated(), "live-cost")))
                }
                figcaption { (banner(live)) "What users felt, and the speed of the reshape below it, hour by hour." }
            } }
        }
    }
}

/// What small reads take, and where the reshape has begun how that stands `before` it.
fn small(before: Option<&Before>, felt: &FeltNow, ns: f64, lines: CostLines) -> String {
    let hour = match before {
        Some(_) => "In the last hour of the reshape",
        None => "In the last hour",
    };
    let before = before.and_then(|before| before.small.as_ref()).map_or(String::new(), |before| {
        let (times, value) = (ns / before.value, latency(Some(before.value)));
        match (before.bounds_only(), before.pace) {
            _ if felt.few() => {
                format!(", {value} before; so few probes do not tell how much longer that is")
            }
            (true, _) => format!(
                ", at most {times:.1} times the {value} before the expansion, when reads followed one another at once"
            ),
            (false, Pace::AtOnce) => format!(
                ", {times:.1} times the {value} before the expansion, when reads followed one another at once"
            ),
            (false, _) => format!(", {times:.1} times the {value} of probes before it began"),
        }
    });
    let limit = lines.limit_ns.map_or(String::new(), |limit| {
        let side = if ns > limit { "over" } else { "within" };
        format!("; {side} your limit of {}", latency(Some(limit)))
    });
    let worst = latency(felt.worst_ns.map(|ns| ns as f64));
    let reads = count(felt.reads as usize, "read");
    format!(
        "{hour} a small read took {} on average{before}{limit} (worst {worst}; {reads}).",
        latency(Some(ns))
    )
}

fn large(live: &Live<'_>, before: Option<&Before>, rate: f64) -> String {
    let before = before
        .and_then(|before| before.large.as_ref())
        .map_or(String::new(), |before| {
            let part = percent(rate / before.value, 0);
            format!(
                ", {part} of the {} before the expansion",
                Rate(before.value)
            )
        });
    let limit = live
        .study
        .config
        .limits
        .and_then(|limits| limits.copy_mb_per_s);
    let limit = limit.map_or(String::new(), |limit| {
        let side = if rate < limit * 1e6 { "under" } else { "above" };
        format!("; {side} your limit of {}", Rate(limit * 1e6))
    });
    format!("Large reads of one user got {}{before}{limit}.", Rate(rate))
}

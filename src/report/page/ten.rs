//! The answer: the verdict in a sentence, then the ten lines.

use maud::{Markup, html};

use super::{Context, marked, unbroken};
use crate::report::ten::{Line, Ten};

/// The section that everybody reads.
pub(super) fn ten(context: &Context<'_>) -> Markup {
    let ten: &Ten = context.ten;
    html! {
        section #answer {
            (context.heading("The expansion in ten lines"))
            p.lead.bad[ten.alarming] {
                @if ten.alarming { strong.tag { "look here" } " " }
                bdi { (marked(&ten.verdict)) }
            }
            @if let Some(next) = ten.lacking.as_ref().filter(|next| **next != ten.verdict) {
                p.next { (marked(next)) }
            }
            ol.ten { @for line in &ten.lines { (self::line(context, line)) } }
        }
    }
}

fn line(context: &Context<'_>, line: &Line) -> Markup {
    html! {
        li class=(line.standing.class()) {
            h3 { (context.banner()) (line.title) }
            div.said {
                p.number {
                    span aria-hidden="true" { (line.standing.sign()) } " "
                    @if let Some(word) = line.standing.word() { strong.tag { (word) } " " }
                    bdi { (marked(&line.number)) }
                }
                @if !line.comparison.is_empty() { p { bdi { (marked(&line.comparison)) } } }
                @if !line.plain.is_empty() { p.plain { bdi { (marked(&line.plain)) } } }
                @if !line.rows.is_empty() { p.trace { "From " bdi { (line.rows) } } }
            }
            div.sure {
                b { (line.sure) }
                @if !line.why_sure.is_empty() { span { bdi { (unbroken(&line.why_sure)) } } }
                @if let Some(grade) = line.grade { span.grade { "grade " (grade) } }
            }
        }
    }
}

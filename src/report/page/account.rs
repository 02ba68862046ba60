//! What it cost while it ran, and what it gave.

use maud::{Markup, html};

use super::{Context, Part, marked, sentence_case, unbroken};
use crate::report::account::{Figures, Section, Topic, sections};

/// Longer tables are folded.
const MANY: usize = 12;

/// Users beside the reshape, limits, forecasts.
pub(super) fn cost(context: &Context<'_>) -> Vec<Part> {
    of(context, &[Topic::Cost, Topic::Limits, Topic::Forecast])
}

/// Gains taken apart, and what was expected of them.
pub(super) fn gave(context: &Context<'_>) -> Vec<Part> {
    of(context, &[Topic::Gain, Topic::Expected])
}

fn of(context: &Context<'_>, topics: &[Topic]) -> Vec<Part> {
    let all = sections(context.account);
    let wanted = all.iter().filter(|of| topics.contains(&of.topic));
    let part = |of: &Section| Part {
        id: match of.topic {
            Topic::Cost => "cost",
            Topic::Limits => "limits",
            Topic::Forecast => "forecast",
            Topic::Gain => "gave",
            Topic::Expected => "expected",
        },
        title: of.title,
        inside: inside(context, of),
    };
    wanted.map(part).collect()
}

fn inside(context: &Context<'_>, of: &Section) -> Markup {
    let (figure, words) = match of.topic {
        Topic::Cost => (
            &context.figures.cost,
            "Each mark is an hour; where nothing was seen there is none. Busy hours, where they are stated, stand on a shaded ground; what lies beyond your limit is hatched.",
        ),
        Topic::Forecast => (
            &context.figures.progress,
            "In each lane a short upright is the moment, the square the finish that would have been told, the bar its \
             80 % range and the line its 95 % range, to which a band leads from the curve; the long upright is the actual end.",
        ),
        Topic::Gain => (
            &context.figures.position,
            "A bar goes from the first byte to the last, its mark is their mean; above it is how fast the tracks are there.",
        ),
        Topic::Expected => (
            &context.figures.expected,
            "The ground is the band between textbook models, the mark what was measured with its 95 % interval.",
        ),
        Topic::Limits => (&None, ""),
    };
    html! {
        @if !of.findings.is_empty() {
            ul { @for finding in &of.findings { li { bdi { (marked(finding)) } } } }
        }
        @if let Some(figure) = figure {
            div.figures.wide { (context.wide(figure, words)) }
        }
        @for figures in &of.tables {
            @if figures.rows.len() > MANY {
                details {
                    summary { (context.banner()) (figures.caption) }
                    div.scroll tabindex="0" { (table(context, figures)) }
                }
            } @else { div.scroll tabindex="0" { (table(context, figures)) } }
        }
        @for note in &of.notes { p.note { bdi { (marked(note)) } } }
    }
}

fn table(context: &Context<'_>, figures: &Figures) -> Markup {
    html! {
        table {
            (context.caption(&format!("{}.", figures.caption)))
            thead { tr { @for head in &figures.head { th scope="col" { (sentence_case(head)) } } } }
            tbody { @for row in &figures.rows {
                tr { @for (index, cell) in row.iter().enumerate() {
                    @if index == 0 { th scope="row" { bdi { (cell) } } }
                    @else { td { (lines(cell)) } }
                } }
            } }
        }
    }
}

/// The first line of a cell, and the others small below it.
fn lines(cell: &str) -> Markup {
    let mut lines = cell.split('\n');
    let first = lines.next().unwrap_or_default();
    html! {
        (unbroken(first))
        @for line in lines { br; small { (unbroken(line)) } }
    }
}

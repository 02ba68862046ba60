//! The raw files, by name and content, and how a number is followed to its rows.

use maud::{Markup, html};

use super::Context;
use crate::text::plain;
use crate::units::grouped;

/// Nothing where the files are not known.
pub(super) fn sources(context: &Context<'_>) -> Markup {
    if context.raw.is_empty() {
        return html! {};
    }
    html! {
        p {
            "Every number of this page follows from these files alone. A median, a ratio or a grade names its \
             trials; a trial is the row of its number in trials.csv, with its seconds in windows.csv, its counters \
             in observations.csv, its latencies in latency.hlog, and its fingerprint in facts. Tables only grow: \
             the first bytes of a longer file have to give the same digest (" code { "head -c BYTES FILE | b3sum" } ")."
        }
        div.scroll tabindex="0" {
            table.facts {
                (context.caption("The study’s files as they were when this page was made."))
                thead { tr {
                    th scope="col" { "File" } th scope="col" { "Bytes" } th.word scope="col" { "BLAKE3" }
                } }
                tbody { @for file in context.raw {
                    tr {
                        th scope="row" { bdi { (plain(&file.name)) } }
                        td { (grouped(file.bytes)) }
                        td.word { span.digest { (plain(&file.blake3)) } }
                    }
                } }
            }
        }
    }
}

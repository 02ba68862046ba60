//! Whether what was written before is still there: what the latest pass of `verify` has read back.

use maud::{Markup, html};

use super::{Context, unbroken};
use crate::integrity::{latest_pass, read_back, sealing};
use crate::report::study::moment;
use crate::report::verified::{back_sentences, seal_sentences};
use crate::study::DamageRow;
use crate::text::{plain, short};

/// Runs of damaged blocks on the page, at most.
const SHOWN: usize = 20;

/// Nothing where nothing was read back.
pub(super) fn integrity(context: &Context<'_>) -> Markup {
    let study = context.study;
    let Some(pass) = latest_pass(study) else {
        return html! {};
    };
    let backs = read_back(study, pass.number);
    let seals = sealing(study, pass.number);
    let marks = study.passes.iter().filter(|row| row.pass == pass.number);
    let at = marks.map(|row| row.at).max();
    let damage: Vec<&DamageRow> = study
        .damage
        .iter()
        .filter(|row| row.pass == pass.number)
        .collect();
    html! {
        section {
            (context.heading("Is what was written still there?"))
            @for back in &backs {
                @for (index, sentence) in back_sentences(back).into_iter().enumerate() {
                    p {
                        @if index == 0 { strong { (unbroken(&sentence)) } }
                        @else { (unbroken(&sentence)) }
                    }
                }
            }
            @for sentence in seals.iter().flat_map(seal_sentences) { p { (unbroken(&sentence)) } }
            @if !damage.is_empty() { div.scroll tabindex="0" { (table(context, &damage)) } }
            @if let Some(at) = at {
                p { "Every block was compared with what the study knows of it: pass " (pass.number)
                    " of " code { "verify" } (if pass.ended { ", ended " } else { ", not yet ended, begun " })
                    (moment(at)) "." }
            }
        }
    }
}

fn table(context: &Context<'_>, damage: &[&DamageRow]) -> Markup {
    let rest = damage.len().saturating_sub(SHOWN);
    html! {
        table.facts {
            (context.caption("Damage, as it was found; all of it is in damage.csv."))
            thead { tr {
                th scope="col" { "File" } th scope="col" { "Offset" } th scope="col" { "Blocks" }
                th.word scope="col" { "Kind" } th.word scope="col" { "Found" }
            } }
            tbody {
                @for row in damage.iter().take(SHOWN) {
                    tr {
                        th scope="row" { bdi { (plain(&row.name)) } }
                        td { (row.offset_bytes) }
                        td { (row.blocks) }
                        td.word { (row.kind.word()) }
                        td.word { bdi { (short(&row.found, 300)) } }
                    }
                }
                @if rest > 0 { tr { th scope="row" { (rest) " more" } td {} td {} td {} td {} } }
            }
        }
    }
}

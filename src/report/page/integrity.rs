//! Whether what was written before is still there: what the latest passes of `verify` have read back: of the test
//! data, and of sealed files.

use maud::{Markup, html};

use super::{Context, marked};
use crate::integrity::{Pass, data_pass, read_back, sealed_pass, sealing};
use crate::report::study::moment;
use crate::report::verified::{back_sentences, seal_sentences};
use crate::study::DamageRow;
use crate::text::{plain, short};

/// Runs of damaged blocks on the page, at most.
const SHOWN: usize = 20;

/// Nothing where nothing was read back.
pub(super) fn integrity(context: &Context<'_>) -> Markup {
    let study = context.study;
    let (data, sealed) = (data_pass(study), sealed_pass(study));
    if data.is_none() && sealed.is_none() {
        return html! {};
    }
    let number = |pass: &Option<Pass>| pass.as_ref().map(|pass| pass.number);
    let backs = number(&data).map_or(Vec::new(), |number| read_back(study, number));
    let seals = number(&sealed).map_or(Vec::new(), |number| sealing(study, number));
    let damage: Vec<&DamageRow> = study
        .damage
        .iter()
        .filter(|row| Some(row.pass) == number(&data))
        .collect();
    let told = |pass: &Pass| {
        let marks = study.passes.iter().filter(|row| row.pass == pass.number);
        let at = marks
            .map(|row| row.at)
            .max()
            .map(moment)
            .unwrap_or_default();
        let state = if pass.ended {
            "ended"
        } else {
            "not yet ended, begun"
        };
        (pass.number, format!(", {state} {at}."))
    };
    html! {
        @for back in &backs {
            @for (index, sentence) in back_sentences(back).into_iter().enumerate() {
                p {
                    @if index == 0 { strong { (marked(&sentence)) } }
                    @else { (marked(&sentence)) }
                }
            }
        }
        @for sentence in seals.iter().flat_map(seal_sentences) { p { (marked(&sentence)) } }
        @if !damage.is_empty() { div.scroll tabindex="0" { (table(context, &damage)) } }
        @if let Some((number, when)) = data.as_ref().map(told) {
            p { "Every block was compared with what the study knows of it: pass " (number)
                " of " code { "verify" } (when) }
        }
        @if let Some((number, when)) = sealed.as_ref().filter(|sealed| data.as_ref() != Some(sealed)).map(told) {
            p { "Sealed files were looked at by pass " (number) " of " code { "verify" } (when) }
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

//! The latest rows, and what they rest on.

use maud::{Markup, html};

use super::super::page::marked;
use super::super::watch::{position, remarks};
use super::super::words::NONE;
use super::Live;
use super::main::{banner, heading};
use crate::study::{ProbeRow, ProgressRow};
use crate::text::plain;
use crate::units::{Nanos, Rate};

/// Rows of the tables at the end.
const ROWS: usize = 12;
/// Notes of the watch that are shown.
const NOTES: usize = 8;

pub(super) fn probes(live: &Live<'_>) -> Markup {
    let rows: Vec<ProbeRow> = live.study.probes.iter().rev().take(ROWS).collect();
    html! {
        (heading(live, "Latest probes"))
        @if rows.is_empty() { p { "None yet." } } @else {
            div.scroll tabindex="0" { table {
                caption { (banner(live)) "Small reads are " (live.study.config.run.probe_block) " at random, paced; large ones 1 MiB in order. Latencies count from the moment a read was due." }
                thead { tr {
                    th scope="col" { "Begun" } th.word scope="col" { "Reads" } th scope="col" { "Number" }
                    th scope="col" { "Mean" } th scope="col" { "Worst" } th scope="col" { "Rate" }
                } }
                tbody { @for row in &rows { (probe(live, row)) } }
            } }
        }
    }
}

fn probe(live: &Live<'_>, row: &ProbeRow) -> Markup {
    let of = |ns: Option<u64>| ns.map_or(NONE.to_owned(), |ns| Nanos(ns).to_string());
    let kind = if row.kind == ProbeRow::SMALL {
        "small"
    } else {
        "large"
    };
    html! {
        tr {
            th scope="row" { (live.clock().tell(row.at)) }
            td.word { (kind) }
            @if row.cause.is_empty() {
                td { (row.operations + row.missed_operations) }
                td { (of(row.mean_ns)) } td { (of(row.max_ns)) }
                td { (row.rate_bytes_per_s.map_or(NONE.to_owned(), |rate| Rate(rate).to_string())) }
            } @else {
                td.word colspan="4" { strong { "failed: " } bdi { (plain(&row.cause)) } }
            }
        }
    }
}

pub(super) fn readings(live: &Live<'_>) -> Markup {
    let rows: Vec<ProgressRow> = live.study.progress.iter().rev().take(ROWS).collect();
    html! {
        (heading(live, "Latest readings"))
        @if rows.is_empty() { p { "None yet." } } @else {
            div.scroll tabindex="0" { table {
                caption { (banner(live)) "As the source told them, newest first." }
                thead { tr {
                    th scope="col" { "Read" } th scope="col" { "Position" } th scope="col" { "Speed told" }
                    th.word scope="col" { "Answer" }
                } }
                tbody { @for row in rows { tr {
                    th scope="row" { (live.clock().tell(row.at)) }
                    td { (position(row.fraction).replace(' ', "\u{a0}")) }
                    td { (row.speed_bytes_per_s.map_or(NONE.to_owned(), |rate| Rate(rate).to_string())) }
                    td.word {
                        (row.state.word())
                        @if !row.note.is_empty() { small { " " bdi { (plain(&row.note)) } } }
                    }
                } } }
            } }
        }
    }
}

pub(super) fn rests(live: &Live<'_>) -> Markup {
    let remarks = live
        .seen
        .map_or(Vec::new(), |seen| remarks(seen, live.clock()));
    let notes = live.notes.iter().rev().take(NOTES);
    html! {
        (heading(live, "What this rests on"))
        ul {
            @for remark in &remarks { li { bdi { (marked(&plain(remark))) } "." } }
            @for (at, note) in notes {
                li { (live.clock().tell(*at)) ": " bdi { (marked(&plain(note))) } "." }
            }
            li { "Every number follows from progress.csv and probes.csv of the study, which keep each reading and each probe." }
        }
    }
}

//! A study and its comparison rendered: text for a terminal, CSV and JSON, the one page.
//!
//! Values in, text out. Text from outside (names, tags, notes, causes, facts, paths) passes through
//! [`crate::text::plain`] before it reaches a terminal or a picture, and is escaped on the page.
//! Results that are made up say so in every heading, table and picture. A number whose grade does not
//! hold is void: it says so wherever it appears, and never stands where a speed of drives would.

mod account;
mod advice;
mod check;
mod data;
mod fact;
mod figures;
mod grades;
mod history;
mod json;
mod layers;
mod layout;
mod live;
mod markdown;
mod next;
mod page;
mod plan;
mod precise;
mod shown;
mod sitting;
mod spark;
mod status;
mod study;
mod sweep;
mod ten;
mod terminal;
mod verified;
mod verdict;
mod watch;
mod why;
mod words;

pub use account::account_text;
pub use check::{check_json, check_text};
pub use data::comparison_csv;
pub use figures::{Figure, Figures};
pub use grades::{Judgements, sentence as grade_sentence};
pub use json::comparison_json;
pub use layout::wrapped;
pub use live::{Dialect, Live, Over, live_main, live_page, live_title, open_metrics};
pub use markdown::markdown;
pub use next::{next_json, next_text};
pub use page::page;
pub use plan::{objections_json, objections_text, outlook_csv, outlook_json, outlook_text};
pub use shown::shown;
pub use sitting::sitting_text;
pub use status::{now_text, status_line, status_text};
pub use study::{LATEST, study_text};
pub use sweep::sweep_text;
pub use ten::ten_lines;
pub use terminal::comparison_text;
pub use verified::{seal_text, verified_text};
pub use watch::{Clock, alarm_sentence, cost_sentence, probe_line, reading_line, span, watch_text};
pub use why::{why_csv, why_json, why_text};
pub use words::told_rate as rate;

use std::collections::BTreeMap;

use crate::chart::standalone;
use crate::compare::{Account, Comparison};
use crate::judge::Judgement;
use crate::study::{RawFile, Study};

/// The page and its pictures as files, made of a study that was read from `raw`: `report.html`, and each picture under `charts/` as an SVG with
/// fixed light colours for viewers that know no variables. Names are relative and unique.
pub fn files(
    study: &Study,
    comparison: &Comparison,
    judgements: &BTreeMap<u64, Judgement>,
    account: &Account,
    generated: jiff::Timestamp,
    raw: &[RawFile],
) -> Vec<(String, String)> {
    let figures = Figures::of(study, comparison, judgements, account);
    let html = page(
        study, comparison, judgements, account, &figures, generated, raw,
    );
    let pictures = figures.all().map(|figure| {
        let name = format!("charts/{}.svg", figure.id);
        (name, standalone(&figure.svg))
    });
    std::iter::once(("report.html".to_owned(), html))
        .chain(pictures)
        .collect()
}

#[cfg(test)]
pub(crate) mod testing;
#[cfg(test)]
mod tests;
#[cfg(test)]
mod void_tests;

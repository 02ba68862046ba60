//! A study and its comparison rendered: text for a terminal, CSV and JSON, the one page.
//!
//! Values in, text out. Text from outside (names, tags, notes, causes, facts, paths) passes through
//! [`crate::chart::plain`] before it reaches a terminal or a picture, and is escaped on the page.
//! Results that are made up say so in every heading, table and picture.

mod data;
mod figures;
mod history;
mod json;
mod layout;
mod page;
mod study;
mod sweep;
mod terminal;
mod watch;
mod words;

pub use data::comparison_csv;
pub use figures::{Figure, Figures};
pub use json::comparison_json;
pub use page::page;
pub use study::{sitting_text, study_text};
pub use sweep::sweep_text;
pub use terminal::comparison_text;
pub use watch::{alarm_sentence, cost_sentence, probe_line, reading_line, watch_text};

use crate::chart::standalone;
use crate::compare::Comparison;
use crate::study::Study;

/// The page and its pictures as files: `report.html`, and each picture under `charts/` as an SVG with
/// fixed light colours for viewers that know no variables. Names are relative and unique.
pub fn files(
    study: &Study,
    comparison: &Comparison,
    generated: jiff::Timestamp,
) -> Vec<(String, String)> {
    let figures = Figures::of(study, comparison);
    let html = page(study, comparison, &figures, generated);
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

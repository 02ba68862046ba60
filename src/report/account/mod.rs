//! What it cost and what it gave, as sections of sentences and tables: the same on a terminal and on the
//! page. What is missing is said in one short line.

mod cost;
mod forecast;
mod gave;
mod limits;

use jiff::Timestamp;

use super::layout::{clamp, list, table};
use super::watch::Clock;
use super::words;
use crate::compare::Account;

pub(super) use cost::span;

/// One section.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Section {
    /// Which pictures belong to it.
    pub(super) topic: Topic,
    /// Its heading.
    pub(super) title: &'static str,
    /// What was found, a sentence each.
    pub(super) findings: Vec<String>,
    /// The figures; none where there are none.
    pub(super) tables: Vec<Figures>,
    /// What to know of the figures, a sentence each.
    pub(super) notes: Vec<String>,
}

/// What a section is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Topic {
    Cost,
    Limits,
    Forecast,
    Gain,
    Expected,
}

/// A table whose first column is words.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Figures {
    pub(super) caption: String,
    pub(super) head: Vec<&'static str>,
    pub(super) rows: Vec<Vec<String>>,
}

/// The sections of an account; none where the expansion has not been seen at all.
pub(super) fn sections(account: &Account) -> Vec<Section> {
    let cost = &account.cost;
    let seen = account.reshaped.is_some()
        || cost.small.is_some()
        || cost.large.is_some()
        || !cost.trials.is_empty();
    let mut all = Vec::new();
    if seen {
        all.push(cost::section(account));
        all.push(limits::section(account));
    }
    if seen || !account.gains.is_empty() {
        all.push(forecast::section(account));
    }
    if !account.gains.is_empty() {
        all.push(gave::gains(account));
    }
    all.extend(gave::expected(account));
    all
}

/// The sections for a terminal, at most `width` characters wide (held between 60 and 110).
pub fn account_text(account: &Account, width: usize) -> String {
    let width = clamp(width);
    let banner = words::banner(account.simulated);
    let mut text = String::new();
    for section in sections(account) {
        let title = format!("{banner}{}", section.title);
        text += &match section.findings.is_empty() {
            true => format!("\n{title}\n"),
            false => list(width, &title, &section.findings),
        };
        for figures in section.tables {
            text += &format!("\n{banner}{}\n", figures.caption);
            text += &table(width, 1, &figures.head, figures.rows);
        }
        let notes = section.notes.iter();
        text.extend(notes.map(|note| super::layout::paragraph(width, "  · ", note)));
    }
    text
}

/// A reshape of less than so many hours says nothing of the hours of the day (a rule of this house).
const HOURS_OF_DAY: f64 = 2.0;

/// Whether the reshape took so short that hours of the day have nothing to tell.
pub(super) fn brief(account: &Account) -> bool {
    account.lasted_h().is_some_and(|hours| hours < HOURS_OF_DAY)
}

/// `Tue 3 Mar 09:10` by the clock of the place; with its second where the whole took less than an hour.
fn clock(at: Timestamp, account: &Account) -> String {
    let short = account.lasted_h().is_some_and(|hours| hours < 1.0);
    Clock::new(&account.zone, short).tell(at)
}

/// `2.1 h late`, `25 min early`: a finish time that was told, against the end.
fn off_by(hours: f64) -> String {
    let way = if hours < 0.0 { "early" } else { "late" };
    format!("{} {way}", super::words::lasted(hours.abs()))
}

/// `3.93 % an hour`.
fn pace(fraction_per_h: f64) -> String {
    super::watch::pace(fraction_per_h / 3600.0)
}

#[cfg(test)]
mod tests;

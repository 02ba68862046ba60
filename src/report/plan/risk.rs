//! The risk of a plan, as odds.

use super::super::layout::{paragraph, table};
use super::words;
use crate::pool::{Outlook, TenYears, odds_in_words};

/// Chances while the pool grows, the bound of read errors, and ten ordinary years.
pub(super) fn risk(outlook: &Outlook, width: usize) -> String {
    let danger = &outlook.danger;
    let proposal = &outlook.proposal;
    let [any, cut, independent, following] = [
        danger.any_failure,
        danger.power_cut,
        danger.loss_independent,
        danger.loss_following,
    ]
    .map(|pair| pair.map(odds_in_words));
    let row = |name: &str, [likely, worst]: [String; 2]| vec![name.to_owned(), likely, worst];
    let rows = [
        row("power fails", cut),
        row("any drive fails", any),
        row("data is lost, failures independent", independent),
        row("data is lost, failures following each other", following),
    ];
    let [likely, worst] = danger
        .hours
        .map(|hours| words::hours(hours.is_finite().then_some(hours)));
    let likely = format!("in {likely}");
    let worst = format!("in {worst}");
    let mut text = paragraph(
        width,
        "",
        &format!(
            "While it grows, the pool {}.",
            words::survives(proposal.scheme, danger.tolerance)
        ),
    );
    text += &table(width, 1, &["chance that", &likely, &worst], rows);
    let mut say = |sentence: String| text += &paragraph(width, "", &sentence);
    say(
        "Failures that share a cause (one batch, one power supply, heat, a slow drive taken out by hand, \
         somebody who restarts the server) dominate; odds from independent failures are the best \
         case. The last line takes each failure to make the next ten times as likely (Chen et al. \
         1994, Table 4), and even that is a guess."
            .into(),
    );
    if let Some(bound) = danger.read_bound {
        let failed = match bound.failures {
            1 => "one drive has failed".into(),
            n => format!("{n} drives have failed"),
        };
        say(format!(
            "Once {failed}, {} have to be read without an error. By the data sheet's limit the chance of \
             an unreadable sector is then {}: a bound, not an expectation; years of scrubs \
             contradict it.",
            bound.bytes.si(),
            odds_in_words(bound.chance)
        ));
    }
    let years = [&danger.years_before, &danger.years_after];
    let row = |name: &str, of: fn(&TenYears) -> f64| {
        let [before, after] = years.map(|years| odds_in_words(of(years)));
        vec![name.to_owned(), before, after]
    };
    let rows = [
        row("failures independent", |years| years.independent),
        row("failures following each other", |years| years.following),
        row("with read errors and power cuts: a bound", |years| {
            years.bound
        }),
    ];
    text += "\n";
    text + &table(width, 1, &["lost in ten years", "now", "afterwards"], rows)
}

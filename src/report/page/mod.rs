//! The one page: a self-contained HTML document with inline style and pictures, readable without
//! script, in light and dark, on a phone and on paper. The answer comes first, then pictures, then what
//! stands behind them.

mod account;
mod appendix;
mod integrity;
mod method;
pub(super) mod real;
mod results;
pub(super) mod shell;
mod sources;
mod statistics;
mod ten;

use jiff::Timestamp;
use maud::{Markup, PreEscaped, html};

use super::figures::{Figure, Figures};
use super::grades::Judgements;
use super::history;
use super::study::moment;
use super::ten::Ten;
use super::words::{self, sentence_case};
use crate::compare::{Account, Comparison};
use crate::plan::Phase;
use crate::study::{RawFile, Study};
use crate::text::plain;

/// What every section needs.
struct Context<'a> {
    study: &'a Study,
    comparison: &'a Comparison,
    judgements: &'a Judgements,
    account: &'a Account,
    figures: &'a Figures,
    ten: &'a Ten,
    raw: &'a [RawFile],
    simulated: bool,
}

impl Context<'_> {
    /// A heading, numbered by the style sheet.
    fn heading(&self, text: &str) -> Markup {
        html! { h2 { (self.banner()) (text) } }
    }

    fn subheading(&self, text: &str) -> Markup {
        html! { h3 { (self.banner()) (text) } }
    }

    fn caption(&self, text: &str) -> Markup {
        html! { caption { (self.banner()) (text) } }
    }

    fn banner(&self) -> Markup {
        html! { @if self.simulated { span.simulated { (words::SIMULATED) } " " } }
    }

    /// A picture with the words under it.
    fn figure(&self, figure: &Figure, words: &str) -> Markup {
        self.framed(figure, words, None)
    }

    /// One that is scrolled on a narrow screen, so that the keyboard has to reach it.
    fn wide(&self, figure: &Figure, words: &str) -> Markup {
        self.framed(figure, words, Some("0"))
    }

    fn framed(&self, figure: &Figure, words: &str, tabindex: Option<&str>) -> Markup {
        html! {
            figure tabindex=[tabindex] data-points=[points(figure)] {
                (PreEscaped(&figure.svg))
                figcaption { (self.banner()) (plain(&figure.caption)) " " (words) }
            }
        }
    }
}

/// The whole report of `study` as one HTML document; `generated` is the moment that it names.
///
/// Text from outside is escaped; a half-done study says what is next; what is void says so as loudly as a
/// gain is told.
pub fn page(
    study: &Study,
    comparison: &Comparison,
    judgements: &Judgements,
    account: &Account,
    figures: &Figures,
    generated: Timestamp,
    raw: &[RawFile],
) -> String {
    let ten = Ten::of(study, comparison, judgements, account, generated);
    let context = Context {
        study,
        comparison,
        judgements,
        account,
        figures,
        ten: &ten,
        raw,
        simulated: comparison.simulated || account.simulated || words::made_up(study),
    };
    let name = plain(&study.name);
    let title = format!("{name}: before, during and after");
    let parts = parts(&context);
    let body = html! {
                main {
                    (masthead(&context, &name, generated))
                    (ten::ten(&context))
                    (contents(&parts))
                    @for (id, _, part) in &parts { div id=(id) { (part) } }
                }
                footer {
                    "Made by poolproof " (env!("CARGO_PKG_VERSION")) " on " (moment(generated))
                    ". Every number follows from the study's own files: trials.csv, windows.csv, "
                    "observations.csv, progress.csv, probes.csv, latency.hlog and the fingerprints in facts."
                }
    };
    shell::document(&title, context.simulated, &body).into_string()
}

/// The parts that this study has: where they stand, what the contents call them, what they hold.
fn parts(context: &Context<'_>) -> Vec<(&'static str, &'static str, Markup)> {
    let all = [
        (
            "changed",
            "What changed, by workload",
            results::verdicts(context),
        ),
        ("cost", "Cost, limits, forecast", account::cost(context)),
        ("rates", "Rates", results::rates(context)),
        ("latency", "Latency", results::latencies(context)),
        (
            "gave",
            "Gain taken apart, expected against measured",
            account::gave(context),
        ),
        ("real", "Is each number real?", real::real(context)),
        (
            "trust",
            "What to know before trusting it",
            results::caveats(context),
        ),
        (
            "integrity",
            "Is what was written still there?",
            integrity::integrity(context),
        ),
        (
            "facts",
            "What changed besides the drive",
            appendix::facts(context),
        ),
        ("data", "Test data", appendix::data(context)),
        (
            "series",
            "Each trial, second by second",
            appendix::series(context),
        ),
        ("trials", "All trials", appendix::trials(context)),
        ("method", "Method and sources", method::method(context)),
        ("words", "Definitions", method::definitions(context)),
        (
            "files",
            "The files behind the numbers",
            sources::sources(context),
        ),
    ];
    let some = |(_, _, part): &(_, _, Markup)| !part.0.is_empty();
    all.into_iter().filter(some).collect()
}

/// Links to the parts.
fn contents(parts: &[(&str, &str, Markup)]) -> Markup {
    html! {
        nav aria-label="Contents" {
            ul.contents { @for (id, title, _) in parts { li { a href=(format!("#{id}")) { (title) } } } }
        }
    }
}

fn masthead(context: &Context<'_>, name: &str, generated: Timestamp) -> Markup {
    let study = context.study;
    let sittings = history::sittings(study);
    let count = |phase: Phase| {
        let of_phase = || {
            sittings
                .iter()
                .filter(move |sitting| sitting.phase == phase)
        };
        let trials = of_phase().map(|sitting| sitting.trials.len()).sum();
        if of_phase().next().is_none() {
            return "not measured".to_owned();
        }
        let sittings = words::count(of_phase().count(), "sitting");
        format!("{}, {sittings}", words::count(trials, "trial"))
    };
    let days = sittings.first().zip(sittings.last()).map(|(first, last)| {
        let day = |at: Timestamp| at.strftime("%-d %B %Y").to_string();
        match (day(first.started), day(last.started)) {
            (first, last) if first == last => first,
            (first, last) => format!("{first} to {last}"),
        }
    });
    html! {
        header {
            div.top {
                p.kind { (context.banner()) "Report on the expansion of a storage pool" }
                div.tools {}
            }
            h1 { bdi { (name) } }
            dl.card {
                div { dt { "Share" } dd { bdi { (plain(&study.config.share)) } } }
                @if let Some(pool) = history::pool(study) {
                    div { dt { "Pool" } dd { (pool) } }
                }
                @if let Some(days) = days { div { dt { "Measured" } dd { (days) } } }
                @for phase in Phase::ALL {
                    div { dt { (sentence_case(phase.word())) } dd { (count(phase)) } }
                }
                div { dt { "Reported" } dd { (moment(generated)) } }
            }
        }
    }
}

/// What the script reads off a picture; nothing where there is nothing to read.
fn points(figure: &Figure) -> Option<String> {
    let some = !figure.points.is_empty();
    some.then(|| serde_json::to_string(&figure.points).expect("numbers and texts"))
}

/// A sentence whose per cent signs stay with their numbers.
fn unbroken(sentence: &str) -> String {
    sentence.replace(" %", "\u{a0}%")
}

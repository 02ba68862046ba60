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
        self.framed(figure, words, false)
    }

    /// One that is scrolled on a narrow screen, so that the keyboard has to reach it; its words stay.
    fn wide(&self, figure: &Figure, words: &str) -> Markup {
        self.framed(figure, words, true)
    }

    fn framed(&self, figure: &Figure, words: &str, scrolled: bool) -> Markup {
        html! {
            figure data-points=[points(figure)] {
                @if scrolled { div.scroll tabindex="0" { (PreEscaped(&figure.svg)) } }
                @else { (PreEscaped(&figure.svg)) }
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
                    @for part in &parts {
                        section id=(part.id) { (context.heading(part.title)) (part.inside) }
                    }
                }
                footer {
                    "Made by poolproof " (env!("CARGO_PKG_VERSION")) " on " (moment(generated))
                    ". Every number follows from the study's own files: trials.csv, windows.csv, "
                    "observations.csv, progress.csv, probes.csv, latency.hlog and the fingerprints in facts."
                }
    };
    shell::document(&title, context.simulated, &body).into_string()
}

/// A part of the page: a section with a heading, to which the contents lead by the same words.
struct Part {
    /// Where it stands: unique on the page.
    id: &'static str,
    /// Its heading.
    title: &'static str,
    /// What is below the heading.
    inside: Markup,
}

/// The parts that this study has.
fn parts(context: &Context<'_>) -> Vec<Part> {
    let part = |id, title, inside| Part { id, title, inside };
    let mut all = vec![part(
        "changed",
        "What changed, by workload",
        results::verdicts(context),
    )];
    all.extend(account::cost(context));
    all.push(part("rates", "Rates", results::rates(context)));
    all.push(part("latency", "Latency", results::latencies(context)));
    all.extend(account::gave(context));
    all.extend([
        part("real", "Is each number real?", real::real(context)),
        part("trust", "Before you trust this", results::caveats(context)),
        part(
            "integrity",
            "Is what was written still there?",
            integrity::integrity(context),
        ),
        part(
            "facts",
            "What changed besides the drive",
            appendix::facts(context),
        ),
        part("data", "Test data", appendix::data(context)),
        part(
            "series",
            "Each trial, second by second",
            appendix::series(context),
        ),
        part("trials", "All trials", appendix::trials(context)),
        part("method", "Method", method::method(context)),
        part("words", "Words", method::definitions()),
        part(
            "files",
            "The files behind the numbers",
            sources::sources(context),
        ),
    ]);
    all.retain(|part| !part.inside.0.is_empty());
    all
}

/// Links to the parts.
fn contents(parts: &[Part]) -> Markup {
    html! {
        nav aria-label="Contents" {
            ul.contents {
                @for part in parts { li { a href=(format!("#{}", part.id)) { (part.title) } } }
            }
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
pub(super) fn unbroken(sentence: &str) -> String {
    sentence.replace(" %", "\u{a0}%")
}

/// The same with what stands between two backticks, a command, set as such. A last one without its fellow
/// stays as it is. All of it is escaped.
pub(super) fn marked(sentence: &str) -> Markup {
    let pieces: Vec<&str> = sentence.split('`').collect();
    let pairs = (pieces.len() - 1) / 2;
    html! {
        @for (index, piece) in pieces.iter().enumerate() {
            @if index % 2 == 1 && index < 2 * pairs { code { (piece) } }
            @else if index > 2 * pairs { "`" (unbroken(piece)) }
            @else { (unbroken(piece)) }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn commands_are_set_as_such_and_whatever_they_hold_is_escaped() {
        let of = |sentence: &str| marked(sentence).into_string();
        assert_eq!(
            of("run `poolproof verify a`, 5 % of it; then `b`"),
            "run <code>poolproof verify a</code>, 5\u{a0}% of it; then <code>b</code>"
        );
        assert_eq!(of("plain"), "plain");
        assert_eq!(of("`<b>`&`"), "<code>&lt;b&gt;</code>&amp;`");
        assert_eq!(of("one ` alone"), "one ` alone");
        assert_eq!(of("``"), "<code></code>");
    }
}

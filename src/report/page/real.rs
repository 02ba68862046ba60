//! Is each number real? Grades, the rule behind them, the layers, every trial with its evidence.

use maud::{Markup, html};

use super::{Context, marked, sentence_case};
use crate::judge::{Evidence, Judgement};
use crate::report::shown::Shown;
use crate::report::{advice, grades, sitting};
use crate::study::{Study, Trial};
use crate::text::plain;

/// The rule of grades, as evidence and grade, first fit first.
pub(in crate::report) const RULE: [(&str, &str); 7] = [
    (
        "at least half cannot have come from the drives, or is estimated to have been cached",
        "X",
    ),
    ("the record contradicts itself", "X"),
    (
        "a cache was seen, and more than 10 % may have come from it",
        "C",
    ),
    ("a suspicion that no count of bytes clears", "C"),
    (
        "bytes were counted at the drives: at most 5 % can have come from caches",
        "A",
    ),
    (
        "at most 10 % can have come from caches, seen or unseen",
        "B",
    ),
    (
        "otherwise: nothing that was looked at would have shown a cache",
        "U",
    ),
];

/// The whole section.
pub(super) fn real(context: &Context<'_>) -> Markup {
    let judged: Vec<(&Trial, &Judgement)> = context
        .study
        .trials
        .iter()
        .filter_map(|trial| Some((trial, context.judgements.get(&trial.trial)?)))
        .collect();
    if judged.is_empty() {
        return html! {};
    }
    let numbers: Vec<u64> = judged.iter().map(|(trial, _)| trial.trial).collect();
    let shown = Shown::of(context.study);
    let one_by_one = shown.trials(context.study);
    let judged: Vec<(&Trial, &Judgement)> = one_by_one
        .filter_map(|trial| Some((trial, context.judgements.get(&trial.trial)?)))
        .collect();
    let said: Vec<Said> = judged
        .iter()
        .map(|(trial, judged)| Said::of(context.study, trial, judged))
        .collect();
    let common = Said::common(&said);
    let of_void = |(_, judged): &&(&Trial, &Judgement)| judged.ruling.grade.is_void();
    let void: Vec<(&Trial, &Judgement)> = judged.iter().filter(of_void).copied().collect();
    html! {
        p {
            "Every complete trial is graded by the most that caches can have served of it, at 95 %: what no \
             observation would have shown counts as possible. Verdicts are built on A and B alone; U proves nothing, C and X \
             are void. Here: " strong { (grades::counted(context.judgements, numbers.into_iter())) } "."
        }
        dl.terms.grades {
            @for grade in grades::ALL {
                dt { strong { (grade.letter()) } @if grade.is_void() { " · void" } }
                dd { (sentence_case(grade.words())) "." }
            }
        }
        (rule(context))
        div.figures {
            @for figure in &context.figures.layers {
                (context.figure(figure, "A bar is a known ceiling, a broken line an unknown one."))
            }
            @if let Some(sweep) = &context.figures.sweep {
                (context.figure(sweep, "Squares are working sets, lines the levels found in them."))
            }
        }
        @if let Some(told) = shown.told() { p.note { (told) } }
        (remarks(&common, "Not observed in most of these trials:", "What to do next, after most of them:"))
        @if !void.is_empty() {
            div.scroll tabindex="0" { (trials(context, &void, "Void trials, of which no verdict is made.")) }
        }
        details {
            summary { (context.banner()) "All complete trials as they were judged" }
            div.scroll tabindex="0" { (trials(context, &judged, "Complete trials as they were judged.")) }
        }
        details {
            summary { (context.banner()) "The evidence of each trial" }
            @for ((trial, judged), said) in judged.iter().zip(&said) {
                (evidence(context, trial, judged, &said.without(&common)))
            }
        }
    }
}

/// What is said of a trial beside its evidence.
#[derive(Clone, Default)]
struct Said {
    /// What was not observed.
    absent: Vec<String>,
    /// What to do next.
    steps: Vec<String>,
}

impl Said {
    fn of(study: &Study, trial: &Trial, judged: &Judgement) -> Self {
        Self {
            absent: advice::absent(study, trial, judged),
            steps: advice::steps(study, trial, judged),
        }
    }

    /// What is said of half of several or more, to be said once; nothing of one alone.
    fn common(all: &[Self]) -> Self {
        if all.len() < 2 {
            return Self::default();
        }
        let often = |of: fn(&Self) -> &[String]| {
            let mut sentences: Vec<String> = Vec::new();
            for sentence in all.iter().flat_map(of) {
                let times = all
                    .iter()
                    .filter(|said| of(said).contains(sentence))
                    .count();
                if 2 * times >= all.len() && !sentences.contains(sentence) {
                    sentences.push(sentence.clone());
                }
            }
            sentences
        };
        Self {
            absent: often(|said| &said.absent),
            steps: often(|said| &said.steps),
        }
    }

    /// What is said of this trial and not of most.
    fn without(&self, common: &Self) -> Self {
        let mut own = self.clone();
        own.absent.retain(|of| !common.absent.contains(of));
        own.steps.retain(|of| !common.steps.contains(of));
        own
    }
}

fn remarks(said: &Said, absent: &str, steps: &str) -> Markup {
    html! {
        @if !said.absent.is_empty() {
            p.small { (absent) }
            ul.small { @for sentence in &said.absent { li { (marked(sentence)) } } }
        }
        @if !said.steps.is_empty() {
            p.small { (steps) }
            ul.small { @for sentence in &said.steps { li { (marked(sentence)) } } }
        }
    }
}

fn rule(context: &Context<'_>) -> Markup {
    html! {
        details {
            summary { (context.banner()) "The rule: the first row that fits gives the grade" }
            p.note {
                "Signs on one layer, client or server, are weighed by strength: proved over counted over \
                 inferred; of equally strong ones, the one that says more decides."
            }
            div.scroll tabindex="0" {
                table.facts {
                    (context.caption("From evidence to a grade."))
                    thead { tr { th scope="col" { "What the evidence says" } th.word scope="col" { "Grade" } } }
                    tbody { @for (says, grade) in RULE {
                        tr { th scope="row" { (sentence_case(says)) } td.word { (grade) } }
                    } }
                }
            }
        }
    }
}

fn trials(context: &Context<'_>, judged: &[(&Trial, &Judgement)], caption: &str) -> Markup {
    html! {
        table.judged {
            (context.caption(caption))
            thead { tr {
                th scope="col" { "Trial" }
                @for head in ["Phase", "Workload", "Grade", "Cached part", "Limit", "Reason"]
                { th.word scope="col" { (head) } }
            } }
            tbody { @for (trial, judged) in judged {
                @let ruling = &judged.ruling;
                @let void = ruling.grade.is_void();
                tr.void[void] {
                    th scope="row" { (trial.trial) }
                    td.word { (trial.phase) }
                    td.word { bdi { (plain(&trial.workload)) } }
                    td.word { (grade(void, ruling.grade.letter())) }
                    td.word {
                        @if let Some(share) = grades::cached(ruling) {
                            (super::unbroken(&share.words())) br;
                            small { (super::unbroken(&grades::bounds(share))) }
                        } @else { "not known" }
                    }
                    td.word { (judged.limiting.limit.word()) }
                    td.word { bdi { (super::unbroken(&plain(&ruling.reason))) } }
                }
            } }
        }
    }
}

/// The letter, and `void` where nothing may be built on it.
pub(super) fn grade(void: bool, letter: &str) -> Markup {
    html! {
        span.grade { (letter) }
        @if void { " " strong.tag { "void" } }
    }
}

fn evidence(context: &Context<'_>, trial: &Trial, judged: &Judgement, said: &Said) -> Markup {
    let void = judged.ruling.grade.is_void();
    html! {
        details {
            summary {
                (context.banner()) "Trial " (trial.trial) ", " (trial.phase) ", "
                bdi { (plain(&trial.workload)) } ": "
                bdi { (super::unbroken(&grades::sentence(&judged.ruling))) }
                @if void { " " strong.tag { "void" } }
            }
            p {
                @if void { "Rate, void: " (sitting::rate(trial)) " is no speed of the drives. " }
                @else { "Rate: " (sitting::rate(trial)) ". " }
                "Cached part: " (super::unbroken(&grades::share(&judged.ruling))) ". "
                bdi { (sentence_case(&super::unbroken(&plain(&judged.limiting.sentence())))) } "."
                @if let Some(submission) = sitting::submission(context.study, trial) { " Driven by " bdi { (submission) } "." }
            }
            @if judged.evidence.is_empty() { p { "Nothing was observed beside the operations." } }
            @else { div.scroll tabindex="0" { (signs(context, &judged.evidence)) } }
            (remarks(said, "Not observed:", "What to do next:"))
        }
    }
}

fn signs(context: &Context<'_>, evidence: &[Evidence]) -> Markup {
    html! {
        table.facts {
            (context.caption("Evidence, from the client to the drives."))
            thead { tr {
                th scope="col" { "Looked at" }
                @for head in ["Expected", "Seen", "What it proves", "How strongly"]
                { th.word scope="col" { (head) } }
            } }
            tbody { @for sign in evidence {
                tr {
                    th scope="row" { bdi { (sign.source) } }
                    @for text in [&sign.expected, &sign.seen, &sign.meaning] {
                        td.word { bdi { (super::unbroken(&plain(text))) } }
                    }
                    td.word { (sign.strength.word()) }
                }
            } }
        }
    }
}

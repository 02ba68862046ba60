//! What stands behind the results: facts, test data, every trial with its windows.

use maud::{Markup, html};

use super::real::grade;
use super::{Context, marked};
use crate::facts::Change;
use crate::report::fact;
use crate::report::shown::Shown;
use crate::report::study::{data_words, moment};
use crate::report::{grades, history, sitting, words};
use crate::study::Trial;
use crate::text::plain;

/// The latest facts, and what changed.
pub(super) fn facts(context: &Context<'_>) -> Markup {
    let Some(facts) = history::latest_facts(context.study) else {
        return html! {};
    };
    html! {
        @for step in history::steps(context.study) {
            (context.subheading(&format!("Changed {}", step.label)))
            @if step.changes.is_empty() { p { "No fact that is known changed." } }
            @else { div.scroll tabindex="0" { (changes(context, &step.changes)) } }
        }
        details {
            summary { (context.banner()) "All facts of the latest sitting" }
            div.scroll tabindex="0" {
                table.facts {
                    (context.caption("What machine, mount and link say of themselves."))
                    tbody { @for (name, value) in facts.lines() {
                        tr { th scope="row" { bdi { (plain(&name)) } } td.word { bdi { (plain(&fact::value(&name, &value))) } } }
                    } }
                }
            }
        }
    }
}

fn changes(context: &Context<'_>, changes: &[Change]) -> Markup {
    let side = |change: &Change, value: &Option<String>| {
        let told = |value: &str| plain(&fact::value(&change.fact, value));
        value.as_deref().map_or("none".to_owned(), told)
    };
    html! {
        table.facts {
            (context.caption("Facts that differ."))
            thead { tr { th scope="col" { "Fact" } th.word scope="col" { "Was" } th.word scope="col" { "Is" } } }
            tbody { @for change in changes {
                tr {
                    th scope="row" { bdi { (plain(&change.fact)) } }
                    td.word { bdi { (side(change, &change.was)) } }
                    td.word { bdi { (side(change, &change.is)) } }
                }
            } }
        }
    }
}

/// The files on the share.
pub(super) fn data(context: &Context<'_>) -> Markup {
    html! {
        ul { @for sentence in data_words(context.study) { li { bdi { (marked(&sentence)) } } } }
    }
}

/// Every trial second by second.
pub(super) fn series(context: &Context<'_>) -> Markup {
    if context.figures.series.is_empty() {
        return html! {};
    }
    html! {
        p {
            "Rate of each window of one second. Windows before steady state stand hollow on a shaded \
             ground; the level line is the mean of the others. Pictures of a workload share their scale. What \
             a cache served has the word void and no mean."
        }
        @if let Some(told) = Shown::of(context.study).told() { p.note { (told) } }
        @for (workload, figures) in &context.figures.series {
            details {
                summary {
                    (context.banner()) bdi { (plain(workload)) } ", "
                    (words::count(figures.len(), "trial"))
                }
                div.multiples { @for figure in figures { (context.figure(figure, "")) } }
            }
        }
    }
}

/// The table of all trials, or of some of very many.
pub(super) fn trials(context: &Context<'_>) -> Markup {
    let shown = Shown::of(context.study);
    if context.study.trials.is_empty() {
        return html! {};
    }
    html! {
        details {
            summary {
                (context.banner()) (words::count(context.study.trials.len(), "trial"))
                ", complete, failed and interrupted"
            }
            @if let Some(told) = shown.told() { p.note { (told) } }
            div.scroll tabindex="0" {
                table.sortable {
                    (context.caption("A row a trial, in the order in which they were made; figures of void trials in parentheses."))
                    thead { tr {
                        @for head in ["Trial", "Sitting", "Phase", "Workload", "Started", "Grade", "Rate", "Median",
                            "99th", "Worst", "Steady", "Flush", "Tags and notes"]
                        { th scope="col" { (head) } }
                    } }
                    tbody { @for trial in shown.trials(context.study) { (trial_row(context, trial)) } }
                }
            }
        }
    }
}

fn trial_row(context: &Context<'_>, trial: &Trial) -> Markup {
    let judged = context.judgements.get(&trial.trial);
    let void = grades::is_void(judged);
    let latency = |ns: Option<u64>| words::latency(ns.map(|ns| ns as f64));
    let bracket = |text: String| if void { format!("({text})") } else { text };
    html! {
        tr {
            th scope="row" { (trial.trial) }
            td { (trial.sitting) }
            td.word { (trial.phase) }
            td.word { bdi { (plain(&trial.workload)) } }
            td.word { (moment(trial.started)) }
            td { (grade(void, grades::letter(judged))) }
            td { (bracket(sitting::rate(trial))) }
            td { (bracket(latency(trial.p50_ns))) }
            td { (bracket(latency(trial.p99_ns))) }
            td { (bracket(latency(trial.max_ns))) }
            td { (words::steadiness(trial)) }
            td { @if let Some(seconds) = trial.flush_seconds { (format!("{seconds:.1} s")) } }
            td.word {
                bdi { (plain(&trial.tags)) }
                @if !trial.notes.is_empty() { " " bdi { (plain(&trial.notes)) } }
                @if let Some(cause) = sitting::cause(trial) { " " bdi { (cause) } }
            }
        }
    }
}

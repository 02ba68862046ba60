//! The inside of the live page: parts with fixed names, each of which the script replaces when it changes.

use maud::{Markup, PreEscaped, html};

use super::super::figures::account::busy;
use super::super::watch::{
    alarm_sentence, amounts, between, clock, position, remarks, without_forecast,
};
use super::super::words::{self, NONE, count, latency};
use super::{Live, Over};
use crate::chart::{CostLines, cost_chart, progress_chart};
use crate::compare::Reshaped;
use crate::compare::forecasted::{Finish, Forecasted, Moment, Told};
use crate::compare::now::{self, FeltNow};
use crate::reshape::{Alarm, Assessment, Extent, State};
use crate::study::{ProbeRow, ProgressRow};
use crate::text::plain;
use crate::units::{Nanos, Rate, percent};

/// Rows of the tables at the end.
const ROWS: usize = 12;
/// Notes of the watch that are shown.
const NOTES: usize = 8;

/// The title of the window: position and state first, since a tab shows no more.
pub fn live_title(live: &Live<'_>) -> String {
    let banner = words::banner(live.simulated());
    let name = plain(&live.study.name);
    match live.seen {
        Some(seen) => format!(
            "{banner}{} {} · {name}",
            position(seen.fraction),
            seen.state.word()
        ),
        None => format!("{banner}Reshape of {name}"),
    }
}

/// All parts, as markup. Text from outside is escaped.
pub fn live_main(live: &Live<'_>) -> String {
    let reshaped = Reshaped::of(live.study);
    let parts = [
        ("head", head(live)),
        ("state", state(live)),
        ("users", users(live, reshaped.as_ref())),
        ("progress", progress(live, reshaped.as_ref())),
        ("probes", probes(live)),
        ("readings", readings(live)),
        ("rests", rests(live)),
    ];
    html! {
        @for (name, inside) in parts {
            @if name == "head" { header data-part=(name) { (inside) } }
            @else { section data-part=(name) { (inside) } }
        }
    }
    .into_string()
}

fn heading(live: &Live<'_>, text: &str) -> Markup {
    html! { h2 { (banner(live)) (text) } }
}

fn banner(live: &Live<'_>) -> Markup {
    html! { @if live.simulated() { span.simulated { (words::SIMULATED) } " " } }
}

/// A sentence whose per cent signs stay with their numbers.
fn unbroken(sentence: &str) -> String {
    sentence.replace(" %", "\u{a0}%")
}

fn head(live: &Live<'_>) -> Markup {
    let told = |at| clock(at, live.zone);
    let latest = live.study.progress.last().map(|row| row.at);
    let every = live.every.as_secs();
    let every = match every {
        s if s % 3600 == 0 => format!("{} h", s / 3600),
        s if s % 60 == 0 => format!("{} min", s / 60),
        s => format!("{s} s"),
    };
    let watch = match live.over {
        None => "follows the reshape".to_owned(),
        Some(Over::Finished) => "ended with the reshape".to_owned(),
        Some(Over::Ended) => {
            format!(
                "was ended at {}; the reshape goes on without it",
                told(live.now)
            )
        }
    };
    html! {
        p.kind { (banner(live)) "A reshape as it is followed" }
        h1 { bdi { (plain(&live.study.name)) } }
        dl.card {
            div { dt { "Share" } dd { bdi { (plain(&live.study.config.share)) } } }
            div { dt { "Watch" } dd { (watch) } }
            div { dt { "Readings" } dd {
                (live.study.progress.len()) ", by " (live.source) ", every " (every)
            } }
            div { dt { "Latest" } dd { (latest.map_or(NONE.to_owned(), told)) } }
            div { dt { "Clock" } dd { (live.zone.iana_name().unwrap_or("that of the machine that watches")) } }
        }
    }
}

fn state(live: &Live<'_>) -> Markup {
    let Some(seen) = live.seen else {
        return html! {
            (heading(live, "Where it stands"))
            p { "No reading yet: the first is under way." }
        };
    };
    let done = seen.fraction.unwrap_or(0.0).clamp(0.0, 1.0);
    let row = live.study.progress.last();
    html! {
        (heading(live, "Where it stands"))
        p.state {
            strong { (position(seen.fraction).replace(' ', "\u{a0}")) } " "
            span.word { (seen.state.word()) }
            " since " (clock(seen.since, live.zone))
        }
        progress max="1" value=(format!("{done:.4}")) aria-label="part of the reshape that is done" {
            (position(seen.fraction))
        }
        (to_do(live, seen))
        dl.facts-now {
            @if let Some(row) = row.filter(|row| row.done.is_some() && row.total.is_some()) {
                div { dt { "Done" } dd {
                    (amounts(row.done.unwrap_or(0.0), row.total.unwrap_or(0.0), row.counts))
                } }
            }
            div { dt { "Speed" } dd { (speed(seen, row)) } }
            @match &seen.forecast {
                Some(forecast) => {
                    div { dt { "Finish" } dd {
                        strong { (clock(forecast.finish, live.zone)) }
                        ", " (super::super::span(forecast.finish.duration_since(forecast.made).as_secs_f64()))
                        " from the latest reading"
                    } }
                    div { dt { "80\u{a0}% range" } dd { (between(forecast.range80, live.zone)) } }
                    div { dt { "95\u{a0}% range" } dd { (between(forecast.range95, live.zone)) } }
                }
                None => { div { dt { "Finish" } dd { (without_forecast(seen)) } } }
            }
        }
    }
}

/// The one thing to do, which may be nothing.
fn to_do(live: &Live<'_>, seen: &Assessment) -> Markup {
    let sentence = match (alarm_sentence(seen, live.zone), seen.state) {
        (Some(sentence), _) => sentence,
        (None, State::Finished) => {
            "grow the file system, wait for a clean scrub, then measure with --phase after"
                .to_owned()
        }
        (None, State::Waiting) => "nothing: the reshape has not begun".to_owned(),
        (None, _) => "nothing: it goes as it should".to_owned(),
    };
    let pressing = seen.alarm.is_some() && !matches!(seen.alarm, Some(Alarm::OthersFirst));
    html! {
        p.to-do.pressing[pressing] {
            @if pressing { span.tag { "alarm" } " " }
            strong { "To do: " } bdi { (unbroken(&sentence)) } "."
        }
    }
}

fn speed(seen: &Assessment, row: Option<&ProgressRow>) -> String {
    let Some(speed) = seen.speed else {
        return "it does not move".to_owned();
    };
    let told = match (seen.told_speed, row.and_then(|row| row.counts)) {
        (Some(rate), Some(Extent::Drive)) => format!(", {} on each drive", Rate(rate)),
        (Some(rate), _) => format!(", {}", Rate(rate)),
        (None, _) => String::new(),
    };
    format!("{} an hour{told}", percent(speed * 3600.0, 2)).replace(" %", "\u{a0}%")
}

fn users(live: &Live<'_>, reshaped: Option<&Reshaped>) -> Markup {
    let felt = FeltNow::of(live.study, live.now);
    let lines = CostLines {
        baseline_ns: live.before.small.as_ref().map(|small| small.value),
        limit_ns: super::small_limit_ns(live),
        busy: busy(live.study),
    };
    let hours = now::hours(live.study, reshaped, live.zone);
    let known = hours.iter().any(|hour| hour.small_read_mean_ns.is_some());
    html! {
        (heading(live, "What it costs users now"))
        @if felt.probes + felt.failed == 0 {
            p { "Not known: the share was not probed in the last hour." }
        } @else {
            ul {
                @if let Some(ns) = felt.small_ns { li { (unbroken(&small(live, &felt, ns, lines))) } }
                @if let Some(rate) = felt.large_bytes_per_s { li { (unbroken(&large(live, rate))) } }
                @if felt.failed > 0 { li {
                    strong { (count(felt.failed, "probe")) " of the last hour failed." }
                } }
            }
        }
        @if let Some(cost) = &live.probing {
            p.note { "What probing itself costs: " (unbroken(&super::super::cost_sentence(cost))) "." }
        }
        @if known {
            div.figures.wide { figure {
                (PreEscaped(cost_chart(&hours, lines, live.zone, live.simulated(), "live-cost")))
                figcaption { (banner(live)) "What users felt, and the speed of the reshape below it, hour by hour." }
            } }
        }
    }
}

fn small(live: &Live<'_>, felt: &FeltNow, ns: f64, lines: CostLines) -> String {
    let before = live.before.small.as_ref().map_or(String::new(), |before| {
        format!(
            ", {:.1} times the {} before the expansion",
            ns / before.value,
            latency(Some(before.value))
        )
    });
    let limit = lines.limit_ns.map_or(String::new(), |limit| {
        let side = if ns > limit { "over" } else { "within" };
        format!("; {side} your limit of {}", latency(Some(limit)))
    });
    let (worst, reads) = (latency(felt.worst_ns.map(|ns| ns as f64)), felt.reads);
    format!(
        "In the last hour a small read took {} on average{before}{limit} (worst {worst}; {reads} reads).",
        latency(Some(ns))
    )
}

fn large(live: &Live<'_>, rate: f64) -> String {
    let before = live.before.large.as_ref().map_or(String::new(), |before| {
        let part = percent(rate / before.value, 0);
        format!(
            ", {part} of the {} before the expansion",
            Rate(before.value)
        )
    });
    let limit = live
        .study
        .config
        .limits
        .and_then(|limits| limits.copy_mb_per_s);
    let limit = limit.map_or(String::new(), |limit| {
        let side = if rate < limit * 1e6 { "under" } else { "above" };
        format!("; {side} your limit of {}", Rate(limit * 1e6))
    });
    format!("Large reads of one user got {}{before}{limit}.", Rate(rate))
}

fn progress(live: &Live<'_>, reshaped: Option<&Reshaped>) -> Markup {
    let drawn = reshaped.map(|reshaped| {
        let mut found = Forecasted::of(live.study, reshaped, live.zone);
        // What was passed unseen, or lies ahead, needs no lane; the latest forecast gets the last one.
        found.moments.retain(|moment| moment.told != Told::NotRead);
        found.moments.extend(latest(live));
        progress_chart(
            reshaped,
            &found,
            live.zone,
            live.simulated(),
            "live-progress",
        )
    });
    html! {
        (heading(live, "Progress"))
        @match drawn {
            Some(svg) => div.figures.wide { figure {
                (PreEscaped(svg))
                figcaption {
                    (banner(live))
                    "In each lane a short upright is the moment, the square the finish as it was told then, the bar its \
                     80\u{a0}% range and the line its 95\u{a0}% range; the lowest lane is the forecast of now."
                }
            } },
            None => p { "Nothing to draw yet: no reading has told a position." },
        }
    }
}

/// The forecast of now, as one of those that are drawn.
fn latest(live: &Live<'_>) -> Option<Moment> {
    let seen = live.seen?;
    let fraction = seen.fraction?;
    let told = match &seen.forecast {
        Some(forecast) => Told::Finish(Finish {
            made: forecast.made,
            fraction,
            finish: forecast.finish,
            range80: [forecast.range80.early, forecast.range80.late],
            range95: [forecast.range95.early, forecast.range95.late],
            error_h: None,
            error_of_left: None,
            held80: None,
            held95: None,
        }),
        None if seen.state == State::Finished => return None,
        None => Told::Nothing(seen.state.word()),
    };
    Some(Moment {
        mark: fraction,
        told,
    })
}

fn probes(live: &Live<'_>) -> Markup {
    let rows: Vec<&ProbeRow> = live.study.probes.iter().rev().take(ROWS).collect();
    html! {
        (heading(live, "Latest probes"))
        @if rows.is_empty() { p { "None yet." } } @else {
            div.scroll tabindex="0" { table {
                caption { (banner(live)) "Small reads are 4 KiB at random, paced; large ones 1 MiB in order. Latencies count from the moment a read was due." }
                thead { tr {
                    th scope="col" { "Begun" } th.word scope="col" { "Reads" } th scope="col" { "Number" }
                    th scope="col" { "Mean" } th scope="col" { "Worst" } th scope="col" { "Rate" }
                } }
                tbody { @for row in rows { (probe(live, row)) } }
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
            th scope="row" { (clock(row.at, live.zone)) }
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

fn readings(live: &Live<'_>) -> Markup {
    let rows: Vec<&ProgressRow> = live.study.progress.iter().rev().take(ROWS).collect();
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
                    th scope="row" { (clock(row.at, live.zone)) }
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

fn rests(live: &Live<'_>) -> Markup {
    let remarks = live
        .seen
        .map_or(Vec::new(), |seen| remarks(seen, live.zone));
    let notes = live.notes.iter().rev().take(NOTES);
    html! {
        (heading(live, "What this rests on"))
        ul {
            @for remark in &remarks { li { bdi { (unbroken(&plain(remark))) } "." } }
            @for (at, note) in notes {
                li { (clock(*at, live.zone)) ": " bdi { (unbroken(&plain(note))) } "." }
            }
            li { "Every number follows from progress.csv and probes.csv of the study, which keep each reading and each probe." }
        }
    }
}

//! The inside of the live page: parts with fixed names, each of which the script replaces when it changes.

use std::path::Path;

use maud::{Markup, PreEscaped, html};

use super::super::page::marked;
use super::super::watch::{alarm_sentence, amounts, pace, position, speed_now, without_forecast};
use super::super::words::{self, NONE};
use super::{Live, Over, tables, users};
use crate::chart::progress_chart;
use crate::compare::Reshaped;
use crate::compare::forecasted::{Finish, Forecasted, Moment, Told};
use crate::reshape::{Alarm, Assessment, Extent, State};
use crate::study::ProgressRow;
use crate::text::{plain, typed};
use crate::units::{Rate, percent};

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
        ("users", users::users(live, reshaped.as_ref())),
        ("progress", progress(live, reshaped.as_ref())),
        ("probes", tables::probes(live)),
        ("readings", tables::readings(live)),
        ("rests", tables::rests(live)),
    ];
    html! {
        @for (name, inside) in parts {
            @if name == "head" { header data-part=(name) { (inside) } }
            @else { section data-part=(name) { (inside) } }
        }
    }
    .into_string()
}

pub(super) fn heading(live: &Live<'_>, text: &str) -> Markup {
    html! { h2 { (banner(live)) (text) } }
}

pub(super) fn banner(live: &Live<'_>) -> Markup {
    html! { @if live.simulated() { span.simulated { (words::SIMULATED) } " " } }
}

fn head(live: &Live<'_>) -> Markup {
    let told = |at| live.clock().tell(at);
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
            " since " (live.clock().tell(seen.since))
        }
        progress max="1" value=(format!("{done:.4}")) aria-label="part of the reshape that is done" {
            (position(seen.fraction))
        }
        (to_do(live, seen))
        dl.facts-now {
            @if let Some(row) = row.as_ref().filter(|row| row.done.is_some() && row.total.is_some()) {
                div { dt { "Done" } dd {
                    (amounts(row.done.unwrap_or(0.0), row.total.unwrap_or(0.0), row.counts))
                } }
            }
            div { dt { "Speed" } dd { (speed(seen, row.as_ref())) } }
            @match &seen.forecast {
                Some(forecast) => {
                    div { dt { "Finish" } dd {
                        strong { (live.clock().tell(forecast.finish)) }
                        ", " (super::super::span(forecast.finish.duration_since(forecast.made).as_secs_f64()))
                        " from the latest reading"
                    } }
                    div { dt { "80\u{a0}% range" } dd { (live.clock().between(forecast.range80)) } }
                    div { dt { "95\u{a0}% range" } dd { (live.clock().between(forecast.range95)) } }
                }
                None => { div { dt { "Finish" } dd {
                    (row.as_ref().map_or(String::new(), |row| without_forecast(seen, row)))
                } } }
            }
        }
    }
}

/// The one thing to do, which may be nothing.
fn to_do(live: &Live<'_>, seen: &Assessment) -> Markup {
    let typed = typed(Path::new(&live.study.name));
    let sentence = match (alarm_sentence(seen, &typed, live.clock()), seen.state) {
        (Some(sentence), _) => sentence,
        (None, State::Finished) => {
            format!("`poolproof next {typed}` says what follows, and what of it is done already")
        }
        (None, State::Waiting) => "nothing: the reshape has not begun".to_owned(),
        (None, _) => "nothing: it goes as it should".to_owned(),
    };
    let pressing = seen.alarm.is_some() && !matches!(seen.alarm, Some(Alarm::OthersFirst));
    html! {
        p.to-do.pressing[pressing] {
            @if pressing { span.tag { "alarm" } " " }
            strong { "To do: " } bdi { (marked(&sentence)) } "."
        }
    }
}

fn speed(seen: &Assessment, row: Option<&ProgressRow>) -> String {
    let Some(speed) = speed_now(seen) else {
        return without_speed(seen.state).to_owned();
    };
    let told = match (seen.told_speed, row.and_then(|row| row.counts)) {
        (Some(rate), Some(Extent::Drive)) => format!(", {} on each drive", Rate(rate)),
        (Some(rate), _) => format!(", {}", Rate(rate)),
        (None, _) => String::new(),
    };
    format!("{}{told}", pace(speed)).replace(" %", "\u{a0}%")
}

/// What stands in place of a speed: what moves has one that is not known yet.
fn without_speed(state: State) -> &'static str {
    match state {
        State::Moving | State::Slowing => "not known yet",
        State::Waiting => "it has not begun",
        State::Paused | State::Stalled => "it does not move",
        State::Finished => "it is done",
        State::Ended | State::Lost => "not known",
    }
}

fn progress(live: &Live<'_>, reshaped: Option<&Reshaped>) -> Markup {
    let drawn = reshaped.map(|reshaped| {
        let mut found = Forecasted::of(live.study, reshaped, live.zone);
        // What was passed unseen, or lies ahead, needs no lane; the latest forecast gets the last one.
        let latest = latest(live);
        let name = |moment: &Moment| percent(moment.mark, 0);
        found.moments.retain(|moment| {
            let twice = latest.as_ref().is_some_and(|of| name(of) == name(moment));
            moment.told != Told::NotRead && !twice
        });
        found.moments.extend(latest);
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
                div.scroll tabindex="0" { (PreEscaped(svg)) }
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

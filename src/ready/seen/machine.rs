//! This machine: its clock, its memory beside the test data, and what else of it changed.

use super::{Context, Found};
use crate::compare::diff;
use crate::judge::{Grade, cache_size, judge_all, levels};
use crate::plan::{Phase, Set};
use crate::ready::State;

/// Test data is so many times the largest memory.
const MEMORY_FACTOR: f64 = 2.0;

pub(super) fn clock(context: &Context<'_>) -> Found {
    match context.look.facts.clock_synchronised {
        Some(true) => context.now(State::Holds, "the kernel takes it to be synchronised", ""),
        Some(false) => context.now(
            State::NotYet,
            "the kernel takes it to be unsynchronised",
            "start the service that sets it: finish times and hours of the day build on it",
        ),
        None => context.now(State::Unknown, "the kernel does not tell", ""),
    }
}

pub(super) fn memory(context: &Context<'_>) -> Found {
    let data = context.study.data.bytes(Set::Read);
    if data.0 == 0 {
        return Found(
            State::NotYet,
            "no test data was laid down".into(),
            None,
            "run `poolproof measure STUDY --phase before`".into(),
        );
    }
    let server = context.study.config.server_memory;
    let client = context.look.facts.client.memory;
    let swept = cache_size(&levels(context.study.latest_sweep()));
    let server = server.max(swept);
    let largest = client.max(server.unwrap_or_default());
    let times = data.0 as f64 / largest.0.max(1) as f64;
    let evidence = format!(
        "{} to read, {times:.1} times the largest known memory ({})",
        data.iec(),
        largest.iec()
    );
    if times < MEMORY_FACTOR {
        return match verified(context) {
            true => context.now(
                State::Mind,
                format!("{evidence}; yet counts of bytes verify every reading trial"),
                "",
            ),
            false => context.now(
                State::NotYet,
                evidence,
                "lay down more with `measure --size`, or state commands that ask the server",
            ),
        };
    }
    match server {
        Some(_) => context.now(State::Holds, evidence, ""),
        None => context.now(
            State::Unknown,
            format!("{evidence}; the server's memory was not stated"),
            "state server_memory in study.toml",
        ),
    }
}

/// Whether every reading trial of the baseline has grade A.
fn verified(context: &Context<'_>) -> bool {
    let judged = judge_all(context.study);
    let mut readers = context
        .study
        .trials
        .iter()
        .filter(|trial| trial.phase == Phase::Before && trial.read_percent > 0)
        .filter_map(|trial| judged.get(&trial.trial))
        .peekable();
    readers.peek().is_some() && readers.all(|judged| judged.ruling.grade == Grade::A)
}

pub(super) fn fingerprint(context: &Context<'_>) -> Found {
    let Some(recorded) = context.baseline else {
        return context.no_baseline();
    };
    let changes = diff::changes(recorded.facts, &context.look.facts);
    if changes.is_empty() {
        let same = format!("all facts are as {}", recorded.when());
        return context.now(State::Holds, same, "");
    }
    let side = |value: &Option<String>| value.clone().unwrap_or_else(|| "none".to_owned());
    let told: Vec<String> = changes
        .iter()
        .map(|c| format!("{}: {} → {}", c.fact, side(&c.was), side(&c.is)))
        .collect();
    context.now(
        State::NotYet,
        format!("{}, and now: {}", recorded.when(), told.join("; ")),
        "put it back, or measure the baseline anew under what holds now",
    )
}

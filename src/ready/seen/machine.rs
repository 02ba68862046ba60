//! This machine: its clock, its memory beside the test data, and what else of it changed.

use super::{Context, Found};
use crate::compare::diff;
use crate::judge::{Grade, cache_size, judge_all, levels};
use crate::plan::{Phase, Set};
use crate::ready::State;
use crate::ready::next::BASELINE;
use crate::units::Bytes;

/// Test data is so many times the largest memory.
const MEMORY_FACTOR: f64 = 2.0;
/// Test data may take this part of the free space: a quarter.
const BUDGET: u64 = 4;

pub(super) fn clock(context: &Context<'_>) -> Found {
    match context.look.facts.clock_synchronised {
        Some(true) => context.now(State::Holds, "the kernel takes it to be synchronised", ""),
        // Something else may set it, as under a virtual machine: then a person answers for it.
        Some(false) => context.now(
            State::Unknown,
            "the kernel takes it to be unsynchronised",
            "start the service that sets it, or compare it with another clock and attest `clock-set`: finish times and hours of the day build on it",
        ),
        None => context.now(State::Unknown, "the kernel does not tell", ""),
    }
}

pub(super) fn memory(context: &Context<'_>) -> Found {
    let data = context.study.data.bytes(Set::Read);
    if data.0 == 0 {
        return Found(
            State::NotYet,
            match context.study.trials.is_empty() {
                true => "no test data was laid down",
                false => "the test data was taken off the share",
            }
            .into(),
            None,
            BASELINE.into(),
        );
    }
    let server = context.study.config.server_memory;
    let client = context.look.facts.client.memory;
    let swept = cache_size(&levels(context.study.latest_sweep()));
    let server = server.max(swept);
    let largest = client.max(server.unwrap_or_default());
    let times = data.0 as f64 / largest.0.max(1) as f64;
    let digits = if times < 1.0 { 2 } else { 1 };
    let evidence = format!(
        "{} to read, {times:.digits$} times the largest known memory ({})",
        data.iec(),
        largest.iec()
    );
    if times < MEMORY_FACTOR {
        return short_of_memory(context, data, largest, evidence);
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

/// Less test data than twice the memory: bad where a cache may have served it and more has room.
fn short_of_memory(context: &Context<'_>, data: Bytes, largest: Bytes, evidence: String) -> Found {
    const WATCH: &str = "mind the grades: of trials of grade C or X a cache served a part; commands that ask the server tell more";
    let wanted = Bytes((largest.0 as f64 * MEMORY_FACTOR) as u64);
    let room = context.room().map(|room| Bytes(room.available.0 / BUDGET));
    match () {
        () if graded(context, |grade| grade == Grade::A) => context.now(
            State::Mind,
            format!("{evidence}; yet counts of bytes verify every reading trial"),
            "",
        ),
        () if graded(context, |grade| matches!(grade, Grade::A | Grade::B)) => context.now(
            State::Mind,
            format!(
                "{evidence}; yet no reading trial of the baseline shows that a cache served it"
            ),
            WATCH,
        ),
        () if room.is_some_and(|room| wanted.saturating_sub(data) > room) => context.now(
            State::Mind,
            format!("{evidence}; a quarter of the free space has no room for twice that memory"),
            WATCH,
        ),
        () => context.now(
            State::NotYet,
            evidence,
            "lay down more with `measure --size`, or state commands that ask the server",
        ),
    }
}

/// Whether every reading trial of the baseline has such a grade, and there are any.
fn graded(context: &Context<'_>, such: impl Fn(Grade) -> bool) -> bool {
    let judged = judge_all(context.study);
    let mut readers = context
        .study
        .trials
        .iter()
        .filter(|trial| trial.phase == Phase::Before && trial.read_percent > 0)
        .filter_map(|trial| judged.get(&trial.trial))
        .peekable();
    readers.peek().is_some() && readers.all(|judged| such(judged.ruling.grade))
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

//! The layers from a drive to the client for one trial: known ceilings, and which was narrowest.

use super::advice::is_local;
use super::grades::{Cause, Judgements, cause};
use crate::chart::{Reached, Stage};
use crate::judge::{Judgement, Layer, Limit};
use crate::plan::{Access, Phase};
use crate::pool::{IpVersion, payload_rate};
use crate::record::{Observations, observed};
use crate::study::{Study, Trial};
use crate::units::{Rate, percent};

/// Drive, pool, server, wire and client as `trial` found them.
pub(super) fn stages(study: &Study, trial: &Trial, judgement: &Judgement) -> [Stage; 5] {
    let nothing = Observations::default();
    let seen = study.observations.get(&trial.trial).unwrap_or(&nothing);
    let (drive, pool) = drives(study, trial, seen);
    let local = is_local(study, trial);
    let mut stages = [
        drive,
        pool,
        server(study, judgement, local),
        wire(seen, local),
        client(seen, judgement),
    ];
    if let Some((place, mark)) = narrowest(judgement) {
        stages[place].mark = Some(mark);
    }
    stages
}

/// What reached the client in `trial`; `None` without a rate.
pub(super) fn reached(trial: &Trial, judgement: &Judgement) -> Option<Reached> {
    let grade = judgement.ruling.grade;
    let rate = Rate(trial.rate_bytes_per_s?);
    let void = grade.is_void();
    let words = match void {
        true => format!("grade {}: void", grade.letter()),
        false => format!("{rate}, grade {}", grade.letter()),
    };
    Some(Reached {
        phase: trial.phase,
        rate,
        words,
        void,
    })
}

/// The place of the narrowest layer among the stages, where one tells, and its mark.
fn narrowest(judgement: &Judgement) -> Option<(usize, &'static str)> {
    match judgement.limiting.limit {
        Limit::Drives => Some((0, "narrowest")),
        Limit::Link => Some((3, "narrowest")),
        Limit::Client => Some((4, "narrowest")),
        Limit::Cache => {
            let client = cause(judgement) == Some(Cause::Cache(Layer::Client));
            Some((if client { 4 } else { 2 }, "served from here"))
        }
        Limit::Latency | Limit::Undetermined => None,
    }
}

fn stage(name: &'static str, ceiling: Option<Rate>, words: String) -> Stage {
    Stage {
        name,
        ceiling,
        words,
        mark: None,
    }
}

/// One drive, and all of them together. What a drive reads in order says nothing of blocks here
/// and there.
fn drives(study: &Study, trial: &Trial, seen: &Observations) -> (Stage, Stage) {
    let pool = study.config.pool.as_ref();
    let count = pool.map(|pool| match trial.phase {
        Phase::Before => pool.drives,
        Phase::During | Phase::After => pool.drives.saturating_add(pool.adding),
    });
    let each = pool
        .and_then(|pool| pool.drive_rate)
        .map(|rate| Rate(rate.0 as f64))
        .filter(|_| trial.access == Access::Sequential);
    let all = each
        .zip(count)
        .map(|(rate, count)| Rate(rate.0 * f64::from(count)));
    let unknown = match trial.access {
        Access::Sequential => "ceiling not known",
        Access::Random => "no ceiling, random blocks",
    };
    let busy = busy(seen).map_or(String::new(), |busy| format!(", {} busy", percent(busy, 0)));
    let drive = match each {
        Some(each) => format!("{each} each{busy}"),
        None => format!("{unknown}{busy}"),
    };
    let pool = match (all, count) {
        (Some(all), Some(count)) => format!("{count} drives, {all}"),
        (None, Some(count)) => format!("{count} drives"),
        (_, None) => "not known".to_owned(),
    };
    (stage("drive", each, drive), stage("pool", all, pool))
}

/// Mean busy fraction of the member drives that tell it.
fn busy(seen: &Observations) -> Option<f64> {
    let members = seen.get(observed::MEMBERS)? as usize;
    let busy: Vec<f64> = (0..members)
        .filter_map(|member| seen.get(&observed::member_busy(member)))
        .collect();
    crate::stats::describe::mean(&busy)
}

fn server(study: &Study, judgement: &Judgement, local: bool) -> Stage {
    let memory = study.config.server_memory;
    let memory = match (memory, local) {
        (Some(memory), _) => format!("{} of memory", memory.iec()),
        (None, true) => "with this client's memory".to_owned(),
        (None, false) => "memory not stated".to_owned(),
    };
    let words = served(judgement, Layer::Path).unwrap_or(memory);
    let name = if local { "system" } else { "server" };
    stage(name, None, words)
}

/// What a void trial got from `layer`.
fn served(judgement: &Judgement, layer: Layer) -> Option<String> {
    let here = cause(judgement) == Some(Cause::Cache(layer));
    here.then(|| {
        crate::chart::cached(judgement.ruling.cached.map(|cached| cached.figure()))
            .unwrap_or_else(|| "may have served".to_owned())
    })
}

/// The payload that the link carries at most.
fn wire(seen: &Observations, local: bool) -> Stage {
    if local {
        return stage("wire", None, "none, the share is local".to_owned());
    }
    let Some(line) = seen.get(observed::WIRE_LINE_RATE) else {
        return stage("wire", None, "line rate not known".to_owned());
    };
    let mtu = seen.get(observed::WIRE_MTU).unwrap_or(1500.0);
    let ip = match seen.get(observed::WIRE_IP) {
        Some(6.0) => IpVersion::V6,
        _ => IpVersion::V4,
    };
    let payload = payload_rate(line as u64, mtu as u64, ip, false, false);
    let words = format!("{} GbE, {payload}", line / 1e9);
    stage("wire", Some(payload), words)
}

fn client(seen: &Observations, judgement: &Judgement) -> Stage {
    let busiest = seen.get(observed::BUSIEST_CORE);
    let busy = busiest.map_or("load not observed".to_owned(), |busy| {
        format!("busiest core {} busy", percent(busy, 0))
    });
    let words = served(judgement, Layer::Client).unwrap_or(busy);
    stage("client", None, words)
}

/// Width of the longest bar in characters.
const BAR: f64 = 26.0;

/// The stages as text, a line each: a bar as long as the ceiling, what is known, the mark.
pub(super) fn picture(stages: &[Stage], reached: Option<&Reached>) -> String {
    let ceilings = stages.iter().filter_map(|stage| stage.ceiling);
    let rates = ceilings.chain(reached.map(|reached| reached.rate));
    let most = rates.fold(0.0, |most: f64, rate| most.max(rate.0));
    let bar = |rate: Rate, fill: &str| fill.repeat(((rate.0 / most * BAR).round() as usize).max(1));
    let line = |name: &str, bar: String, words: &str, mark: Option<&str>| {
        let mark = mark.map_or(String::new(), |mark| format!("  ◀ {mark}"));
        let width = BAR as usize;
        format!("  {name:<7} {bar:<width$}  {words}{mark}\n")
    };
    let mut text = String::new();
    for stage in stages {
        let drawn = stage
            .ceiling
            .map_or("·".repeat(BAR as usize), |ceiling| bar(ceiling, "█"));
        text += &line(stage.name, drawn, &stage.words, stage.mark);
    }
    if let Some(reached) = reached {
        let fill = if reached.void { "/" } else { "▓" };
        let words = match reached.void {
            true => format!("{}, no speed of the drives", reached.words),
            false => reached.words.clone(),
        };
        text += &line("seen", bar(reached.rate, fill), &words, None);
    }
    text
}

/// The trials that show the layers of `phase`: the fastest whose grade holds, and the fastest that is
/// void, where there are such.
pub(super) fn shown<'a>(
    study: &'a Study,
    judgements: &'a Judgements,
    phase: Phase,
) -> impl Iterator<Item = (&'a Trial, &'a Judgement)> {
    let fastest = move |void: bool| {
        let of_phase = study.trials.iter().filter(|trial| trial.phase == phase);
        of_phase
            .filter_map(|trial| Some((trial, judgements.get(&trial.trial)?)))
            .filter(|(_, judged)| judged.ruling.grade.is_void() == void)
            .max_by(|(a, _), (b, _)| {
                let rate = |trial: &Trial| trial.rate_bytes_per_s.unwrap_or(0.0);
                rate(a).total_cmp(&rate(b))
            })
    };
    [false, true].into_iter().filter_map(fastest)
}

//! What a sitting will take, told before it begins: time, bytes, and why the test data is as large as it is.
//!
//! Rates and scatter are those of the latest sitting that measured a workload; what no sitting has
//! measured yet is bounded where the link is known, and else said to be unknown.

mod laying;

use laying::{Laying, Trials};

use super::until::{AROUND, LEAST, shortest, until};
use super::{Request, choose};
use crate::cli::Failure;
use crate::cli::test_data::size_asked;
use crate::compare::Quantity;
use crate::facts::Facts;
use crate::judge::proven_cache_size;
use crate::load::Share;
use crate::plan::{Memory, Set, Sizing, Workload};
use crate::pool::{IpVersion, payload_rate};
use crate::stats::describe::{median, sd};
use crate::stats::precise::values_needed;
use crate::store::Writer;
use crate::study::{State, Study, Trial};
use crate::units::{Bytes, Rate, percent};

/// What is known of one workload before it is measured, in seconds of its trials.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Course {
    least: f64,
    likely: Option<f64>,
    most: f64,
    /// Bytes per second, and the part of them that is read.
    rate: Option<f64>,
    read: f64,
}

/// Asks the share for its room and says what a sitting would take; touches nothing.
///
/// # Errors
/// When the share does not answer, or has no room for the test data.
pub(in crate::cli) fn foresee(
    share: &mut dyn Share,
    store: &Writer,
    request: &Request,
    facts: &Facts,
) -> Result<Vec<String>, Failure> {
    let all = store.study().config.all_workloads();
    let chosen = choose(&all, request)?;
    let (memory, _) = needed(store.study(), facts.client.memory);
    let space = share.space()?;
    let sizing = size_asked(store, request.data(), memory, space)?;
    // A share of this machine is reached over no link.
    let links = facts.links.iter().filter(|_| facts.devices.is_empty());
    let line = links.filter_map(|link| {
        let bits = link.bits_per_second?;
        Some(payload_rate(bits, link.mtu, IpVersion::V4, false, false))
    });
    let line = line.max_by(|a, b| a.0.total_cmp(&b.0));
    Ok(sentences(store.study(), &chosen, request, &sizing, line))
}

/// What is to be said. `line` is what the link carries at most.
pub(super) fn sentences(
    study: &Study,
    chosen: &[Workload],
    request: &Request,
    sizing: &Sizing,
    line: Option<Rate>,
) -> Vec<String> {
    let fresh = request.fresh().then(|| study.data.fresh_lacks());
    let laid: Bytes = sizing.files.iter().map(|(_, bytes)| *bytes).sum();
    let laid = laid + fresh.unwrap_or_default().into_iter().sum();
    let laying = Laying::of(study, laid, line);
    let courses: Vec<Course> = chosen
        .iter()
        .map(|workload| course(study, workload, request))
        .collect();
    let sum = |of: &dyn Fn(&Course) -> f64| courses.iter().map(of).sum::<f64>();
    let within = request
        .within
        .map_or(f64::INFINITY, |within| within.as_secs_f64());
    // The first round is made however late it is; others only while there is time after laying down.
    let round = sum(&|course| course.most) / request.trials.max(1) as f64;
    let left = (within - laying.known()).max(round);
    let most = sum(&|course| course.most).min(left);
    let likely: Option<f64> = courses.iter().map(|course| course.likely).sum();
    let least = sum(&|course| course.least).min(most);
    let mut said = vec![size_sentence(study, sizing, laid)];
    said.push(match (request.precision, likely) {
        (None, _) => format!("trials take about {}", span(most)),
        (Some(_), Some(likely)) => format!(
            "trials take about {} if the share scatters as in the latest sitting, {} at most",
            span(likely.min(most)),
            span(most)
        ),
        (Some(_), None) => format!(
            "trials take {} at least and {} at most: how much the share scatters is not known yet",
            span(least),
            span(most)
        ),
    });
    said.extend(laying.sentence(&Trials {
        least,
        likely: likely.map(|likely| likely.min(most)),
        most,
    }));
    let usual = |course: &Course| course.likely.unwrap_or(course.most).min(most);
    let (mut read, mut written) = (0.0, laid.0 as f64);
    let mut unknown: Vec<&str> = Vec::new();
    for (course, workload) in courses.iter().zip(chosen) {
        let time = usual(course);
        match course.rate {
            Some(rate) => {
                read += rate * course.read * time;
                written += rate * (1.0 - course.read) * time;
            }
            None => unknown.push(&workload.name),
        }
    }
    let amount = |bytes: f64| Bytes(bytes as u64).si();
    let beside = match laid.0 {
        0 => String::new(),
        _ => format!(", beside {} of test data", laid.si()),
    };
    let known = format!(
        "they read about {} and{} write about {} by the latest rates",
        amount(read),
        if laid.0 > 0 {
            ", with laying down,"
        } else {
            ""
        },
        amount(written)
    );
    said.push(match (&unknown[..], line) {
        ([], _) => known,
        (some, _) if some.len() < chosen.len() => {
            format!("{known}, beside {}, which no sitting has measured yet", some.join(", "))
        }
        (_, Some(line)) => format!(
            "how much they read and write is not known before the first sitting: by the link, which carries {line}, no more than {}{beside}",
            amount(line.0 * most * 2.0)
        ),
        (_, None) => format!(
            "how much they read and write is not known before the first sitting{beside}: as much as the share takes and gives in that time"
        ),
    });
    said
}

/// How large the test data is, and why.
fn size_sentence(study: &Study, sizing: &Sizing, laid: Bytes) -> String {
    let (read, present) = (sizing.read, study.data.bytes(Set::Read));
    let what = match (laid.0, present.0) {
        (0, _) => format!("test data is there and is reused, {} to read", read.iec()),
        (_, 0) => format!(
            "lays down {} of test data, {} to read",
            laid.iec(),
            read.iec()
        ),
        _ => format!(
            "lays down {} more of test data, {} to read, of which {} are there and are reused",
            laid.iec(),
            read.iec(),
            present.iec()
        ),
    };
    let part = percent(sizing.cacheable, 0);
    format!("{what}: known memories could hold {part} of it")
}

/// Seconds of a trial beside its own time, as trials of the latest sitting followed each other; before the
/// first sitting, what is usual.
fn around(study: &Study) -> f64 {
    /// Somebody, or a sleep, came between trials that lie further apart.
    const APART: f64 = 60.0;
    let latest = study.trials.last().map(|trial| trial.sitting);
    let of_it = |trial: &&Trial| Some(trial.sitting) == latest;
    let trials: Vec<&Trial> = study.trials.iter().filter(of_it).collect();
    let gaps: Vec<f64> = trials
        .windows(2)
        .filter(|pair| pair[0].state == State::Complete)
        .map(|pair| {
            let span = pair[1]
                .started
                .duration_since(pair[0].started)
                .as_secs_f64();
            span - pair[0].windows as f64
        })
        .filter(|gap| (0.0..APART).contains(gap))
        .collect();
    median(&gaps).unwrap_or(AROUND)
}

/// What a workload takes, by the latest sitting that has measured it.
fn course(study: &Study, workload: &Workload, request: &Request) -> Course {
    let around = around(study);
    let full = request.seconds as f64 + around;
    let latest = latest(study, &workload.name);
    let rates: Vec<f64> = latest.iter().filter_map(|t| t.rate_bytes_per_s).collect();
    let (rate, read) = (median(&rates), f64::from(workload.read_percent) / 100.0);
    let all = request.trials as f64 * full;
    let Some(half_width) = request.precision else {
        return Course {
            least: all,
            likely: Some(all),
            most: all,
            rate,
            read,
        };
    };
    let short = match until(workload, request) {
        Some(_) => shortest(request.seconds) as f64 + around,
        None => full,
    };
    let likely = trials_needed(&latest, workload, half_width).map(|trials| {
        let lengths: Vec<f64> = latest.iter().map(|t| t.windows as f64).collect();
        let length = median(&lengths).map_or(full, |length| length + around);
        trials.min(request.trials) as f64 * length.clamp(short, full)
    });
    Course {
        least: LEAST as f64 * short,
        likely,
        most: all,
        rate,
        read,
    }
}

/// The finished trials of the latest sitting that has any of the workload of this name.
fn latest<'a>(study: &'a Study, workload: &str) -> Vec<&'a Trial> {
    let of = |trial: &&Trial| trial.workload == workload && trial.state == State::Complete;
    let sitting = study
        .trials
        .iter()
        .rev()
        .find(of)
        .map(|trial| trial.sitting);
    let trials = study.trials.iter().filter(of);
    trials
        .filter(|trial| Some(trial.sitting) == sitting)
        .collect()
}

/// At how many trials one would find the mean known so well, if they scatter as these do.
fn trials_needed(trials: &[&Trial], workload: &Workload, half_width: f64) -> Option<usize> {
    let quantity = Quantity::of(workload);
    let logs: Vec<f64> = trials
        .iter()
        .filter_map(|trial| quantity.value(trial))
        .map(f64::ln)
        .collect();
    let sd = sd(&logs).filter(|_| logs.len() >= LEAST)?;
    Some(values_needed(sd, half_width))
}

fn span(seconds: f64) -> String {
    match seconds.round() as u64 {
        seconds @ 0..120 => format!("{seconds} s"),
        seconds @ 120..7_200 => format!("{} min", (seconds + 30) / 60),
        seconds => format!("{} h {:02} min", seconds / 3600, seconds / 60 % 60),
    }
}

/// The memories that the test data has to be larger than, and a sentence where a sweep has shown that
/// they are smaller than what was stated.
///
/// A sweep is believed when it has proven where its last cache ends ([`proven_cache_size`]), and the latest
/// sitting was not served from a cache all the same.
pub(in crate::cli) fn needed(study: &Study, client: Bytes) -> (Memory, Option<String>) {
    let known = super::memory(study);
    let memory = Memory { client, ..known };
    let stated = known.server.unwrap_or_default();
    let end = proven_cache_size(study.latest_sweep(), stated);
    match (end, known.server, super::served_test_data(study)) {
        (Some(end), Some(server), None) if end < server => {
            let said = format!(
                "a sweep has found that memory ends at {} at most, so that the {} of memory that were stated ask for no more test data",
                end.iec(),
                server.iec()
            );
            let server = Some(end);
            (Memory { client, server }, Some(said))
        }
        _ => (memory, None),
    }
}

#[cfg(test)]
mod tests;

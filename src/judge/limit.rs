//! What limits: which layer between the drives and the client was the narrowest.

use super::case::Case;
use super::grade::{Grade, Ruling};
use crate::record::observed;
use crate::units::{Nanos, Rate, percent};

/// The narrowest layer.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Limit {
    /// The link between client and server.
    Link,
    /// A processor of the client.
    Client,
    /// One operation at a time, each taking its time.
    Latency,
    /// A cache, not the drives.
    Cache,
    /// The member drives.
    Drives,
    /// Nothing tells.
    Undetermined,
}

impl Limit {
    /// The word used in tables and files.
    pub fn word(self) -> &'static str {
        match self {
            Self::Link => "link",
            Self::Client => "client",
            Self::Latency => "latency",
            Self::Cache => "cache",
            Self::Drives => "drives",
            Self::Undetermined => "undetermined",
        }
    }
}

/// The narrowest layer with the figures that tell it.
#[derive(Clone, Debug, PartialEq)]
pub struct Limiting {
    /// Which.
    pub limit: Limit,
    /// In one sentence.
    pub sentence: String,
}

/// Within this part of the payload the link is the limit.
const NEAR: f64 = 0.05;
/// Above this a core or a drive is full.
pub(super) const FULL: f64 = 0.9;
/// Above this part of the time, waiting for a core of the client is no small part of a latency.
const QUEUED: f64 = 0.1;

/// Finds the narrowest layer.
pub(super) fn limiting(case: &Case<'_>, ruling: &Ruling) -> Limiting {
    let found = [
        cache(ruling),
        link(case),
        client(case),
        drives(case),
        latency(case),
    ];
    found
        .into_iter()
        .flatten()
        .next()
        .unwrap_or_else(|| Limiting {
            limit: Limit::Undetermined,
            sentence: format!(
                "nothing that could be observed tells what limits{}",
                crowded(case).unwrap_or_default()
            ),
        })
}

/// Of a core of this client that was full without holding up the load for long: that this client may be
/// what limits all the same.
fn crowded(case: &Case<'_>) -> Option<String> {
    let busiest = case.seen.get(observed::BUSIEST_CORE)?;
    let ran = case.seen.get(observed::LOAD_RAN)? / case.trial.seconds.max(1e-9);
    let waited = case.seen.get(observed::LOAD_QUEUED);
    let waited = waited.map_or(String::new(), |part| {
        format!(" and waited for one {}", percent(part, 0))
    });
    (busiest > FULL).then(|| {
        format!(
            "; this client may: one of its cores was busy {} of the time, by other programs too, \
             while what makes the load ran {}{waited} of it",
            percent(busiest, 0),
            percent(ran, 0)
        )
    })
}

fn cache(ruling: &Ruling) -> Option<Limiting> {
    let cached = ruling.cached.filter(|_| ruling.grade == Grade::X)?;
    (cached.figure() > 0.5).then(|| Limiting {
        limit: Limit::Cache,
        sentence: format!(
            "limited by a cache that served {}: says nothing about the drives",
            cached.words()
        ),
    })
}

fn link(case: &Case<'_>) -> Option<Limiting> {
    let (rate, payload) = (case.one_way_rate()?, case.payload()?);
    let line = case.seen.get(observed::WIRE_LINE_RATE)? / 1e9;
    let used = rate.0 / payload.0;
    (used >= 1.0 - 2.0 * NEAR || wire_full(case)?).then(|| Limiting {
        limit: Limit::Link,
        sentence: format!(
            "limited by the {line} GbE link ({rate} of {payload}): says nothing about the drives"
        ),
    })
}

/// Whether all that went over the link, headers and others' traffic included, filled it.
fn wire_full(case: &Case<'_>) -> Option<bool> {
    let line = case.seen.get(observed::WIRE_LINE_RATE)?;
    let received = case.seen.get(observed::WIRE_RECEIVED)?;
    let sent = case.seen.get(observed::WIRE_SENT)?;
    let seconds = (case.trial.seconds).max(case.trial.windows as f64).max(1.0);
    Some(received.max(sent) * 8.0 / seconds >= (1.0 - NEAR) * line)
}

fn client(case: &Case<'_>) -> Option<Limiting> {
    let over = |name, most| case.seen.get(name).filter(|part| *part > most);
    // A core that other programs fill says nothing of what the load would need.
    let own = case
        .seen
        .get(observed::LOAD_RAN)
        .map(|seconds| seconds / case.trial.seconds.max(1e-9));
    let core = over(observed::BUSIEST_CORE, FULL);
    let busy = core.filter(|_| own.is_none_or(|own| own >= FULL));
    let busy = busy.map(|part| {
        let part = percent(part, 0);
        format!("limited by this client: one of its cores was busy {part} of the time")
    });
    let queued = || {
        let others = match core {
            Some(_) => ", since other programs on this client kept its cores busy",
            None => "",
        };
        over(observed::LOAD_QUEUED, QUEUED).map(|part| {
            format!(
                "limited by this client: what makes the load waited for a core {} of the time, which stands in the latencies{others}",
                percent(part, 0)
            )
        })
    };
    busy.or_else(queued).map(|sentence| Limiting {
        limit: Limit::Client,
        sentence,
    })
}

fn drives(case: &Case<'_>) -> Option<Limiting> {
    let busy: Vec<f64> = case
        .members()?
        .iter()
        .filter_map(|member| member.busy)
        .collect();
    let mean = crate::stats::describe::mean(&busy)?;
    (mean > FULL).then(|| Limiting {
        limit: Limit::Drives,
        sentence: format!(
            "limited by the drives, busy {} of the time",
            percent(mean, 0)
        ),
    })
}

fn latency(case: &Case<'_>) -> Option<Limiting> {
    let trial = case.trial;
    let depth = trial.depth * trial.streams;
    let mean = Nanos(trial.mean_ns?);
    let reachable = Rate(f64::from(depth) * trial.block_bytes as f64 / mean.secs().max(1e-9));
    (depth <= 2 && trial.paced_operations_per_s.is_none()).then(|| Limiting {
        limit: Limit::Latency,
        sentence: format!(
            "limited by latency: {depth} in flight, {mean} each on average, make {reachable}; more in flight would be faster"
        ),
    })
}

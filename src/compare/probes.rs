//! What light probes tell of a reshape, in as little room as it takes: a year has hundreds of thousands.

use jiff::Timestamp;

use super::reshaped::Reshaped;
use crate::stats::describe::median;
use crate::study::{ProbeRow, Study};

/// Which reads a probe made.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Kind {
    Small,
    Large,
    /// Of a newer version.
    Other,
}

/// What accounts go by of a probe.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Probe {
    /// When it began.
    pub(super) at: Timestamp,
    pub(super) kind: Kind,
    pub(super) failed: bool,
    /// Its length.
    pub(super) seconds: f64,
    /// Reads, those that were due and never started included.
    pub(super) reads: u64,
    pub(super) mean_ns: Option<u64>,
    pub(super) p50_ns: Option<u64>,
    pub(super) max_ns: Option<u64>,
    pub(super) rate_bytes_per_s: Option<f64>,
}

impl Probe {
    pub(super) fn of(row: &ProbeRow) -> Self {
        Self {
            at: row.at,
            kind: match row.kind.as_str() {
                ProbeRow::SMALL => Kind::Small,
                ProbeRow::LARGE => Kind::Large,
                _ => Kind::Other,
            },
            failed: !row.cause.is_empty(),
            seconds: row.seconds,
            reads: row.operations + row.missed_operations,
            mean_ns: row.mean_ns,
            p50_ns: row.p50_ns,
            max_ns: row.max_ns,
            rate_bytes_per_s: row.rate_bytes_per_s,
        }
    }
}

/// The probes that fell into the reshape, in order of time; all of them where nobody read it, and none while it
/// waits to begin.
pub(super) fn probes(study: &Study, reshaped: Option<&Reshaped>) -> Vec<Probe> {
    if reshaped.is_none() && study.waits() {
        return Vec::new();
    }
    let inside =
        |at: Timestamp| reshaped.is_none_or(|seen| (seen.began..=seen.until).contains(&at));
    let probes = study.probes.iter().filter(|row| inside(row.at));
    let mut probes: Vec<Probe> = probes.map(|row| Probe::of(&row)).collect();
    probes.sort_by_key(|probe| probe.at);
    probes
}

/// Those of a kind that did not fail.
pub(super) fn good<'a>(probes: impl IntoIterator<Item = &'a Probe>, kind: Kind) -> Vec<&'a Probe> {
    let of_kind = |probe: &&Probe| probe.kind == kind && !probe.failed;
    probes.into_iter().filter(of_kind).collect()
}

/// The mean of `value` over probes, by their weights.
fn weighted(
    probes: &[&Probe],
    value: fn(&Probe) -> Option<f64>,
    weight: fn(&Probe) -> f64,
) -> Option<f64> {
    let (mut sum, mut weights) = (0.0, 0.0);
    for probe in probes {
        if let Some(value) = value(probe).filter(|value| value.is_finite()) {
            sum += value * weight(probe);
            weights += weight(probe);
        }
    }
    (weights > 0.0).then(|| sum / weights)
}

/// Mean latency of small reads, each read counted alike.
pub(super) fn latency(probes: &[&Probe]) -> Option<f64> {
    weighted(
        probes,
        |probe| Some(probe.mean_ns? as f64),
        |probe| probe.reads as f64,
    )
}

/// Median over probes of their median latency.
pub(super) fn median_latency(probes: &[&Probe]) -> Option<f64> {
    let medians = probes.iter().filter_map(|probe| probe.p50_ns);
    median(&medians.map(|ns| ns as f64).collect::<Vec<f64>>())
}

/// Rate of large reads, each second counted alike.
pub(super) fn rate(probes: &[&Probe]) -> Option<f64> {
    weighted(
        probes,
        |probe| probe.rate_bytes_per_s,
        |probe| probe.seconds.max(0.0),
    )
}

//! What users feel just now, for whoever watches a reshape: the same figures as in the account at its end,
//! of the latest hour.

use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};

use super::cost::{Baseline, FEW, Hour, baseline, by_probes, probed_before, timeline};
use super::probes::{Kind, Probe, good, latency, probes, rate};
use super::reshaped::Reshaped;
use super::{Rules, compare};
use crate::judge::judge_all;
use crate::study::Study;

/// What is felt now is a mean over so many seconds: large reads are probed four times in them.
pub const LATELY: i64 = 3600;

/// What the like workloads had before the expansion.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Before {
    /// Small reads: mean latency in nanoseconds.
    pub small: Option<Baseline>,
    /// Large reads: median rate in bytes per second.
    pub large: Option<Baseline>,
}

impl Before {
    /// By the trials of `study`, judged and compared.
    pub fn of(study: &Study) -> Self {
        let comparison = compare(study, &judge_all(study), Rules::of(study));
        let reshaped = Reshaped::of(study);
        let before = probed_before(study, reshaped.as_ref());
        Self {
            small: baseline(study, &comparison, &before, true),
            large: baseline(study, &comparison, &before, false),
        }
    }

    /// The same, by the probes that `study` holds of the time before its reshape where there are enough:
    /// a watch that began before it makes them.
    pub fn beside(&self, study: &Study, reshaped: Option<&Reshaped>) -> Self {
        let before = probed_before(study, reshaped);
        Self {
            small: by_probes(&before, true).or_else(|| self.small.clone()),
            large: by_probes(&before, false).or_else(|| self.large.clone()),
        }
    }
}

/// What probes found of late.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct FeltNow {
    /// Probes of either kind that did not fail.
    pub probes: usize,
    /// Probes that failed.
    pub failed: usize,
    /// Good probes of small reads.
    pub small_probes: usize,
    /// Small reads, those that were due and never started included.
    pub reads: u64,
    /// Mean latency of small reads in nanoseconds.
    pub small_ns: Option<f64>,
    /// The worst of them.
    pub worst_ns: Option<u64>,
    /// Rate of large reads in bytes per second.
    pub large_bytes_per_s: Option<f64>,
}

impl FeltNow {
    /// By the probes of `study` in the [`LATELY`] seconds before `now`, and not from before the reshape
    /// `began`: those tell what users had before.
    pub fn of(study: &Study, began: Option<Timestamp>, now: Timestamp) -> Self {
        let lately = now - SignedDuration::from_secs(LATELY);
        let since = began.map_or(lately, |began| began.max(lately));
        let rows = study.probes.iter().rev();
        let rows: Vec<Probe> = rows
            .take_while(|row| row.at >= since)
            .map(|row| Probe::of(&row))
            .collect();
        let (small, large) = (good(&rows, Kind::Small), good(&rows, Kind::Large));
        Self {
            probes: small.len() + large.len(),
            failed: rows.len() - small.len() - large.len(),
            small_probes: small.len(),
            reads: small.iter().map(|row| row.reads).sum(),
            small_ns: latency(&small),
            worst_ns: small.iter().filter_map(|row| row.max_ns).max(),
            large_bytes_per_s: rate(&large),
        }
    }

    /// Whether so few probes of small reads tell little.
    pub fn few(&self) -> bool {
        self.small_probes < FEW
    }
}

/// Users and the reshape hour by hour, by the clock of `zone`.
pub fn hours(study: &Study, reshaped: Option<&Reshaped>, zone: &TimeZone) -> Vec<Hour> {
    timeline(&probes(study, reshaped), reshaped, zone)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::testing::{Scene, study};
    use crate::study::ProbeRow;

    fn probe(at: Timestamp, kind: &str, reads: u64, mean_ms: u64, cause: &str) -> ProbeRow {
        ProbeRow {
            at,
            simulated: true,
            kind: kind.to_owned(),
            reshape_fraction: None,
            reshape_fraction_per_h: None,
            seconds: 60.0,
            period_s: None,
            operations: reads,
            missed_operations: 0,
            busy_fraction: 0.01,
            rate_bytes_per_s: (kind == ProbeRow::LARGE).then_some(80e6),
            mean_ns: cause.is_empty().then_some(mean_ms * 1_000_000),
            p50_ns: None,
            max_ns: cause.is_empty().then_some(2_000_000 * mean_ms),
            next_operation: reads,
            cause: cause.to_owned(),
        }
    }

    #[test]
    fn the_latest_hour_counts_each_read_alike_and_failures_apart() {
        let mut study = study(Scene::Empty);
        let now: Timestamp = "2026-03-02T12:00:00Z".parse().unwrap();
        let before = |minutes: i64| now - SignedDuration::from_mins(minutes);
        study.probes = [
            probe(before(70), ProbeRow::SMALL, 1000, 500, ""),
            probe(before(50), ProbeRow::SMALL, 30, 10, ""),
            probe(before(40), ProbeRow::LARGE, 80, 1, ""),
            probe(before(30), ProbeRow::SMALL, 10, 30, ""),
            probe(before(20), ProbeRow::SMALL, 0, 0, "not connected"),
        ]
        .into_iter()
        .collect();
        let felt = FeltNow::of(&study, Some(before(90)), now);
        assert_eq!((felt.probes, felt.failed, felt.reads), (3, 1, 40));
        assert_eq!(felt.small_ns, Some(15e6));
        assert_eq!(felt.worst_ns, Some(60_000_000));
        assert_eq!(felt.large_bytes_per_s, Some(80e6));
        assert_eq!(FeltNow::of(&study, None, before(-120)), FeltNow::default());
        // It began after the first of them.
        let since = FeltNow::of(&study, Some(before(45)), now);
        assert_eq!((since.reads, since.small_ns), (10, Some(30e6)));
    }

    #[test]
    fn before_is_what_the_account_holds_it_against() {
        let study = study(Scene::Simulated);
        let before = Before::of(&study);
        let small = before.small.expect("the demo measures small reads before");
        assert!(small.value > 0.0 && !small.workload.is_empty());
        assert_eq!(
            Before::of(&crate::report::testing::study(Scene::Empty)),
            Before::default()
        );
    }
}

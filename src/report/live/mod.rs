//! What a watch knows, for whoever looks at it meanwhile: the page in a browser, which has the look of
//! the report and changes by itself, and the figures of OpenMetrics for a monitor.

mod main;
mod metrics;
mod page;
mod tables;
mod users;
#[cfg(test)]
mod tests;

use std::time::Duration;

use jiff::Timestamp;
use jiff::tz::TimeZone;

pub use main::{live_main, live_title};
pub use metrics::{Dialect, open_metrics};
pub use page::live_page;

use super::watch::Clock;
use crate::compare::now::{Before, FeltNow};
use crate::reshape::{Assessment, Cost, Source};
use crate::study::Study;

/// A watch at one moment.
#[derive(Clone, Copy, Debug)]
pub struct Live<'a> {
    /// The study, with all readings and probes so far; trials are not looked at.
    pub study: &'a Study,
    /// What users had before the expansion.
    pub before: &'a Before,
    /// What the readings say; `None` before the first.
    pub seen: Option<&'a Assessment>,
    /// What probing costs the reshape, where it is known.
    pub probing: Option<Cost>,
    /// What a person should know of the watch, with its time, the latest last.
    pub notes: &'a [(Timestamp, String)],
    /// How the watch ended, if it did.
    pub over: Option<Over>,
    /// The moment of which this tells.
    pub now: Timestamp,
    /// Who tells of the reshape.
    pub source: Source,
    /// Time between two readings.
    pub every: Duration,
    /// The clock on which a person reads times.
    pub zone: &'a TimeZone,
}

impl Live<'_> {
    /// The clock on which times are told.
    fn clock(&self) -> Clock<'_> {
        Clock::every(self.every, self.zone)
    }

    /// What users feel of late, since the reshape began.
    fn felt(&self) -> FeltNow {
        let first = self.seen.and_then(|seen| seen.track.points.first());
        FeltNow::of(self.study, first.map(|point| point.at), self.now)
    }
}

/// How a watch ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Over {
    /// The reshape is done.
    Finished,
    /// Somebody ended the watch; the reshape may go on.
    Ended,
}

impl Live<'_> {
    /// Whether anything that is shown is made up.
    fn simulated(&self) -> bool {
        let progress = self.study.progress.iter().map(|row| row.simulated);
        let probes = self.study.probes.iter().map(|row| row.simulated);
        self.study.config.simulated || progress.chain(probes).any(|made_up| made_up)
    }
}

/// The person's limit on the mean latency of small reads, in nanoseconds.
fn small_limit_ns(live: &Live<'_>) -> Option<f64> {
    let limits = live.study.config.limits?;
    Some(limits.small_read_ms? * 1e6)
}

//! What the person said in place of defaults, and the ranges it has to be in.

use serde::{Deserialize, Deserializer, Serialize};

use super::super::Load;
use crate::units::Bytes;

/// Reads percent, or a word of formats before 4 for them: what the reshape kept of its pace then.
fn read_share<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Option<f64>, D::Error> {
    #[derive(Deserialize)]
    #[serde(untagged, expecting = "a percentage, or low, normal or high")]
    enum Share {
        Percent(f64),
        Word(Priority),
    }
    #[derive(Deserialize)]
    #[serde(rename_all = "lowercase")]
    enum Priority {
        Low,
        Normal,
        High,
    }
    Ok(Some(match Share::deserialize(deserializer)? {
        Share::Percent(percent) => percent,
        Share::Word(Priority::Low) => 20.0,
        Share::Word(Priority::Normal) => 40.0,
        Share::Word(Priority::High) => 100.0,
    }))
}

/// What the person said in place of a default; all of it optional. The table `[plan.assume]` of
/// `study.toml` has these names.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Stated {
    /// Bytes that one drive reads in a second on its outermost track.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub drive_rate: Option<Bytes>,
    /// Rate on the innermost track in percent of that on the outermost; 100 where nothing turns.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub inner_percent: Option<f64>,
    /// Turns per minute; what does not turn has `drive_operations` in its place.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub rpm: Option<u32>,
    /// Random operations of one drive in a second, in place of the reckoning from seek and turn.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub drive_operations: Option<f64>,
    /// Line rate in Gb/s of the narrowest link.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub link_gigabits: Option<f64>,
    /// Bytes of the largest packet on the link.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub mtu: Option<u64>,
    /// Percent of the pool that holds data now.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub used_percent: Option<f64>,
    /// Percent of the pool that its file system keeps for itself.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reserve_percent: Option<f64>,
    /// Percent of the drives' time that the reshape gets while people work. Formats before 4 had the words
    /// `low`, `normal` and `high` of `priority` for it.
    #[serde(
        alias = "priority",
        deserialize_with = "read_share",
        skip_serializing_if = "Option::is_none"
    )]
    pub reshape_share_percent: Option<f64>,
    /// Bytes of each drive that the expansion passes in a second at its begin, while nobody works.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reshape_rate: Option<Bytes>,
    /// Hours in which people work, on each day on which they do.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub use_hours: Option<f64>,
    /// The hour of the day at which they begin.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub use_from: Option<u8>,
    /// Whether they work on Saturdays and Sundays too.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub weekends: Option<bool>,
    /// Percent of drives that fail in a year.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub annual_failure_percent: Option<f64>,
    /// Unreadable bits per bit read, as makers state it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub read_error: Option<f64>,
    /// Power cuts in a year.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub power_cuts: Option<f64>,
    /// Whether the share is known to be on this machine: then no link stands between unless one is
    /// stated.
    #[serde(skip)]
    pub local: bool,
    /// Whether the expansion moves only what is used.
    #[serde(skip)]
    pub used_only: bool,
    /// Percent of the share that held data before the expansion, as it showed it: where nobody states another.
    #[serde(skip)]
    pub used_seen: Option<f64>,
    /// Each kind of work as the study asks for it; that of the standard set where there is no study.
    #[serde(skip)]
    pub loads: Option<[Load; 6]>,
}

impl Stated {
    /// Each value of `self`, else of `other`.
    pub fn or(self, other: &Self) -> Self {
        Self {
            drive_rate: self.drive_rate.or(other.drive_rate),
            inner_percent: self.inner_percent.or(other.inner_percent),
            rpm: self.rpm.or(other.rpm),
            drive_operations: self.drive_operations.or(other.drive_operations),
            link_gigabits: self
                .link_gigabits
                .or(other.link_gigabits.filter(|_| !self.local)),
            mtu: self.mtu.or(other.mtu),
            used_percent: self.used_percent.or(other.used_percent),
            reserve_percent: self.reserve_percent.or(other.reserve_percent),
            reshape_share_percent: self.reshape_share_percent.or(other.reshape_share_percent),
            reshape_rate: self.reshape_rate.or(other.reshape_rate),
            use_hours: self.use_hours.or(other.use_hours),
            use_from: self.use_from.or(other.use_from),
            weekends: self.weekends.or(other.weekends),
            annual_failure_percent: self.annual_failure_percent.or(other.annual_failure_percent),
            read_error: self.read_error.or(other.read_error),
            power_cuts: self.power_cuts.or(other.power_cuts),
            local: self.local || other.local,
            used_only: self.used_only || other.used_only,
            used_seen: self.used_seen.or(other.used_seen),
            loads: self.loads.or(other.loads),
        }
    }
}

/// A value that is out of its range.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{what} is {range}: check {flag}")]
pub struct RangeError {
    what: &'static str,
    range: &'static str,
    flag: &'static str,
}

/// Whether every value that was stated is in its range.
pub(super) fn check(stated: &Stated) -> Result<(), RangeError> {
    let within = |value: Option<f64>, low: f64, high: f64| {
        value.is_none_or(|value| (low..=high).contains(&value))
    };
    let rate = |rate: Option<Bytes>| within(rate.map(|rate| rate.0 as f64), 1e6, 1e11);
    let checks = [
        (
            rate(stated.drive_rate),
            "the rate of a drive",
            "from 1 MB to 100 GB a second",
            "--drive-rate",
        ),
        (
            within(stated.inner_percent, 10.0, 100.0),
            "the innermost rate",
            "10 to 100 percent of the outermost",
            "--inner-percent",
        ),
        (
            within(stated.rpm.map(f64::from), 1000.0, 20_000.0),
            "the turns of a drive",
            "1000 to 20000 a minute (of drives that do not turn, give --inner-percent 100 and --drive-operations)",
            "--rpm",
        ),
        (
            within(stated.drive_operations, 1.0, 1e7),
            "the operations of a drive",
            "1 to 10,000,000 a second",
            "--drive-operations",
        ),
        (
            within(stated.link_gigabits, 0.001, 10_000.0),
            "the link",
            "0.001 to 10,000 Gb/s",
            "--link-gigabits",
        ),
        (
            within(stated.mtu.map(|mtu| mtu as f64), 576.0, 65_536.0),
            "the largest packet",
            "576 to 65,536 bytes",
            "--mtu",
        ),
        (
            within(stated.used_percent, 0.0, 100.0),
            "the used part",
            "0 to 100 percent",
            "--used-percent",
        ),
        (
            within(stated.reserve_percent, 0.0, 50.0),
            "the reserve",
            "0 to 50 percent",
            "--reserve-percent",
        ),
        (
            within(stated.reshape_share_percent, 1.0, 100.0),
            "the part of the drives' time that the reshape gets",
            "1 to 100 percent",
            "--reshape-share",
        ),
        (
            rate(stated.reshape_rate),
            "the pace of the expansion",
            "from 1 MB to 100 GB a second",
            "--reshape-rate",
        ),
        (
            within(stated.use_hours, 0.0, 24.0),
            "use in a day",
            "0 to 24 hours",
            "--use-hours",
        ),
        (
            within(stated.use_from.map(f64::from), 0.0, 23.0),
            "the begin of use",
            "an hour from 0 to 23",
            "--use-from",
        ),
        (
            within(stated.annual_failure_percent, 0.001, 90.0),
            "the part of drives that fail in a year",
            "0.001 to 90 percent",
            "--annual-failure-percent",
        ),
        (
            within(stated.read_error, 0.0, 1e-6),
            "the read-error rate",
            "0 to 1e-6 per bit",
            "--read-error",
        ),
        (
            within(stated.power_cuts, 0.0, 1000.0),
            "power cuts",
            "0 to 1000 a year",
            "--power-cuts",
        ),
    ];
    let bad = checks.into_iter().find(|(good, ..)| !good);
    bad.map_or(Ok(()), |(_, what, range, flag)| {
        Err(RangeError { what, range, flag })
    })
}

//! What a plan takes for granted: each value with who said so, the person or a default.

use serde::{Deserialize, Serialize};

use super::{Drive, IpVersion, Pace, UseHours, payload_rate};
use crate::units::{Bytes, Nanos, Rate, percent};

/// How much the pool makes way for its users while it grows.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Priority {
    /// Users come first.
    Low,
    /// Half and half.
    Normal,
    /// The expansion comes first.
    High,
}

impl Priority {
    /// All priorities, lowest first.
    pub const ALL: [Self; 3] = [Self::Low, Self::Normal, Self::High];

    /// The word used on the command line and in files.
    pub fn word(self) -> &'static str {
        match self {
            Self::Low => "low",
            Self::Normal => "normal",
            Self::High => "high",
        }
    }

    /// The part of its pace that the expansion keeps while people work: a fifth at low priority, from
    /// 50 MB/s idle and 10 MB/s in use (common practice, no source); the others are assumed.
    fn kept(self) -> f64 {
        match self {
            Self::Low => 0.2,
            Self::Normal => 0.4,
            Self::High => 1.0,
        }
    }
}

/// Reads `low`, `normal` or `high`.
impl std::str::FromStr for Priority {
    type Err = &'static str;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        Self::ALL
            .into_iter()
            .find(|priority| priority.word() == text.trim().to_ascii_lowercase())
            .ok_or("write low, normal or high")
    }
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
    /// Turns per minute.
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
    /// How much the expansion makes way.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub priority: Option<Priority>,
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
}

impl Stated {
    /// Each value of `self`, else of `other`.
    pub fn or(self, other: &Self) -> Self {
        Self {
            drive_rate: self.drive_rate.or(other.drive_rate),
            inner_percent: self.inner_percent.or(other.inner_percent),
            rpm: self.rpm.or(other.rpm),
            drive_operations: self.drive_operations.or(other.drive_operations),
            link_gigabits: self.link_gigabits.or(other.link_gigabits),
            mtu: self.mtu.or(other.mtu),
            used_percent: self.used_percent.or(other.used_percent),
            reserve_percent: self.reserve_percent.or(other.reserve_percent),
            priority: self.priority.or(other.priority),
            reshape_rate: self.reshape_rate.or(other.reshape_rate),
            use_hours: self.use_hours.or(other.use_hours),
            use_from: self.use_from.or(other.use_from),
            weekends: self.weekends.or(other.weekends),
            annual_failure_percent: self.annual_failure_percent.or(other.annual_failure_percent),
            read_error: self.read_error.or(other.read_error),
            power_cuts: self.power_cuts.or(other.power_cuts),
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

/// One thing that the plan takes for granted.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Assumption {
    /// What it is.
    pub what: &'static str,
    /// Its value with its unit.
    pub value: String,
    /// Whether the person stated it.
    pub stated: bool,
    /// Where a default comes from; for a stated value, that it was stated.
    pub source: &'static str,
    /// The flag that sets it.
    pub flag: &'static str,
}

/// Every value that a plan reckons with.
#[derive(Clone, Debug, PartialEq)]
pub struct Assumed {
    /// A member drive.
    pub drive: Drive,
    /// Random operations of one drive in a second, where they were stated.
    pub drive_operations: Option<f64>,
    /// Line rate of the link in bits per second.
    pub link_bits_per_s: u64,
    /// Bytes of the largest packet.
    pub mtu: u64,
    /// The part of the pool that holds data, 0 to 1.
    pub used: f64,
    /// The part of the pool that its file system keeps, 0 to 1.
    pub reserve: f64,
    /// How much the expansion makes way.
    pub priority: Priority,
    /// Rate at which the expansion passes each drive at its begin, where it was stated.
    pub reshape_rate: Option<Rate>,
    /// When people work.
    pub hours: UseHours,
    /// The part of drives that fail in a year, 0 to 1.
    pub annual_failure: f64,
    /// Unreadable bits per bit read.
    pub read_error: f64,
    /// Power cuts in a year.
    pub power_cuts: f64,
    /// All of it in words.
    pub list: Vec<Assumption>,
}

/// Collects assumptions while values are taken.
#[derive(Default)]
struct Ledger {
    list: Vec<Assumption>,
}

impl Ledger {
    fn take<T: Copy>(
        &mut self,
        (what, flag): (&'static str, &'static str),
        stated: Option<T>,
        (default, source): (T, &'static str),
        show: impl Fn(T) -> String,
    ) -> T {
        let value = stated.unwrap_or(default);
        self.list.push(Assumption {
            what,
            value: show(value),
            stated: stated.is_some(),
            source: if stated.is_some() { "stated" } else { source },
            flag,
        });
        value
    }
}

const PRACTICE: &str = "common practice, no source";

/// Outer rate of drives of `size`: 150 to 210 MB/s for 4 to 8 TB, 250 to 290 for 16 to 24 TB (common
/// practice, no source); the middle of each, and between them half way.
fn usual_rate(size: Bytes) -> Bytes {
    let megabytes = match size.0 / Bytes::TB.0 {
        0..=8 => 180,
        9..=15 => 225,
        _ => 270,
    };
    Bytes(megabytes * 1_000_000)
}

impl Assumed {
    /// Stated values, and defaults for the rest, for drives of `size`.
    ///
    /// # Errors
    /// When a stated value is out of its range.
    pub fn from(stated: &Stated, size: Bytes) -> Result<Self, RangeError> {
        check(stated)?;
        let mut ledger = Ledger::default();
        let outer = ledger.take(
            ("rate of a drive, outermost track", "--drive-rate"),
            stated.drive_rate,
            (usual_rate(size), PRACTICE),
            |rate| Rate(rate.0 as f64).to_string(),
        );
        let inner = ledger.take(
            ("innermost over outermost track", "--inner-percent"),
            stated.inner_percent,
            (50.0, PRACTICE),
            |share| percent(share / 100.0, 0),
        );
        let rpm = ledger.take(
            ("turns of a drive", "--rpm"),
            stated.rpm,
            (7200, PRACTICE),
            |rpm| format!("{rpm} a minute"),
        );
        let drive = Drive {
            outer: Rate(outer.0 as f64),
            inner: Rate(outer.0 as f64 * inner / 100.0),
            rpm,
            nearest_seek: Nanos::MILLI,
            average_seek: Nanos(8_500_000),
        };
        let reckoned = 1.0 / (drive.average_seek + drive.half_turn()).secs();
        ledger.take(
            (
                "random operations of a drive, over all of it",
                "--drive-operations",
            ),
            stated.drive_operations,
            (reckoned, "from half a turn and a mean seek of 8.5 ms"),
            |operations| format!("{operations:.0} a second"),
        );
        let gigabits = ledger.take(
            ("narrowest link", "--link-gigabits"),
            stated.link_gigabits,
            (1.0, PRACTICE),
            |gigabits| format!("{gigabits} Gb/s"),
        );
        let mtu = ledger.take(
            ("largest packet (MTU)", "--mtu"),
            stated.mtu,
            (1500, "IEEE 802.3, from memory"),
            |mtu| format!("{mtu} bytes"),
        );
        let used = ledger.take(
            ("part of the pool that holds data", "--used-percent"),
            stated.used_percent,
            (80.0, "pools are grown when they fill up"),
            |used| percent(used / 100.0, 0),
        );
        let reserve = ledger.take(
            ("reserve of the file system", "--reserve-percent"),
            stated.reserve_percent,
            (
                5.0,
                "default of ext4 for its administrator, from memory; others differ",
            ),
            |reserve| percent(reserve / 100.0, 1),
        );
        let priority = ledger.take(
            ("priority of the expansion", "--priority"),
            stated.priority,
            (Priority::Low, PRACTICE),
            |priority| priority.word().to_owned(),
        );
        let use_hours = ledger.take(
            ("hours of use in a day", "--use-hours"),
            stated.use_hours,
            (8.0, "office hours"),
            |hours| format!("{hours}"),
        );
        let from = ledger.take(
            ("use begins at", "--use-from"),
            stated.use_from,
            (9, "office hours"),
            |hour| format!("{hour:02}:00"),
        );
        let weekends = ledger.take(
            ("use on weekends", "--weekends"),
            stated.weekends,
            (false, "office hours"),
            |weekends| if weekends { "yes" } else { "no" }.to_owned(),
        );
        if let Some(rate) = stated.reshape_rate {
            ledger.take(
                ("pace of the expansion at its begin", "--reshape-rate"),
                Some(rate),
                (rate, ""),
                |rate| Rate(rate.0 as f64).to_string(),
            );
        } else {
            ledger.list.push(Assumption {
                what: "pace of the expansion, mean over each drive",
                value: "80, 50, 30 MB/s idle (best, likely, worst); in use by priority".into(),
                stated: false,
                source: PRACTICE,
                flag: "--reshape-rate",
            });
        }
        let annual = ledger.take(
            ("drives that fail in a year", "--annual-failure-percent"),
            stated.annual_failure_percent,
            (
                1.5,
                "planning value between 1 and 2 %; up to 13 % was seen (Schroeder and Gibson 2007)",
            ),
            |annual| percent(annual / 100.0, 1),
        );
        let read_error = ledger.take(
            ("unreadable bits per bit read", "--read-error"),
            stated.read_error,
            (
                1e-14,
                "usual limit on data sheets, no source; real drives do far better",
            ),
            |rate| format!("{rate:e}"),
        );
        let power_cuts = ledger.take(
            ("power cuts in a year", "--power-cuts"),
            stated.power_cuts,
            (1.0, "no source"),
            |cuts| format!("{cuts}"),
        );
        Ok(Self {
            drive,
            drive_operations: stated.drive_operations,
            link_bits_per_s: (gigabits * 1e9).round() as u64,
            mtu,
            used: used / 100.0,
            reserve: reserve / 100.0,
            priority,
            reshape_rate: stated.reshape_rate.map(|rate| Rate(rate.0 as f64)),
            hours: UseHours {
                from,
                hours: use_hours,
                weekends,
            },
            annual_failure: annual / 100.0,
            read_error,
            power_cuts,
            list: ledger.list,
        })
    }

    /// Payload of the link: TCP over IPv4 with timestamps.
    pub fn payload(&self) -> Rate {
        payload_rate(self.link_bits_per_s, self.mtu, IpVersion::V4, true, false)
    }

    /// Innermost over outermost rate.
    pub fn zone_ratio(&self) -> f64 {
        self.drive.inner.0 / self.drive.outer.0
    }

    /// Mean paces of a reshape over each drive: best, likely, worst.
    ///
    /// Idle 80, 50, 30 MB/s; in use at low priority 20, 10, 5 MB/s (common practice, no source: 30 to 80
    /// lightly used, 5 to 20 busy). A stated rate is that of the outermost tracks and is brought to
    /// the mean over zones; best is 10 % above it and worst 20 % below (assumed). No pace exceeds what
    /// a drive can.
    pub fn reshape_paces(&self) -> [Pace; 3] {
        let most = self.drive.mean_rate().0;
        let pace = |idle: f64, in_use: f64| Pace {
            idle: Rate(idle.min(most)),
            in_use: Rate(in_use.min(idle).min(most)),
        };
        let kept = self.priority.kept();
        match self.reshape_rate {
            Some(Rate(seen)) => {
                let mean = seen * f64::midpoint(1.0, self.zone_ratio());
                [1.1, 1.0, 0.8].map(|factor| pace(mean * factor, mean * factor * kept))
            }
            None => {
                let relative = kept / Priority::Low.kept();
                [(80e6, 20e6), (50e6, 10e6), (30e6, 5e6)]
                    .map(|(idle, in_use)| pace(idle, in_use * relative))
            }
        }
    }

    /// Mean paces of filling a whole drive in one sequential run, as shares of what it can: best,
    /// likely, worst.
    pub fn fill_paces(&self, shares: [f64; 3]) -> [Pace; 3] {
        let mean = self.drive.mean_rate().0;
        shares.map(|share| Pace {
            idle: Rate(mean * share),
            in_use: Rate(mean * share * self.priority.kept()),
        })
    }
}

fn check(stated: &Stated) -> Result<(), RangeError> {
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
            "1000 to 20000 a minute",
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

#[cfg(test)]
mod tests {
    use super::*;

    fn assumed(stated: &Stated) -> Assumed {
        Assumed::from(stated, Bytes::TB.times(6)).unwrap()
    }

    #[test]
    fn every_default_says_where_it_comes_from_and_how_to_change_it() {
        let assumed = assumed(&Stated::default());
        assert_eq!(assumed.list.len(), 16);
        for entry in &assumed.list {
            assert!(!entry.stated && !entry.source.is_empty(), "{entry:?}");
            assert!(entry.flag.starts_with("--"), "{entry:?}");
        }
        // Half a turn of 4.17 ms and a seek of 8.5 ms.
        assert!(
            assumed
                .list
                .iter()
                .any(|entry| entry.value == "79 a second")
        );
        assert_eq!(assumed.payload().to_string(), "117.7 MB/s");
    }

    #[test]
    fn what_is_stated_says_so_and_goes_before_the_study() {
        let flags = Stated {
            mtu: Some(9000),
            ..Stated::default()
        };
        let study = Stated {
            mtu: Some(1500),
            rpm: Some(5400),
            ..Stated::default()
        };
        let assumed = assumed(&flags.or(&study));
        assert_eq!((assumed.mtu, assumed.drive.rpm), (9000, 5400));
        let stated: Vec<&str> = assumed
            .list
            .iter()
            .filter(|entry| entry.stated)
            .map(|entry| entry.flag)
            .collect();
        assert_eq!(stated, ["--rpm", "--mtu"]);
    }

    #[test]
    fn values_out_of_range_are_refused_with_their_flag() {
        for (stated, flag) in [
            (
                Stated {
                    used_percent: Some(101.0),
                    ..Stated::default()
                },
                "--used-percent",
            ),
            (
                Stated {
                    inner_percent: Some(f64::NAN),
                    ..Stated::default()
                },
                "--inner-percent",
            ),
            (
                Stated {
                    use_from: Some(24),
                    ..Stated::default()
                },
                "--use-from",
            ),
            (
                Stated {
                    reshape_rate: Some(Bytes(10)),
                    ..Stated::default()
                },
                "--reshape-rate",
            ),
        ] {
            let error = Assumed::from(&stated, Bytes::TB).unwrap_err().to_string();
            assert!(error.contains(flag), "{error}");
        }
    }

    #[test]
    fn a_rate_seen_at_the_begin_is_brought_to_the_mean_and_no_pace_exceeds_the_drive() {
        let stated = Stated {
            reshape_rate: Some(Bytes(60_000_000)),
            ..Stated::default()
        };
        let [_, likely, _] = assumed(&stated).reshape_paces();
        assert_eq!((likely.idle, likely.in_use), (Rate(45e6), Rate(9e6)));
        let slow = Stated {
            drive_rate: Some(Bytes(40_000_000)),
            ..Stated::default()
        };
        let [best, ..] = assumed(&slow).reshape_paces();
        assert_eq!(best.idle, Rate(30e6));
    }

    #[test]
    fn what_was_stated_is_written_and_read_back() {
        let stated = Stated {
            priority: Some(Priority::High),
            used_percent: Some(70.0),
            ..Stated::default()
        };
        let text = toml::to_string(&stated).unwrap();
        assert_eq!(toml::from_str::<Stated>(&text).unwrap(), stated);
        assert!(toml::from_str::<Stated>("used = 3").is_err());
        assert_eq!("HIGH".parse(), Ok(Priority::High));
    }
}

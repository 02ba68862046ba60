//! What a plan takes for granted: each value with who said so, the person or a default.

mod stated;

pub use stated::{RangeError, Stated};

use stated::check;

use super::{Drive, IpVersion, Load, Pace, UseHours, Work, payload_rate};
use crate::units::{Bytes, Nanos, Rate, percent};

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
    /// Whether there is none: the share is on this machine.
    pub no_link: bool,
    /// Bytes of the largest packet.
    pub mtu: u64,
    /// The part of the pool that holds data, 0 to 1.
    pub used: f64,
    /// The part of the pool that its file system keeps, 0 to 1.
    pub reserve: f64,
    /// The part of the drives' time that the reshape gets while people work, 0 to 1.
    pub reshape_share: f64,
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
    /// Each kind of work as it is asked for.
    pub loads: [Load; 6],
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
        // Turns are for reckoning operations.
        if stated.drive_operations.is_some() {
            ledger.list.retain(|of| of.flag != "--rpm" || of.stated);
        }
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
            match stated.used_seen {
                Some(seen) => (seen, "as the share showed it before"),
                None => (80.0, "pools are grown when they fill up"),
            },
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
        let reshape_share = ledger.take(
            (
                "part of the drives' time for the reshape while people work",
                "--reshape-share",
            ),
            stated.reshape_share_percent,
            (
                USUAL_SHARE * 100.0,
                "from 50 MB/s idle and 10 MB/s in use; common practice, no source",
            ),
            |share| percent(share / 100.0, 0),
        ) / 100.0;
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
                |rate| {
                    format!(
                        "{} idle, {} of it in the hours of use",
                        Rate(rate.0 as f64),
                        percent(reshape_share, 0)
                    )
                },
            );
        } else {
            let in_use = IN_USE.map(|rate| format!("{:.0}", rate * relative(reshape_share) / 1e6));
            ledger.list.push(Assumption {
                what: "pace of the expansion, mean over each drive",
                value: format!(
                    "80, 50, 30 MB/s idle, {} MB/s in the hours of use (best, likely, worst), as far as a drive can",
                    in_use.join(", ")
                ),
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
        let no_link = stated.local && stated.link_gigabits.is_none();
        if no_link {
            // What was stated is told all the same.
            let link = |of: &Assumption| matches!(of.flag, "--link-gigabits" | "--mtu");
            ledger.list.retain(|of| of.stated || !link(of));
            ledger.list.push(Assumption {
                what: "narrowest link",
                value: "none".to_owned(),
                stated: false,
                source: "the share is on this machine",
                flag: "--local",
            });
        }
        Ok(Self {
            drive,
            drive_operations: stated.drive_operations,
            link_bits_per_s: (gigabits * 1e9).round() as u64,
            no_link,
            mtu,
            used: used / 100.0,
            reserve: reserve / 100.0,
            reshape_share,
            reshape_rate: stated.reshape_rate.map(|rate| Rate(rate.0 as f64)),
            hours: UseHours {
                from,
                hours: use_hours,
                weekends,
            },
            annual_failure: annual / 100.0,
            read_error,
            power_cuts,
            loads: stated.loads.unwrap_or_else(|| Work::ALL.map(Load::from)),
            list: ledger.list,
        })
    }

    /// Payload of the link: TCP over IPv4 with timestamps; without bounds where there is none.
    pub fn payload(&self) -> Rate {
        if self.no_link {
            return Rate(f64::INFINITY);
        }
        payload_rate(self.link_bits_per_s, self.mtu, IpVersion::V4, true, false)
    }

    /// Innermost over outermost rate.
    pub fn zone_ratio(&self) -> f64 {
        self.drive.inner.0 / self.drive.outer.0
    }

    /// Mean paces of a reshape over each drive: best, likely, worst.
    ///
    /// Idle 80, 50, 30 MB/s; in use, with a fifth of the drives' time, 20, 10, 5 MB/s (common practice, no source: 30 to 80
    /// lightly used, 5 to 20 busy). A stated rate is that of the outermost tracks and is brought to
    /// the mean over zones; best is 10 % above it and worst 20 % below (assumed). No pace exceeds what
    /// a drive can.
    pub fn reshape_paces(&self) -> [Pace; 3] {
        let most = self.drive.mean_rate().0;
        let pace = |idle: f64, in_use: f64| Pace {
            idle: Rate(idle.min(most)),
            in_use: Rate(in_use.min(idle).min(most)),
        };
        let kept = self.reshape_share;
        match self.reshape_rate {
            Some(Rate(seen)) => {
                let mean = seen * f64::midpoint(1.0, self.zone_ratio());
                [1.1, 1.0, 0.8].map(|factor| pace(mean * factor, mean * factor * kept))
            }
            None => {
                let relative = relative(self.reshape_share);
                let [best, likely, worst] = IN_USE.map(|in_use| in_use * relative);
                [pace(80e6, best), pace(50e6, likely), pace(30e6, worst)]
            }
        }
    }

    /// Mean paces of filling a whole drive in one sequential run, as shares of what it can: best,
    /// likely, worst.
    pub fn fill_paces(&self, shares: [f64; 3]) -> [Pace; 3] {
        let mean = self.drive.mean_rate().0;
        shares.map(|share| Pace {
            idle: Rate(mean * share),
            in_use: Rate(mean * share * self.reshape_share),
        })
    }
}

/// The part of the drives' time that a reshape usually gets in hours of use: a fifth, from 50 MB/s idle and
/// 10 MB/s in use (common practice, no source).
const USUAL_SHARE: f64 = 0.2;

/// What is left of a reshape's pace then, in bytes per second: best, likely, worst (common practice, no source).
const IN_USE: [f64; 3] = [20e6, 10e6, 5e6];

/// So many times that is left with another `share` of the drives' time.
fn relative(share: f64) -> f64 {
    share / USUAL_SHARE
}

#[cfg(test)]
mod tests;

//! What can go wrong while the pool grows, and in ordinary years before and after.

use super::super::assumptions::Assumed;
use super::super::{
    LongRun, Proposal, Scheme, clean_read, failure_rate, happens_within, loss_in_years, loss_within,
};
use super::{Durations, Side, count};
use crate::units::Bytes;

/// How many times as likely each further failure is after one (Chen et al. 1994, Table 4).
pub const FOLLOWERS: f64 = 10.0;
/// Hours of a year.
const YEAR: f64 = 8760.0;

/// Chances of the window and of the years. A pair is that of the likely and of the worst length.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Danger {
    /// Hours of the window: likely and worst.
    pub hours: [f64; 2],
    /// Failures that are survived while the pool grows.
    pub tolerance: u32,
    /// Any drive fails.
    pub any_failure: [f64; 2],
    /// Data is lost to failures that are independent.
    pub loss_independent: [f64; 2],
    /// Data is lost to failures of which each makes the next ten times as likely.
    pub loss_following: [f64; 2],
    /// Power fails.
    pub power_cut: [f64; 2],
    /// What an unreadable sector can do once no redundancy is left; none where there never was any.
    pub read_bound: Option<ReadBound>,
    /// Ten ordinary years before the expansion.
    pub years_before: TenYears,
    /// Ten ordinary years after it.
    pub years_after: TenYears,
}

/// The chance of meeting an unreadable sector in a rebuild without redundancy.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ReadBound {
    /// Failures after which no redundancy is left.
    pub failures: u32,
    /// Bytes that have to be read then.
    pub bytes: Bytes,
    /// The chance by the data sheet's limit: a bound.
    pub chance: f64,
}

/// Chances of losing data within ten years.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TenYears {
    /// To independent failures of drives.
    pub independent: f64,
    /// To failures of which each makes the next ten times as likely.
    pub following: f64,
    /// To those, or to read errors at the data sheet's limit, or to a power cut that leaves parity
    /// behind data: a bound.
    pub bound: f64,
}

impl Danger {
    pub(super) fn of(proposal: &Proposal, time: &Durations, assumed: &Assumed) -> Self {
        let rate = failure_rate(assumed.annual_failure);
        let [_, likely, worst] = time
            .growth
            .hours
            .map(|hours| hours.unwrap_or(f64::INFINITY));
        let hours = [likely, worst];
        // Until the end the pool survives what it survived before; a new copy of a mirror does not
        // count before it is complete.
        let tolerance = proposal.scheme.tolerance(count(proposal.members.len()));
        let drives = match proposal.scheme {
            Scheme::Raid1 => count(proposal.members.len()),
            _ => proposal.after().drives,
        };
        let group = proposal.scheme.group(drives);
        let loss = |tolerance, followers| {
            hours.map(|hours| loss_within(rate, hours, drives / group, group, tolerance, followers))
        };
        let years = |side| ten_years(side, proposal.smallest(), time, assumed);
        Self {
            hours,
            tolerance,
            any_failure: loss_of_any(rate, proposal.after().drives, hours),
            loss_independent: loss(tolerance, 1.0),
            loss_following: loss(tolerance, FOLLOWERS),
            power_cut: hours.map(|hours| happens_within(assumed.power_cuts / YEAR, hours)),
            read_bound: (tolerance > 0).then(|| {
                let left = u64::from(group.saturating_sub(tolerance));
                let bytes = Bytes(read_bytes(proposal, assumed).round() as u64).times(left);
                ReadBound {
                    failures: tolerance,
                    bytes,
                    chance: 1.0 - clean_read(assumed.read_error, bytes.0 as f64 * 8.0),
                }
            }),
            years_before: years(proposal.before()),
            years_after: years(proposal.after()),
        }
    }
}

fn loss_of_any(rate: f64, drives: u32, hours: [f64; 2]) -> [f64; 2] {
    hours.map(|hours| loss_within(rate, hours, 1, drives, 0, 1.0))
}

/// Bytes of a drive that a rebuild reads: all, or only what is used with RAID-Z.
fn read_bytes(proposal: &Proposal, assumed: &Assumed) -> f64 {
    let part = if proposal.scheme.raid_z() {
        assumed.used
    } else {
        1.0
    };
    proposal.smallest().0 as f64 * part
}

fn ten_years(side: Side, size: Bytes, time: &Durations, assumed: &Assumed) -> TenYears {
    let run = |followers| LongRun {
        drives: f64::from(side.drives),
        group: side.scheme.group(side.drives),
        tolerance: side.scheme.tolerance(side.drives),
        drive_failure: 1.0 / failure_rate(assumed.annual_failure),
        followers,
        repair: time.rebuild.hours[1].unwrap_or(f64::INFINITY),
        clean_drive: clean_read(assumed.read_error, size.0 as f64 * 8.0),
    };
    let following = run(FOLLOWERS);
    let mut ways = vec![following.drives_alone(), following.drives_and_read_error()];
    if side.scheme.parity() > 0 && !side.scheme.raid_z() && assumed.power_cuts > 0.0 {
        let agreement = time.scrub.hours[1].unwrap_or(f64::INFINITY);
        ways.push(following.crash_and_drive(YEAR / assumed.power_cuts, agreement));
    }
    TenYears {
        independent: loss_in_years(&[run(1.0).drives_alone()], 10.0),
        following: loss_in_years(&[following.drives_alone()], 10.0),
        bound: loss_in_years(&ways, 10.0),
    }
}

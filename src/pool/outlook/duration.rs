//! How long the expansion takes, what else could be done, and what comes before and after.

use jiff::civil::DateTime;

use super::super::assumptions::Assumed;
use super::super::{
    Capacity, Course, Pace, Proposal, Scheme, finish, naive_over_true, place_after,
};
use super::Space;
use crate::units::{Bytes, Rate};

/// Hours and end of something, best, likely and worst; `None` where it is over ten years.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pass {
    /// Hours from the start.
    pub hours: [Option<f64>; 3],
    /// When it ends, by the clock of the place.
    pub ends: [Option<DateTime>; 3],
}

/// Another way to more space or safety.
#[derive(Clone, Debug, PartialEq)]
pub struct Way {
    /// What is done.
    pub what: String,
    /// Drives that are bought.
    pub drives: usize,
    /// What data can have afterwards.
    pub usable: Bytes,
    /// How long it takes.
    pub pass: Pass,
    /// Times at which the pool runs with a drive too few.
    pub exposures: usize,
}

/// All times of an outlook.
#[derive(Clone, Debug, PartialEq)]
pub struct Durations {
    /// When the expansion starts.
    pub start: DateTime,
    /// Bytes of each drive that are passed over.
    pub device_bytes: Bytes,
    /// The expansion itself.
    pub growth: Pass,
    /// The fraction of the drive that is done after half of a pass at one pace.
    pub half_time_place: f64,
    /// At a tenth of the drive: the time left reckoned from the present rate, over the true one.
    pub naive_at_a_tenth: f64,
    /// Other ways, beginning at the same time.
    pub ways: Vec<Way>,
    /// Rebuilding one drive in the pool as it is afterwards.
    pub rebuild: Pass,
    /// A scrub when the expansion has ended.
    pub scrub: Pass,
    /// Hours of a long self-test of the new drive, idle: least and most.
    pub self_test: [f64; 2],
    /// Hours of writing all of the new drive and reading it back.
    pub burn_in: f64,
}

/// Hours of a long self-test per terabyte of an idle drive (derived and common practice, no source).
const SELF_TEST: [f64; 2] = [1.4, 2.5];
/// Of a drive's mean rate: rebuilding from all others, or scrubbing; best, likely, worst (assumed).
const REBUILD: [f64; 3] = [0.9, 0.6, 0.3];
/// Copying one drive onto another (assumed).
const COPY: [f64; 3] = [0.95, 0.8, 0.5];
/// How many times slower a reshape is that writes each stripe over itself: what is moved is saved
/// elsewhere first and flushed (common practice that it is far slower, the factors assumed).
const OVER_ITSELF: [f64; 3] = [2.0, 3.0, 5.0];

impl Durations {
    pub(super) fn of(proposal: &Proposal, space: &Space, assumed: &Assumed) -> Self {
        let start = proposal.start;
        let run = |bytes, paces| pass(start, bytes, paces, assumed);
        let rebuild = |bytes| run(bytes, assumed.fill_paces(REBUILD));
        let largest_new = proposal.new.iter().copied().max().unwrap_or_default();
        let terabytes = largest_new.0 as f64 / Bytes::TB.0 as f64;
        let read_once = largest_new.0 as f64 / assumed.drive.mean_rate().0 / 3600.0;
        let device_bytes = device_bytes(proposal, space, assumed);
        let growth = match proposal.scheme {
            // A mirror is filled in one run, like a drive that is rebuilt.
            Scheme::Raid1 if proposal.becoming == Scheme::Raid1 => rebuild(device_bytes),
            _ => run(device_bytes, reshape_paces(proposal.over_itself(), assumed)),
        };
        let largest = proposal.all().into_iter().max().unwrap_or_default();
        Self {
            start,
            device_bytes,
            growth,
            half_time_place: place_after(assumed.zone_ratio(), 0.5),
            naive_at_a_tenth: naive_over_true(assumed.zone_ratio(), 0.1),
            ways: ways(proposal, largest_new, assumed),
            rebuild: rebuild(proposal.smallest()),
            scrub: {
                let begin = growth.ends[1].unwrap_or(start);
                pass(begin, largest, assumed.fill_paces(REBUILD), assumed)
            },
            // It reads all of the drive.
            self_test: SELF_TEST.map(|hours| (hours * terabytes).max(read_once)),
            burn_in: 2.0 * read_once,
        }
    }
}

fn pass(start: DateTime, bytes: Bytes, paces: [Pace; 3], assumed: &Assumed) -> Pass {
    let hours = paces.map(|pace| {
        let course = Course {
            bytes,
            pace,
            hours: assumed.hours,
        };
        course.hours(start)
    });
    Pass {
        hours,
        ends: hours.map(|hours| finish(start, hours?)),
    }
}

fn reshape_paces(over_itself: bool, assumed: &Assumed) -> [Pace; 3] {
    let mut paces = assumed.reshape_paces();
    if over_itself {
        for (pace, factor) in paces.iter_mut().zip(OVER_ITSELF) {
            pace.idle = Rate(pace.idle.0 / factor);
            pace.in_use = Rate(pace.in_use.0 / factor);
        }
    }
    paces
}

/// Bytes of each drive that the expansion passes over: all that a member has; only what is used with
/// RAID-Z, which copies blocks, and where that was stated; in layers, those that a new drive joins and those that are new.
fn device_bytes(proposal: &Proposal, space: &Space, assumed: &Assumed) -> Bytes {
    let smallest = proposal.smallest();
    if proposal.used_only() {
        return Bytes((smallest.0 as f64 * assumed.used).round() as u64);
    }
    if !proposal.scheme.uneven() {
        return smallest;
    }
    let old = &space.before.layers;
    let touched = space
        .after
        .layers
        .iter()
        .enumerate()
        .filter(|(index, layer)| {
            old.get(*index)
                .is_none_or(|before| before.drives < layer.drives)
        });
    touched.map(|(_, layer)| layer.height).sum()
}

fn ways(proposal: &Proposal, size: Bytes, assumed: &Assumed) -> Vec<Way> {
    let drives = proposal.members.len();
    let swapped = Capacity::of(proposal.scheme, &vec![size; drives]).usable;
    let all: Bytes = proposal.members.iter().copied().sum();
    let run = |bytes, paces| pass(proposal.start, bytes, paces, assumed);
    // Drives of the same size are new drives, and nothing else.
    let others = match swapped > Capacity::of(proposal.scheme, &proposal.members).usable {
        true => format!("by {size}"),
        false => format!("by others of {size} (no more space)"),
    };
    let mut ways = vec![
        Way {
            what: format!(
                "replace all {drives} drives {others}, one after another, rebuilding each"
            ),
            drives,
            usable: swapped,
            pass: run(all, assumed.fill_paces(REBUILD)),
            exposures: drives,
        },
        Way {
            what: format!(
                "replace all {drives} drives {others}, copying each while the old one stays in"
            ),
            drives,
            usable: swapped,
            pass: run(all, assumed.fill_paces(COPY)),
            exposures: 0,
        },
    ];
    if proposal.scheme == Scheme::Raid5 && proposal.becoming == Scheme::Raid5 {
        let all = proposal.all();
        let change = Proposal {
            becoming: Scheme::Raid6,
            ..proposal.clone()
        };
        let paces = reshape_paces(change.over_itself(), assumed);
        ways.push(Way {
            what: "make it RAID 6 with the same new drive: survives a second failure".into(),
            drives: proposal.new.len(),
            usable: Capacity::of(Scheme::Raid6, &all).usable,
            pass: run(proposal.smallest(), paces),
            exposures: 0,
        });
    }
    ways
}

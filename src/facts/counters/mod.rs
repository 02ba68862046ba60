//! Counters that the kernel keeps: what really went over the wire, to the drives, and through the
//! processor, whatever a read call says of itself.
//!
//! One file per source, each a pure parser of its text. [`difference`] compares two readings.
//! A counter that went backwards is unknown, never negative.

mod core;
mod drive;
mod link;
mod memory;
mod moved;
mod nfs;
mod pressure;
mod process;
mod schedule;
mod text;

pub use self::core::{CoreTime, FULL_CORE};
pub use drive::DriveIo;
pub use link::LinkIo;
pub use memory::Memory;
pub use moved::{Moved, Width, moved};
pub use nfs::{NfsIo, NfsRequests, is_nfs};
pub use pressure::Pressure;
pub use process::ProcessIo;
pub use schedule::Scheduled;
pub use text::{CounterError, unescape};

pub(in crate::facts) use text::Text;

use crate::units::Nanos;

/// What is counted: since it began, or over an interval.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Counted {
    /// What this process read and wrote.
    pub process: Option<ProcessIo>,
    /// What the share asked of its server, for NFS.
    pub nfs: Option<NfsIo>,
    /// The interface that leads to the server.
    pub link: Option<LinkIo>,
    /// The member drives that were named and are known.
    pub drives: Vec<DriveIo>,
    /// The cores of this machine that are known.
    pub cores: Vec<CoreTime>,
    /// Waiting for I/O.
    pub io_pressure: Option<Pressure>,
    /// Waiting for a core.
    pub cpu_pressure: Option<Pressure>,
}

/// Everything that could be read at one moment.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Counters {
    /// When it was read, on the clock of its reader.
    pub at: Nanos,
    /// What was counted up to then.
    pub counted: Counted,
    /// What the memory holds.
    pub memory: Option<Memory>,
    /// What could not be read, and why.
    pub missing: Vec<String>,
}

/// What was counted between two readings.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Deltas {
    /// Time between the two readings; zero when the second is not the later one.
    pub elapsed: Nanos,
    /// What was counted in between.
    pub counted: Counted,
    /// What the memory held at both ends: levels have no difference worth the name.
    pub memory: Option<(Memory, Memory)>,
    /// Counters that wrapped, and are known all the same.
    pub wrapped: Vec<String>,
    /// What is not known, and why.
    pub missing: Vec<String>,
}

impl Deltas {
    /// The cores that were busy for more than `fraction` of the interval, with their busy fraction,
    /// the fullest first. [`FULL_CORE`] is the usual limit.
    pub fn cores_above(&self, fraction: f64) -> Vec<(u32, f64)> {
        let mut full: Vec<(u32, f64)> = self
            .counted
            .cores
            .iter()
            .filter_map(|core| Some((core.core, core.busy_fraction()?)))
            .filter(|(_, busy)| *busy > fraction)
            .collect();
        full.sort_by(|a, b| b.1.total_cmp(&a.1));
        full
    }
}

/// What was counted from `before` to `after`. A part is there when both readings have it and none
/// of its counters went backwards; else `missing` says why not.
pub fn difference(before: &Counters, after: &Counters) -> Deltas {
    let mut missing = before.missing.clone();
    let new = after
        .missing
        .iter()
        .filter(|why| !before.missing.contains(why));
    missing.extend(new.cloned());
    let mut wrapped = Vec::new();
    let mut lost = |what: &str, why: String| missing.push(format!("{what}: {why}"));
    let ends = (&before.counted, &after.counted);
    let process = part(
        ends,
        |at| &at.process,
        ProcessIo::since,
        "process",
        &mut lost,
    );
    let nfs = part(ends, |at| &at.nfs, NfsIo::since, "nfs", &mut lost);
    let link = part(ends, |at| &at.link, LinkIo::since, "link", &mut lost);
    let io_pressure = part(
        ends,
        |at| &at.io_pressure,
        Pressure::since,
        "io pressure",
        &mut lost,
    );
    let cpu_pressure = part(
        ends,
        |at| &at.cpu_pressure,
        Pressure::since,
        "cpu pressure",
        &mut lost,
    );
    let drives = each(
        (&ends.0.drives, &ends.1.drives),
        |drive| format!("drive {}", drive.name),
        |after, before| {
            let (interval, times) = after.since(before)?;
            wrapped.extend(
                times
                    .iter()
                    .map(|time| format!("drive {}: {time}", after.name)),
            );
            Ok(interval)
        },
        &mut lost,
    );
    let cores = each(
        (&ends.0.cores, &ends.1.cores),
        |core| format!("core {}", core.core),
        CoreTime::since,
        &mut lost,
    );
    Deltas {
        elapsed: after.at.since(before.at),
        counted: Counted {
            process,
            nfs,
            link,
            drives,
            cores,
            io_pressure,
            cpu_pressure,
        },
        memory: before.memory.zip(after.memory),
        wrapped,
        missing,
    }
}

/// The interval of one part that both ends have.
fn part<T>(
    (before, after): (&Counted, &Counted),
    of: fn(&Counted) -> &Option<T>,
    since: fn(&T, &T) -> Result<T, CounterError>,
    what: &str,
    lost: &mut impl FnMut(&str, String),
) -> Option<T> {
    let (before, after) = (of(before).as_ref()?, of(after).as_ref()?);
    since(after, before)
        .map_err(|why| lost(what, why.to_string()))
        .ok()
}

/// The intervals of all things that both ends have, in the order of the later end.
fn each<T>(
    (before, after): (&[T], &[T]),
    name: impl Fn(&T) -> String,
    mut since: impl FnMut(&T, &T) -> Result<T, CounterError>,
    lost: &mut impl FnMut(&str, String),
) -> Vec<T> {
    let find = |items: &[T], wanted: &T| items.iter().position(|item| name(item) == name(wanted));
    for gone in before.iter().filter(|item| find(after, item).is_none()) {
        lost(&name(gone), "gone at the end of the interval".into());
    }
    let mut intervals = Vec::new();
    for item in after {
        match find(before, item).map(|index| since(item, &before[index])) {
            Some(Ok(interval)) => intervals.push(interval),
            Some(Err(why)) => lost(&name(item), why.to_string()),
            None => lost(&name(item), "not there at the start of the interval".into()),
        }
    }
    intervals
}

#[cfg(test)]
mod tests;

//! Speed in bytes and operations per second: multiples of a drive, the place of the data, the link.

use super::super::assumptions::Assumed;
use super::super::{Load, Promise, Work, promises};
use super::{Side, Space};

/// The lowest and the highest of what models say.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Range {
    /// Lowest.
    pub low: f64,
    /// Highest.
    pub high: f64,
}

impl Range {
    fn of(values: impl IntoIterator<Item = f64> + Clone) -> Self {
        Self {
            low: values.clone().into_iter().fold(f64::INFINITY, f64::min),
            high: values.into_iter().fold(f64::NEG_INFINITY, f64::max),
        }
    }

    fn times(self, factor: f64) -> Self {
        Self {
            low: self.low * factor,
            high: self.high * factor,
        }
    }

    fn at_most(self, ceiling: f64) -> Self {
        Self {
            low: self.low.min(ceiling),
            high: self.high.min(ceiling),
        }
    }
}

/// What is expected for one kind of work. Large work is in bytes per second, the other in operations
/// per second.
#[derive(Clone, Debug, PartialEq)]
pub struct Expected {
    /// The kind of work.
    pub work: Work,
    /// Operations in flight.
    pub in_flight: u32,
    /// What each model promises.
    pub promises: Vec<Promise>,
    /// New over old by the drives alone.
    pub ratio: Range,
    /// New over old by the move of the same data: to faster tracks for large work; closer together, with
    /// shorter seeks, for the other.
    pub location: f64,
    /// What the pool can before, with its data where it lies.
    pub pool_before: Range,
    /// What the pool can afterwards, with the same data spread anew.
    pub pool_after: Range,
    /// What one user on the link sees before.
    pub user_before: Range,
    /// What one user on the link sees afterwards.
    pub user_after: Range,
}

impl Expected {
    /// Whether the link is full before and after, so that no user sees a gain.
    pub fn link_bound(&self) -> bool {
        self.user_before.high < self.pool_before.high && self.user_after.low <= self.user_before.low
    }
}

pub(super) fn expected(
    before: Side,
    after: Side,
    space: &Space,
    assumed: &Assumed,
) -> Vec<Expected> {
    let (old, new) = (assumed.used, place_after(before, after, space));
    let payload = assumed.payload().0;
    assumed
        .loads
        .iter()
        .map(|&load| {
            let work = load.work;
            let promises = promises(
                (before.scheme, before.drives),
                (after.scheme, after.drives),
                load,
            );
            let (drive_before, drive_after) =
                (drive(assumed, load, old), drive(assumed, load, new));
            let pool_before = Range::of(promises.iter().map(|p| p.before)).times(drive_before);
            let pool_after = Range::of(promises.iter().map(|p| p.after)).times(drive_after);
            let link = match work.large() {
                true => payload,
                false => payload / load.block_bytes as f64,
            };
            Expected {
                work,
                in_flight: load.in_flight,
                ratio: Range::of(promises.iter().map(Promise::ratio)),
                location: drive_after / drive_before,
                pool_before,
                pool_after,
                user_before: pool_before.at_most(link),
                user_after: pool_after.at_most(link),
                promises,
            }
        })
        .collect()
}

/// The fraction of each drive that the same data fills afterwards. Old blocks of RAID-Z take the same
/// bytes of more drives.
fn place_after(before: Side, after: Side, space: &Space) -> f64 {
    let fraction = match before.scheme {
        scheme if scheme.raid_z() => {
            let old = space.used.0 as f64 / space.before.usable.0 as f64;
            old * f64::from(before.drives) / f64::from(after.drives)
        }
        _ => space.used.0 as f64 / space.after.usable.0 as f64,
    };
    fraction.clamp(0.0, 1.0)
}

/// What one drive gives, when data fills the fraction `filled` of it from the outermost track on: the
/// mean rate of reading all of that (the middle of the rates at its ends, as
/// [`super::super::Drive::mean_rate`]), or random operations over it.
fn drive(assumed: &Assumed, load: Load, filled: f64) -> f64 {
    let drive = &assumed.drive;
    let rate = f64::midpoint(drive.outer.0, drive.rate_at(filled).0);
    if load.work.large() {
        return rate;
    }
    assumed.drive_operations.unwrap_or_else(|| {
        let wait = drive.mean_seek(filled) + drive.half_turn();
        1.0 / (wait.secs() + load.block_bytes as f64 / rate)
    })
}

//! How far an expansion is, and how fast it may go.

use super::drive::DriveKind;
use super::scenario::Reshaping;
use crate::pool::Pool;
use crate::units::{Bytes, Nanos, Rate};

/// How gladly the reshape makes room: the fourth power of the time that is left over halves it where
/// others take 16 % (made up).
const YIELD: i32 = 4;

/// A moment of an expansion.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Progress {
    /// Bytes of each drive that are done.
    pub done: Bytes,
    /// Bytes of each drive.
    pub total: Bytes,
    /// Bytes per second on each drive, just now.
    pub rate: Rate,
}

/// An expansion that runs.
#[derive(Clone, Copy, Debug)]
pub(super) struct Reshape {
    pub(super) settings: Reshaping,
    total: u64,
    done: f64,
    rate: f64,
    /// Position that was last written down.
    checkpoint: f64,
    since_checkpoint: Nanos,
    /// Whether something keeps it from moving.
    stands: bool,
    /// New data drives over old ones.
    widening: f64,
    /// Drives that are read, and drives that are written.
    drives: (u32, u32),
}

/// What the reshape does next, on each drive alike.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Step {
    /// Where data is read on the old drives; behind the end of it, empty stripes are made.
    pub(super) from: u64,
    /// Where it is written on all of them.
    pub(super) to: u64,
    /// How much.
    pub(super) bytes: u64,
}

impl Reshape {
    /// Of drives of `drive_bytes` from the pool `old` to `new`.
    pub(super) fn new(settings: Reshaping, drive_bytes: u64, old: &Pool, new: &Pool) -> Self {
        Self {
            settings,
            total: drive_bytes,
            done: 0.0,
            rate: 0.0,
            checkpoint: 0.0,
            since_checkpoint: Nanos(0),
            stands: false,
            widening: old.large_read_ratio(new).data_drives,
            drives: (old.drives, new.drives),
        }
    }

    /// Bytes of each drive that are done.
    pub(super) fn done(&self) -> u64 {
        self.done as u64
    }

    /// Keeps it from moving, or lets it move again.
    pub(super) fn hold(&mut self, stands: bool) {
        self.stands = stands;
        if stands {
            self.rate = 0.0;
        }
    }

    /// Whether something keeps it from moving.
    pub(super) fn stands(&self) -> bool {
        self.stands
    }

    /// Drives that are read.
    pub(super) fn drives_read(&self) -> u32 {
        self.drives.0
    }

    /// What comes next when `ahead` steps are under way; `None` when those are the last, or it stands.
    pub(super) fn step(&self, ahead: u64) -> Option<Step> {
        if self.stands {
            return None;
        }
        let unit = self.settings.unit.0.max(1);
        let to = self.done() + ahead * unit;
        let bytes = unit.min(self.total.checked_sub(to).filter(|left| *left > 0)?);
        let from = ((to as f64 * self.widening) as u64).min(self.total - bytes);
        Some(Step { from, to, bytes })
    }

    pub(super) fn finished(&self) -> bool {
        self.done() >= self.total
    }

    pub(super) fn progress(&self) -> Progress {
        Progress {
            done: Bytes(self.done()),
            total: Bytes(self.total),
            rate: Rate(self.rate),
        }
    }

    /// What each drive could move per second if nobody else were there: all drives read a unit, all
    /// write it, and the slowest is waited for.
    ///
    /// The largest of `n` uniform waits for a sector is `n/(n + 1)` of a turn on average.
    pub(super) fn idle_rate(&self, drive: &DriveKind) -> f64 {
        let Some(Step { from, to, bytes }) = self.step(0) else {
            return self.settings.ceiling().0;
        };
        let place = |at: u64| at as f64 / self.total as f64;
        let slowest = |drives: u32| f64::from(drives) / f64::from(drives + 1);
        let turns = slowest(self.drives.0) + slowest(self.drives.1);
        let seeks = 2.0 * drive.seek(place(from.abs_diff(to)) + f64::EPSILON).secs();
        let bytes = bytes as f64;
        let transfer = bytes / drive.rate_at(place(from)).0 + bytes / drive.rate_at(place(to)).0;
        bytes / (seeks + turns * drive.turn().secs() + transfer)
    }

    /// What it allows itself when others take the part `busy` of the drives' time; nothing while it
    /// stands.
    pub(super) fn allowed(&self, busy: f64, drive: &DriveKind) -> f64 {
        if self.stands {
            return 0.0;
        }
        let most = self.idle_rate(drive).min(self.settings.ceiling().0);
        (most * (1.0 - busy).max(0.0).powi(YIELD)).max(self.settings.floor().0.min(most))
    }

    /// The part of the drives' time that it takes at `rate`.
    pub(super) fn share(&self, rate: f64, drive: &DriveKind) -> f64 {
        (rate / self.idle_rate(drive)).min(1.0)
    }

    /// `bytes` of each drive were moved in `span`.
    pub(super) fn moved(&mut self, bytes: f64, span: Nanos) {
        self.done = (self.done + bytes).min(self.total as f64);
        self.rate = bytes / span.secs().max(1e-9);
        self.since_checkpoint = self.since_checkpoint + span;
        let interval = self.settings.checkpoint.max(Nanos(1));
        if self.since_checkpoint >= interval {
            self.since_checkpoint = Nanos(self.since_checkpoint.0 % interval.0);
            let since = self.rate * self.since_checkpoint.secs();
            self.checkpoint = (self.done - since).max(self.checkpoint);
        }
    }

    /// The power fails and comes back: it goes on from the position that was written down.
    pub(super) fn power_cut(&mut self) {
        self.done = self.checkpoint;
        self.since_checkpoint = Nanos(0);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::seed::Seed;
    use crate::sim::{Priority, demo_scenario};

    #[test]
    fn it_yields_down_to_its_floor_and_priority_moves_the_floor() {
        let scenario = demo_scenario(Seed(1));
        let rates = |priority| {
            let settings = Reshaping {
                priority,
                ..scenario.reshape
            };
            let grown = scenario.pool.grown(1).unwrap();
            let reshape = Reshape::new(settings, 6_000_000_000_000, &scenario.pool, &grown);
            [0.0, 0.16, 1.0].map(|busy| reshape.allowed(busy, &scenario.drive) / 1e6)
        };
        let [idle, shared, busy] = rates(Priority::Normal);
        // 30 to 80 MB/s on each drive when lightly used, 5 to 20 when busy (common practice, no
        // source).
        assert!((30.0..80.0).contains(&idle), "{idle}");
        assert!((shared / idle - 0.5).abs() < 0.01);
        assert!((5.0..20.0).contains(&busy), "{busy}");
        assert_eq!(rates(Priority::Low)[2], 1.024);
        assert!(rates(Priority::High)[2] > 30.0);
    }

    #[test]
    fn a_power_cut_loses_what_came_after_the_checkpoint() {
        let scenario = demo_scenario(Seed(1));
        let grown = scenario.pool.grown(1).unwrap();
        let mut reshape = Reshape::new(scenario.reshape, 1_000_000, &scenario.pool, &grown);
        reshape.moved(130.0, Nanos(130 * Nanos::SECOND.0));
        reshape.power_cut();
        assert_eq!(reshape.done(), 120);
        for _ in 0..59 {
            reshape.moved(1.0, Nanos::SECOND);
        }
        reshape.power_cut();
        assert_eq!(reshape.done(), 120);
        for _ in 0..61 {
            reshape.moved(1.0, Nanos::SECOND);
        }
        reshape.power_cut();
        assert_eq!(reshape.done(), 180);
    }
}

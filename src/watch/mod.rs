//! Follows a reshape for days.
//!
//! The follower asks a source at even intervals, keeps each reading on disk before it thinks about
//! it, and starts anew from the study's table after any interruption. Commands may fail or hang, the
//! machine may sleep, its clock may be set: each leaves its trace in the table and none ends the
//! watch. All that touches the machine goes through a [`World`], so that days pass in a test at once.

mod absent;
mod follow;
mod glance;
pub mod live;
mod machine;
mod made_up;
mod probers;
mod probing;

pub use follow::{Ended, Event, Orders, follow};
pub use glance::{Glance, asked, glance};
pub use machine::{Asking, Machine};
pub use made_up::{Clock, MadeUp, Turns};
pub use probers::Probers;
pub use probing::Prober;

use jiff::Timestamp;

use crate::study::ProbeRow;

/// What a follower needs of the machine it runs on.
pub trait World {
    /// The time of day.
    fn now(&self) -> Timestamp;

    /// Seconds by a clock that nobody sets and that goes on while the machine sleeps.
    fn steady(&self) -> f64;

    /// The text of the source, or one sentence why there is none. Ends within a known time.
    fn ask(&mut self) -> impl Future<Output = Result<String, String>>;

    /// Bytes read from all member drives since the server started, where it tells.
    fn members_read(&mut self) -> impl Future<Output = Option<u64>>;

    /// Whether there is a share to probe, though it may not answer just now.
    fn can_probe(&self) -> bool;

    /// Probes the share lightly for so many seconds, while the reshape is at `place` (fraction, and
    /// fraction per hour). After a probe that failed, the share is opened anew.
    fn probe(&mut self, seconds: u64, place: Place) -> impl Future<Output = Probed>;

    /// Probes more lightly from now on; `false` when it cannot and probing has ended.
    fn probe_less(&mut self) -> bool;

    /// Waits for so many seconds, or a little longer.
    fn rest(&mut self, seconds: f64) -> impl Future<Output = ()>;

    /// Runs the person's command for an alarm with these words; a sentence when it fails.
    fn raise(&mut self, state: &str, sentence: &str) -> impl Future<Output = Result<(), String>>;
}

/// Where the reshape is while something else is looked at.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Place {
    /// Part that is done.
    pub fraction: Option<f64>,
    /// Speed, in parts of the whole an hour.
    pub fraction_per_h: Option<f64>,
}

/// What came of a probe.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Probed {
    /// A row for each kind of reads, those that failed included.
    pub rows: Vec<ProbeRow>,
    /// Why the share could not be probed, if it could not.
    pub lost: Option<String>,
}

impl Probed {
    /// What `rows` tell.
    pub fn of(rows: Vec<ProbeRow>) -> Self {
        let failed = rows.iter().find(|row| !row.cause.is_empty());
        Self {
            lost: failed.map(|row| row.cause.clone()),
            rows,
        }
    }
}

#[cfg(test)]
mod tests;

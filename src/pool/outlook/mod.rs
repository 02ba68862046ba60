//! What an expansion will give, before anyone buys: space, speed, time and risk of a [`Proposal`].
//!
//! All of it is computed from what was stated and from assumptions that are listed beside it; nothing
//! here is measured.

mod cautions;
mod danger;
mod duration;
mod rates;
mod space;

pub use danger::{Danger, FOLLOWERS, ReadBound, TenYears};
pub use duration::{Durations, Pass, Way};
pub use rates::{Expected, Range};
pub use space::Space;

use super::assumptions::{Assumed, Assumption};
use super::{Objection, Proposal, Scheme};

/// The answer to a proposal.
#[derive(Clone, Debug, PartialEq)]
pub struct Outlook {
    /// What was proposed.
    pub proposal: Proposal,
    /// Bytes before and after.
    pub space: Space,
    /// Speed of each kind of work.
    pub speed: Vec<Expected>,
    /// Payload of the link in bytes per second; infinite where there is none.
    pub payload: f64,
    /// How long it takes.
    pub time: Durations,
    /// What can go wrong meanwhile, and in the years before and after.
    pub danger: Danger,
    /// What was taken for granted.
    pub assumptions: Vec<Assumption>,
    /// What to know and do before starting, a sentence each.
    pub cautions: Vec<String>,
}

/// One side of the expansion, as the calculations need it.
#[derive(Clone, Copy, Debug)]
struct Side {
    scheme: Scheme,
    drives: u32,
}

impl Proposal {
    /// Everything that can be said of the expansion beforehand.
    ///
    /// # Errors
    /// All objections, when there are any: the expansion cannot or should not be done.
    pub fn outlook(self) -> Result<Outlook, Vec<Objection>> {
        let mut objections = self.objections();
        let assumed = Assumed::from(&self.stated, self.smallest());
        let assumed = assumed.map_err(|error| objections.insert(0, error.into()));
        let (Ok(assumed), true) = (assumed, objections.is_empty()) else {
            return Err(objections);
        };
        let (before, after) = (self.before(), self.after());
        let space = Space::of(&self, &assumed);
        let speed = rates::expected(before, after, &space, &assumed);
        let time = Durations::of(&self, &space, &assumed);
        let danger = Danger::of(&self, &time, &assumed);
        let cautions = cautions::cautions(&self, &space, &speed, &assumed);
        Ok(Outlook {
            space,
            speed,
            payload: assumed.payload().0,
            time,
            danger,
            assumptions: assumed.list,
            cautions,
            proposal: self,
        })
    }

    fn before(&self) -> Side {
        Side {
            scheme: self.scheme,
            drives: count(self.members.len()),
        }
    }

    fn after(&self) -> Side {
        Side {
            scheme: self.becoming,
            drives: count(self.members.len() + self.new.len()),
        }
    }
}

/// A number of drives; [`Proposal::objections`] keeps it small.
fn count(drives: usize) -> u32 {
    u32::try_from(drives).unwrap_or(u32::MAX)
}

#[cfg(test)]
mod tests;

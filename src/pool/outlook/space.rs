//! Bytes before and after.

use super::super::assumptions::Assumed;
use super::super::{Capacity, Proposal, old_blocks, usual_bytes};
use super::count;
use crate::units::Bytes;

/// Where the bytes go, before and after.
#[derive(Clone, Debug, PartialEq)]
pub struct Space {
    /// The pool now.
    pub before: Capacity,
    /// The pool afterwards, as if all of it had been written anew.
    pub after: Capacity,
    /// What data can have afterwards, with old data as it lies.
    pub usable_after: Bytes,
    /// Data in the pool now.
    pub used: Bytes,
    /// The part that the file system keeps, 0 to 1.
    pub reserve: f64,
    /// The fewest bytes that a new drive may have.
    pub smallest_new: Bytes,
    /// What a drive of that label usually has, where the smallest size is a label.
    pub usual: Option<Bytes>,
}

impl Space {
    pub(super) fn of(proposal: &Proposal, assumed: &Assumed) -> Self {
        let (members, all) = (&proposal.members, proposal.all());
        let before = Capacity::of(proposal.scheme, members);
        let after = match proposal.becoming == proposal.scheme {
            true => before.grown(proposal.scheme, members, &proposal.new),
            false => Capacity::of(proposal.becoming, &all),
        };
        let used = Bytes((before.usable.0 as f64 * assumed.used).round() as u64);
        let usable_after = match proposal.scheme.raid_z() {
            true => {
                let (old, new) = (count(members.len()), count(all.len()));
                old_blocks(proposal.scheme, proposal.smallest(), old, new, used).usable
            }
            false => after.usable,
        };
        let smallest_new = proposal.smallest();
        Self {
            before,
            after,
            usable_after,
            used,
            reserve: assumed.reserve,
            smallest_new,
            usual: usual_bytes(smallest_new),
        }
    }

    /// What rewriting old data would win, where it keeps its old share of parity.
    pub fn won_by_rewriting(&self) -> Bytes {
        self.after.usable.saturating_sub(self.usable_after)
    }

    /// What is gained for data.
    pub fn gained(&self) -> Bytes {
        self.usable_after.saturating_sub(self.before.usable)
    }

    /// What files can have of `usable`: without the file system's reserve.
    pub fn for_files(&self, usable: Bytes) -> Bytes {
        Bytes((usable.0 as f64 * (1.0 - self.reserve)).round() as u64)
    }
}

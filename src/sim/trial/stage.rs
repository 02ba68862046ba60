//! What a trial works on, and what comes of it.

use std::collections::BTreeMap;

use super::super::cache::Cache;
use super::super::client::{Client, ClientCache, Tier};
use super::super::counters::Counters;
use super::super::layout::Layout;
use super::super::member::Conditions;
use super::super::reshape::Reshape;
use super::super::scenario::Server;
use super::super::truth::Truth;
use super::super::wire::Wire;
use crate::units::Nanos;

/// Where the bytes of the pool lie, before, while and after it grows.
#[derive(Clone, Copy, Debug)]
pub(in crate::sim) struct Placement {
    pub(in crate::sim) old: Layout,
    pub(in crate::sim) new: Layout,
}

/// The parts of the share that a trial uses and changes.
#[derive(Debug)]
pub(in crate::sim) struct Stage<'a> {
    pub(in crate::sim) server: Server,
    pub(in crate::sim) wire: Wire,
    pub(in crate::sim) round_trip: Nanos,
    pub(in crate::sim) conditions: Conditions,
    pub(in crate::sim) placement: Placement,
    pub(in crate::sim) reshape: Option<&'a mut Reshape>,
    /// Bytes that the drives move for a byte of test data.
    pub(in crate::sim) stored: f64,
    /// The server's memory.
    pub(in crate::sim) cache: &'a mut Cache,
    pub(in crate::sim) tier: Option<(Tier, &'a mut Cache)>,
    pub(in crate::sim) client: Client,
    pub(in crate::sim) client_cache: Option<(ClientCache, &'a mut Cache)>,
    /// Address of each file in the pool.
    pub(in crate::sim) files: &'a BTreeMap<u64, u64>,
    pub(in crate::sim) rng: fastrand::Rng,
}

impl Stage<'_> {
    /// The layout that holds at an address just now.
    pub(super) fn layout(&self, address: u64) -> &Layout {
        let Placement { old, new } = &self.placement;
        let moved = self
            .reshape
            .as_ref()
            .map_or(0, |reshape| new.filled_to(reshape.done()));
        if address < moved { new } else { old }
    }
}

/// What came of it.
#[derive(Debug)]
pub(in crate::sim) struct Outcome<S> {
    /// Those who asked for it, with what they saw.
    pub(in crate::sim) sources: Vec<S>,
    /// When the end was asked for, if it was.
    pub(in crate::sim) stopped: Option<Nanos>,
    /// From the last answer to the last byte on the drives.
    pub(in crate::sim) flush: Nanos,
    /// All of the time, with the flush.
    pub(in crate::sim) elapsed: Nanos,
    /// Other users' operations.
    pub(in crate::sim) foreign: u64,
    /// Where the bytes came from.
    pub(in crate::sim) truth: Truth,
    pub(in crate::sim) tally: Tally,
    /// What each drive's counters say.
    pub(in crate::sim) members: Vec<Counters>,
}

/// What the client's counters say of its own operations.
#[derive(Clone, Debug, Default)]
pub(in crate::sim) struct Tally {
    /// Bytes that its interface counts towards it.
    pub(in crate::sim) received: u64,
    /// And away from it.
    pub(in crate::sim) sent: u64,
    /// Busy time of each core.
    pub(in crate::sim) cores: Vec<Nanos>,
    /// Time that operations waited for a core.
    pub(in crate::sim) waited: Nanos,
}

//! What a trial works on, and what comes of it.

use std::collections::BTreeMap;

use super::super::cache::Cache;
use super::super::layout::Layout;
use super::super::member::Conditions;
use super::super::reshape::Reshape;
use super::super::scenario::Server;
use crate::record::Recording;
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
    /// Payload bytes per second each way.
    pub(in crate::sim) link: f64,
    pub(in crate::sim) round_trip: Nanos,
    pub(in crate::sim) conditions: Conditions,
    pub(in crate::sim) placement: Placement,
    pub(in crate::sim) reshape: Option<&'a mut Reshape>,
    pub(in crate::sim) cache: &'a mut Cache,
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
pub(in crate::sim) struct Outcome {
    pub(in crate::sim) recordings: Vec<Recording>,
    /// When the end was asked for, if it was.
    pub(in crate::sim) stopped: Option<Nanos>,
    /// From the last answer to the last byte on the drives.
    pub(in crate::sim) flush: Nanos,
    /// All of the time, with the flush.
    pub(in crate::sim) elapsed: Nanos,
    /// Other users' operations.
    pub(in crate::sim) foreign: u64,
}

//! A made-up share on virtual time: pool, server, link, other users and an expansion, all from one
//! seed.
//!
//! It stands in for the edge, so that a study of several days runs in seconds and comes out the same
//! byte for byte. Everything that it yields says SIMULATED.
//!
//! | part | modelled as |
//! | --- | --- |
//! | drive | serves one operation at a time, first come, first served: seek, rotation and transfer by zone; forward runs pay no turn |
//! | pool | chunks over rotating parity; a part of a stripe is written by the cheaper of read-modify-write and reading the rest |
//! | solid-state drive | operations overlap by their latency; their bytes pass one after another |
//! | server | memory that keeps what passed through, oldest out first; a solid-state tier behind it; a write-back buffer, drained to the drives |
//! | link | one message at a time each way with its headers, beside the client's other traffic, and a round trip |
//! | client | a cache of its own; a core for each stream, which may be too slow |
//! | other users | operations at random moments on each drive, by the hour of the day |
//! | reshape | moves data between other operations, at least at its minimum rate; may be held, stand, or be thrown back by a power cut |
//! | known caches | any part of the test data is in a memory from the outset, whatever was read before |
//! | observations | counters of the made-up machines, read before a trial and after it; only what [`Visibility`] allows |
//! | chance | seeks and turns by trial; all drives' speed drifts slowly with the time of day |

mod buffer;
mod cache;
mod client;
mod counters;
mod drive;
mod incident;
mod joint;
mod layout;
mod member;
mod observe;
mod reshape;
mod scenario;
pub mod scenarios;
mod share;
mod touch;
mod trial;
mod truth;
mod wire;

pub use client::{Client, ClientCache, Tier, Visibility};
pub use drive::{DriveKind, Solid};
pub use incident::{Happening, Incident};
pub use joint::JointShare;
pub use reshape::Progress;
pub use scenario::{
    Network, Priority, Reshaping, Scenario, Server, Users, demo_scenario, eventful, office_hours,
};
pub use share::SimulatedShare;
pub use truth::Truth;
pub use wire::Traffic;

#[cfg(test)]
mod tests;

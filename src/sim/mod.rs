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
//! | server | memory that keeps what passed through, oldest out first; a write-back buffer, drained to the drives |
//! | link | one payload at a time each way, and a round trip |
//! | other users | operations at random moments on each drive, by the hour of the day |
//! | reshape | moves data between other operations, at least at its minimum rate |
//! | chance | seeks and turns by trial; all drives' speed drifts slowly with the time of day |

mod buffer;
mod cache;
mod layout;
mod member;
mod reshape;
mod scenario;
mod share;
mod trial;

pub use reshape::Progress;
pub use scenario::{
    Network, Priority, Reshaping, Scenario, Server, Users, demo_scenario, office_hours,
};
pub use share::SimulatedShare;

#[cfg(test)]
mod tests;

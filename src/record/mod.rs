//! What happened: operations gathered into windows of one second, windows into a trial.
//!
//! Recordings of parallel streams are made apart, without locks, and merged afterwards.

mod controls;
mod digest;
mod failure;
mod histogram;
mod latency;
mod observation;
mod recording;
mod summary;

pub use controls::{Controls, Rung};
pub use digest::WindowLatency;
pub use failure::{Cause, Failure, is_full};
pub use histogram::{Shape, histogram};
pub use observation::{Observations, names as observed};
pub use recording::{Recording, WINDOW, Window};
pub use summary::{Summary, summarize};

//! What happened: operations gathered into windows of one second, windows into a trial.
//!
//! Recordings of parallel streams are made apart, without locks, and merged afterwards.

mod failure;
mod latency;
mod observation;
mod recording;
mod summary;

pub use failure::{Cause, Failure, is_full};
pub use latency::{Shape, WindowLatency, histogram};
pub use observation::{Observations, names as observed};
pub use recording::{Recording, WINDOW, Window};
pub use summary::{Summary, summarize};

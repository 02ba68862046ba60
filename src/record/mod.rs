//! What happened: operations gathered into windows of one second, windows into a trial.
//!
//! Recordings of parallel streams are made apart, without locks, and merged afterwards.

mod observation;
mod recording;
mod summary;

pub use observation::{Observations, names as observed};
pub use recording::{Cause, Failure, Recording, WINDOW, Window, digits_for, histogram, is_full};
pub use summary::{Summary, summarize};

//! poolproof measures a shared storage pool before, during and after it grows, and says what
//! changed.
//!
//! The modules stand in the order of their dependencies: each uses only what is listed above it.
//! The upper block is pure: values in, values out; the time and the seed are arguments. The lower
//! block touches the machine. Data takes one way: words and facts become a plan, the plan drives a
//! load, the load leaves trials in study files, a snapshot of the study is compared, and the
//! comparison is rendered.

pub mod workers;
pub mod units;
pub mod text;
pub mod seed;
pub mod stats;
pub mod facts;
pub mod pool;
pub mod plan;
pub mod record;
pub mod reshape;
pub mod study;
pub mod judge;
pub mod compare;
pub mod ready;
pub mod chart;
pub mod integrity;
pub mod report;

mod sys;
pub mod probe;
pub mod load;
pub mod own;
pub mod store;
pub mod sim;
pub mod watch;
pub mod cli;

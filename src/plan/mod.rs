//! What a sitting will do: workloads, the order of trials, where each operation goes, what stands
//! in the blocks, how much test data there is. Pure: a request and facts in, a plan or the reason
//! why not out.

pub mod content;
mod controls;
mod data;
mod earlier;
mod pattern;
mod permutation;
mod phase;
mod schedule;
mod sizing;
mod standard;
mod sweep;
mod workload;

pub use controls::{ControlReads, guessed_reach};
pub use data::{DataFile, Set, TestData};
pub use pattern::{Direction, Operation, Pattern, PatternError};
pub use permutation::Permutation;
pub use phase::Phase;
pub use schedule::order;
pub use sizing::{Memory, Sizing, SizingError, Space, keep_free, size};
pub use standard::{RunPlan, STANDARD, StandardSet};
pub use sweep::{sweep_workload, working_sets};
pub use workload::{Access, CLASS_BLOCK, CLASS_WRITES, Workload, WorkloadError};

//! The statistics room: `f64` slices in, values out.
//!
//! Nothing here knows of bytes, drives or shares; nothing reads a clock, and chance
//! enters only through an explicit `&mut fastrand::Rng`. A result that the data do
//! not define (the spread of one value, the mean of none) is `None`, never a made-up
//! number. Every formula names its source, and every function is tested against
//! published values or an independent computation.
//!
//! | module | answers |
//! | --- | --- |
//! | `describe` | where a sample lies and how wide it is |
//! | `quantile` | the value below which a share of the sample lies, by a named definition |
//! | `interval` | how far an estimate may be off: t, bootstrap, jackknife, exact bounds of a share |
//! | `contrast` | whether and by how much two groups differ, and what it takes to prove it |
//! | `association` | whether two series rise and fall together, in words of ranks |
//! | `regression` | least squares by Householder QR; a line, what it predicts and when it arrives |
//! | `theil_sen` | a line that wrong points do not move |
//! | `steady` | whether a series has settled, and where its warm-up ends |
//! | `stalls` | how often a series nearly stands still |
//! | `change_point` | where the level of a series changes |
//! | `long_run` | how far the mean of a series with memory may be off |
//! | `precise` | when a mean is known well enough, though one has looked before |
//! | `student_mixture` | what several models together predict |
//! | `mixture` | whether latencies have a fast and a slow part, and the share of the fast |

pub mod describe;
pub mod quantile;
pub(crate) mod special;

pub mod interval;
pub mod contrast;
pub mod association;
pub mod regression;
pub mod theil_sen;
pub mod steady;
pub mod stalls;
pub mod change_point;
pub mod long_run;
pub mod precise;
pub mod student_mixture;
pub mod mixture;

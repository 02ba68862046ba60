//! What textbooks and arithmetic say of a pool: its geometry, the ceiling of its link, the speed of
//! its drives by location. Pure; nothing here is measured.

mod ceiling;
mod geometry;
mod zone;

pub use ceiling::{IpVersion, frames_per_second, payload_rate};
pub use geometry::{LargeReadRatio, Level, ParseLevelError, Pool, PoolError};
pub use zone::{Drive, relative_rate};

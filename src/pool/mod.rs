//! What textbooks and arithmetic say of a pool: its geometry, the ceiling of its link, the speed of
//! its drives by location. Pure; nothing here is measured.

mod capacity;
mod ceiling;
mod geometry;
mod label;
mod layers;
mod scheme;
mod zone;

pub use capacity::{Capacity, OldBlocks, old_blocks};
pub use ceiling::{IpVersion, frames_per_second, payload_rate};
pub use geometry::{LargeReadRatio, Level, ParseLevelError, Pool, PoolError};
pub use label::usual_bytes;
pub use layers::Layer;
pub use scheme::{ParseSchemeError, Scheme};
pub use zone::Drive;

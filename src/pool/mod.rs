//! What textbooks and arithmetic say of a pool: its geometry, the ceiling of its link, the speed of
//! its drives by location; and what an expansion will give ([`Proposal::outlook`]). Pure; nothing
//! here is measured.

mod assumptions;
mod capacity;
mod ceiling;
mod course;
mod geometry;
mod label;
mod layers;
mod long_run;
mod odds;
mod outlook;
mod proposal;
mod scheme;
mod speed;
mod zone;

pub use assumptions::{Assumed, Assumption, RangeError, Stated};
pub use capacity::{Capacity, OldBlocks, old_blocks};
pub use ceiling::{IpVersion, frames_per_second, payload_rate};
pub use course::{Course, Pace, UseHours, finish, naive_over_true, place_after};
pub use geometry::{LargeReadRatio, Level, ParseLevelError, Pool, PoolError};
pub use label::usual_bytes;
pub use layers::Layer;
pub use long_run::{LongRun, loss_in_years};
pub use odds::{clean_read, failure_rate, happens_within, loss_within, odds_in_words};
pub use outlook::{
    Danger, Durations, Expected, FOLLOWERS, Outlook, Pass, Range, ReadBound, Space, TenYears, Way,
};
pub use proposal::{Objection, Proposal};
pub use scheme::{ParseSchemeError, Scheme};
pub use speed::{Load, Model, Multiple, Promise, Work, busy_share, multiples, promises};
pub use zone::{Drive, relative_rate};

//! How far an expansion is, in what state, and when it will be done.
//!
//! Readings go in, an assessment comes out; nothing here asks a server or reads a clock. A source's
//! text becomes a [`Reading`]; readings become a [`Track`], on which clock steps, corrupt readings,
//! jumps backwards and time that stood still are set apart; the track becomes a state, an alarm if
//! somebody has to know, and a [`Forecast`] with its range.
//!
//! | module | answers |
//! | --- | --- |
//! | `reading` | what was seen at one moment |
//! | `source` | what a text says: `/proc/mdstat`, a balance, a RAID-Z expansion, a bare percentage |
//! | `track` | which readings count, and how long it really moved between them |
//! | `work` | how much work lies between two positions, by zone; how fast an hour of the day is |
//! | `forecast` | when it will be done, and how sure that is |
//! | `ending` | when it was done; whether one that is gone is; where another pass begins |
//! | `state` | moving, slowing, paused, stalled, finished, ended or lost; what somebody has to do |
//! | `cost` | what probing costs the reshape |

mod reading;
mod readings;
pub mod source;
mod track;
mod work;
mod forecast;
mod straight;
mod ending;
mod state;
mod cost;

#[cfg(test)]
pub(crate) mod simulated;

pub use cost::{Cost, probing_cost};
pub use ending::Ending;
pub use forecast::{Forecast, Range, forecast};
pub use reading::{Extent, Reading, Reported, Word};
pub use readings::{Readings, Span};
pub use source::{Source, SourceError};
pub use state::{Alarm, Another, Assessment, State, assess};
pub use straight::Straight;
pub use track::{ClockStep, Jump, Move, Point, Track};
pub use work::{Hours, Model, Zones};

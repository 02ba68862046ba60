//! Statistics: no units, no names of the trade.

pub mod steady;

/// Pure statistics: slices of plain numbers in, values out; no units, no names of the trade.
pub mod stats;

//! What a watch tells while it runs: a page for browsers, and figures for monitors.
//!
//! The loop publishes a [`Moment`] and goes on: nothing here can hold it up. Whatever takes time happens
//! behind that, one after the other, each reading only the latest value of the one before:
//!
//! ```text
//! loop -> Herald -(Moment)-> Painter -(Painted)-+-> the server, one stream a browser
//!                                               +-> the file of figures
//! ```

mod door;
mod figures;
mod herald;
mod painter;
mod routes;
mod serve;
#[cfg(test)]
mod tests;

pub use door::{Door, Token, TokenError};
pub use figures::keep_figures;
pub use herald::{Herald, Moment};
pub use painter::{Painted, Painter};
pub use serve::serve;

//! Pictures as SVG text: rates by workload, a trial second by second, the distribution of latency,
//! rereading by working set, what a reshape cost hour by hour, its progress with its forecasts.
//!
//! Values in, text out. A picture is drawn with plotters in the light colours of `chart/palette.rs`, which
//! are then replaced by CSS variables, so that one SVG serves a light and a dark page;
//! [`standalone`] puts the light colours back for viewers that know no variables. No phase is told
//! by colour alone: each has its own mark and its own kind of line. What is void, because a cache served
//! it, is hatched or hollow, says so in words, and has no place on an axis of rates. Every picture carries a title
//! and a description for those who cannot see it, under identifiers made from the caller's `id`.

mod axis;
mod bitmap;
mod canvas;
mod cost;
mod expected;
mod family;
mod grade;
mod latency;
mod layers;
mod lean;
mod palette;
mod position;
mod progress;
mod series;
mod spots;
mod sweep;
mod thin;
mod time;

pub use bitmap::Painter;
pub use cost::{Busy, CostLines, cost_chart, cost_points};
pub use expected::{Expected, expected_chart};
pub use family::{Family, family_chart};
pub use grade::{cached, letter, void};
pub use latency::{PhaseLatency, latency_distribution};
pub use layers::{Reached, Stage, layers_chart};
pub use palette::{standalone, stylesheet};
pub use position::{Lying, position_chart};
pub use progress::{progress_chart, progress_points, progress_told};
pub use series::{series_told, trial_series};
pub use sweep::sweep_chart;
pub use thin::{evenly, thin, told};

#[cfg(test)]
mod tests;

//! The outlook of an expansion, for people and for programs.

mod data;
mod risk;
mod speed;
mod text;
mod words;

pub use data::{objections_json, outlook_csv, outlook_json};
pub use text::{objections_text, outlook_text};

//! The integration tests, one binary.
#![expect(
    clippy::disallowed_methods,
    clippy::disallowed_types,
    reason = "these tests use the machine as a person does"
)]

mod commands;
mod support;

mod real_browser;
#[cfg(target_os = "linux")]
mod real_pool;
#[cfg(target_os = "linux")]
mod real_truth;
mod stats;

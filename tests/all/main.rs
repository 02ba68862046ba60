//! The integration tests, one binary.

mod commands;
mod support;

#[cfg(target_os = "linux")]
mod real_pool;
mod stats;

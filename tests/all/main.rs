//! The integration tests, one binary.

mod support;

#[cfg(target_os = "linux")]
mod real_pool;
mod stats;

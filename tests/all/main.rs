//! The integration tests, one binary.
#![expect(
    clippy::disallowed_methods,
    clippy::disallowed_types,
    reason = "these tests use the machine as a person does"
)]

mod commands;
mod days;
mod docs;
mod faults;
mod hostile;
mod limits;
mod live;
mod plan;
mod readme;
mod ready;
mod supply;
mod support;
mod texts;
mod truth;
#[cfg(target_os = "linux")]
mod under_way;
mod watch;

mod real_browser;
mod real_reference;
mod real_folder;
mod real_live;
mod real_local;
#[cfg(target_os = "linux")]
mod real_network;
mod real_package;
#[cfg(target_os = "linux")]
mod real_pool;
#[cfg(target_os = "linux")]
mod real_truth;
mod stats;

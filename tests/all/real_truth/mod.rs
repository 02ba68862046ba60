//! The program against a share that knows the truth: a file system of our own, mounted through the
//! kernel, that answers from known memories and made-up drives and counts what came from where.

mod config;
mod counts;
mod damage;
mod faults;
mod grades;
mod program;
mod replies;
mod server;
mod silent;
mod service;
mod share;
mod tests;
mod tree;

use std::time::Duration;

use config::{Config, Positioning};
use share::TruthShare;

use crate::support::real;

const MIB: u32 = 1 << 20;
const SMALL: u32 = 4096;

/// `None` when this machine cannot have one, or was not asked to.
fn mount(config: &Config) -> Option<TruthShare> {
    real("truth share", || TruthShare::mount(config))
}

/// A share without any delay worth naming.
fn quick() -> Config {
    Config {
        positioning: Positioning::LogNormal(Duration::from_micros(50), 0.1),
        drive_rate: 2_000_000_000,
        ..Config::default()
    }
}

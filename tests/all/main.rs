//! The integration tests, one binary.

mod stats;

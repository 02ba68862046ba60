//! The statistics room against published values.

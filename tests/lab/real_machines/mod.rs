//! The program on real machines.
mod cache;
mod job;
mod seeks;

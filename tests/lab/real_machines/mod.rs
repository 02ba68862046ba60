//! The program on real machines.
mod cache;
mod faults;
mod job;
mod seeks;
mod texts;

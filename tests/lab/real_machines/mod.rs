//! The program on real machines.
mod cache;
mod seeks;

//! The program against a share that knows the truth: a file system of our own, mounted through the
//! kernel, that answers from known memories and made-up drives and counts what came from where.

mod config;
mod counts;
mod replies;
mod server;
mod service;
mod share;
mod tests;
mod tree;

//! The laboratory: two emulated machines with a cable between them, a server with drives and a client
//! with the program. What the program says is held against what happened, counted outside of both.
#![cfg(target_os = "linux")]
#![expect(
    clippy::disallowed_methods,
    clippy::disallowed_types,
    reason = "these tests use the machine as a person does"
)]

mod count;
mod drive;
mod lab;
mod ledger;
mod machine;
mod pool;
mod proof;
mod root;
mod share;
mod table;
mod tool;
mod walk;
mod real_machines;

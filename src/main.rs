//! The program: what was typed goes to [`poolproof::cli`], its answer becomes the exit code.

use std::process::ExitCode;

fn main() -> ExitCode {
    ExitCode::from(poolproof::cli::run(std::env::args_os()))
}

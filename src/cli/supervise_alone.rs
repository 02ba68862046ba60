//! One process: where the system cannot bind the end of one to that of another, the work waits for
//! itself. A share that never answers may hold it then.

use std::io::{self, Write as _};

use super::Exit;

/// Does `work` and returns how it ended.
pub(super) fn supervised(work: impl FnOnce() -> Exit) -> u8 {
    work().code()
}

/// Ends the program at once.
pub(super) fn end(exit: Exit) -> ! {
    // A reader that has gone away misses nothing.
    drop(io::stdout().flush());
    std::process::exit(i32::from(exit.code()))
}

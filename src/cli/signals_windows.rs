//! What ends the program in an orderly way on Windows: Ctrl-C, Ctrl-Break, and a console that is closed.
//! They count as SIGINT, SIGTERM and SIGHUP.

use std::sync::atomic::{AtomicU8, Ordering::SeqCst};

use tokio::signal::windows::{CtrlBreak, CtrlC, CtrlClose, ctrl_break, ctrl_c, ctrl_close};

/// The first of them that came; 0 for none.
static FIRST: AtomicU8 = AtomicU8::new(0);

/// All three.
pub(super) struct Signals(CtrlC, CtrlBreak, CtrlClose);

impl Signals {
    pub(super) fn new() -> std::io::Result<Self> {
        Ok(Self(ctrl_c()?, ctrl_break()?, ctrl_close()?))
    }

    /// Waits for one of them.
    pub(super) async fn next(&mut self) {
        // The numbers of POSIX.
        let number = tokio::select! {
            _ = self.0.recv() => 2,
            _ = self.1.recv() => 15,
            _ = self.2.recv() => 1,
        };
        // Only the first says why the program ends.
        let _ = FIRST.compare_exchange(0, number, SeqCst, SeqCst);
    }
}

/// The number of the signal that ends the program, if one came.
pub(super) fn first() -> Option<u8> {
    Some(FIRST.load(SeqCst)).filter(|number| *number != 0)
}

//! The signals that end the program in an orderly way.

use std::sync::atomic::{AtomicU8, Ordering::SeqCst};

use rustix::process::Signal as Number;
use tokio::signal::unix::{Signal, SignalKind, signal};

/// The first of them that came; 0 for none.
static FIRST: AtomicU8 = AtomicU8::new(0);

/// SIGINT, SIGTERM and SIGHUP, but not those that whoever started the program had ignored.
pub(super) struct Signals([Option<Signal>; 3]);

impl Signals {
    pub(super) fn new() -> std::io::Result<Self> {
        let ignored = ignored();
        let listen = |number: Number| {
            let number = number.as_raw();
            let wanted = ignored & 1 << (number - 1) == 0;
            wanted
                .then(|| signal(SignalKind::from_raw(number)))
                .transpose()
        };
        Ok(Self([
            listen(Number::INT)?,
            listen(Number::TERM)?,
            listen(Number::HUP)?,
        ]))
    }

    /// Waits for one of them.
    pub(super) async fn next(&mut self) {
        let [interrupt, terminate, hang_up] = &mut self.0;
        let number = tokio::select! {
            () = next_of(interrupt) => Number::INT,
            () = next_of(terminate) => Number::TERM,
            () = next_of(hang_up) => Number::HUP,
        };
        // Only the first says why the program ends.
        let _ = FIRST.compare_exchange(0, number.as_raw() as u8, SeqCst, SeqCst);
    }
}

async fn next_of(signal: &mut Option<Signal>) {
    match signal {
        Some(signal) => {
            signal.recv().await;
        }
        None => std::future::pending().await,
    }
}

/// The number of the signal that ends the program, if one came.
pub(super) fn first() -> Option<u8> {
    Some(FIRST.load(SeqCst)).filter(|number| *number != 0)
}

/// Signals that are ignored, a bit each, the lowest for number 1; none where the system does not tell.
pub(super) fn ignored() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let mask = status.lines().find_map(|line| line.strip_prefix("SigIgn:"));
    mask.and_then(|mask| u64::from_str_radix(mask.trim(), 16).ok())
        .unwrap_or(0)
}

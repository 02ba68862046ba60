//! Reads the person's own files, and nothing but reads: seals them, and looks at them again.
//!
//! Only plain files are ever opened: no device, pipe or socket, and nothing through a link at any
//! step of the way. Access times stay as they are where the system allows it. Content is hashed with
//! a key and never kept.

mod check;
mod file;
mod walk;

use std::ops::ControlFlow;
use std::sync::atomic::{AtomicUsize, Ordering::Relaxed};
use std::sync::mpsc;
use std::thread;

pub use check::{Compared, Read, compare, seal};
pub use file::{Refused, State};
pub use walk::{Found, Skipped, WalkError, identity, walk};

use crate::load::Watch;

/// Files that are read at once.
const READERS: usize = 8;

/// Does `work` for each of `items`, several at once, and tells what came of each as it comes, until
/// an end is asked for, `work` has nothing more to give, or `tell` breaks.
pub fn each<T: Sync, R: Send>(
    items: &[T],
    watch: &Watch,
    work: impl Fn(&T) -> Option<R> + Sync,
    tell: &mut dyn FnMut(&T, R) -> ControlFlow<()>,
) {
    let next = AtomicUsize::new(0);
    let (send, done) = mpsc::channel();
    let reader = |send: mpsc::Sender<(usize, R)>| {
        while !watch.stopped() {
            let index = next.fetch_add(1, Relaxed);
            let Some(result) = items.get(index).and_then(&work) else {
                return;
            };
            if send.send((index, result)).is_err() {
                return;
            }
        }
    };
    thread::scope(|scope| {
        for _ in 0..READERS.min(items.len()) {
            let (reader, send) = (&reader, send.clone());
            scope.spawn(move || reader(send));
        }
        drop(send);
        for (index, result) in done {
            if tell(&items[index], result).is_break() {
                // The readers see that nobody listens.
                return;
            }
        }
    });
}

//! Reads the person's own files, and nothing but reads: seals them, and looks at them again.
//!
//! Only plain files are ever opened: no device, pipe or socket, and nothing through a link at any
//! step of the way. Access times stay as they are where the system allows it. Content is hashed with
//! a key and never kept.

mod check;
mod file;
mod walk;

use std::ops::ControlFlow;
use std::path::Path;
use std::sync::atomic::{AtomicUsize, Ordering::Relaxed};
use std::sync::{Arc, mpsc};
use std::thread;
use std::time::Duration;

pub use check::{Compared, Read, compare, seal};
pub use file::{Refused, State};
pub use walk::{Found, Skipped, WalkError, identity, walk};

use crate::load::{self, LoadError, Watch};

/// Files that are read at once.
const READERS: usize = 8;

/// Does `work` for each of `items`, several at once, and tells what came of each as it comes, until
/// an end is asked for, `work` has nothing more to give, or `tell` breaks.
///
/// # Errors
/// When the files, which are below `place`, give no answer for `patience`: readers that wait for the
/// kernel are then left to it.
pub fn each<T: Send + Sync + 'static, R: Send + 'static>(
    items: Vec<T>,
    watch: &Watch,
    (place, patience): (&Path, Duration),
    work: impl Fn(&T) -> Option<R> + Send + Sync + 'static,
    tell: &mut dyn FnMut(&T, R) -> ControlFlow<()>,
) -> Result<(), LoadError> {
    let items: Arc<[T]> = items.into();
    let (next, work) = (Arc::new(AtomicUsize::new(0)), Arc::new(work));
    let (send, done) = mpsc::channel();
    for _ in 0..READERS.min(items.len()) {
        let (items, next, work) = (Arc::clone(&items), Arc::clone(&next), Arc::clone(&work));
        let (send, watch) = (send.clone(), watch.clone());
        thread::spawn(move || {
            while !watch.stopped() {
                let index = next.fetch_add(1, Relaxed);
                let Some(result) = items.get(index).and_then(&*work) else {
                    return;
                };
                // Where nobody listens any more, nobody wants more.
                if send.send((index, result)).is_err() {
                    return;
                }
            }
        });
    }
    drop(send);
    let (mut told, mut broken) = (0, false);
    let mut hear = |(index, result): (usize, R)| {
        told += 1;
        let flow = tell(&items[index], result);
        broken = flow.is_break();
        flow
    };
    load::hear(patience, place, "reading files", watch, &done, &mut hear)?;
    assert!(
        broken || watch.stopped() || told == items.len(),
        "a reader of files broke off"
    );
    Ok(())
}

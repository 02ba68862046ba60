//! Drives that the harness plays itself, below everything that a guest can cache.
//!
//! A guest's drive is a block device that QEMU reads over a socket; behind the socket stands [`Drive`].
//! It answers when a drive of its [`Model`] would: seek, turn and transfer take their time, one request
//! after another. So the time that a lone read takes has a known truth, a rested drive is no faster than
//! a busy one, and what came from the drives is counted outside of the machines under test.

mod counts;
mod model;
mod nbd;
mod queue;

use std::fs::File;
use std::io;
use std::os::unix::net::UnixListener;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};
use std::thread;

pub(crate) use counts::{Counts, Totals};
pub(crate) use model::Model;
use queue::Queue;

/// What a drive does with the next request.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Condition {
    /// Answers as its model says.
    Well,
    /// Takes this many times as long for everything.
    Slow(f64),
    /// Answers everything with an error.
    Failing,
}

/// One drive: a file without holes' cost, a model, and a socket that QEMU connects to.
pub(crate) struct Drive {
    shared: Arc<Shared>,
    socket: PathBuf,
}

struct Shared {
    content: File,
    model: Model,
    condition: Mutex<Condition>,
    counts: Counts,
    queue: Queue,
}

impl Drive {
    /// Makes an empty drive in `folder` and starts to serve it; its threads end with their connection.
    pub(crate) fn start(folder: &Path, name: &str, model: Model, seed: u64) -> io::Result<Self> {
        let content = File::options()
            .read(true)
            .write(true)
            .create_new(true)
            .open(folder.join(format!("{name}.drive")))?;
        content.set_len(model.bytes)?;
        let socket = folder.join(format!("{name}.socket"));
        let listener = UnixListener::bind(&socket)?;
        let shared = Arc::new(Shared {
            content,
            model,
            condition: Mutex::new(Condition::Well),
            counts: Counts::default(),
            queue: Queue::default(),
        });
        let mechanism = Arc::clone(&shared);
        thread::Builder::new()
            .name(format!("{name} mechanism"))
            .spawn(move || mechanism.queue.work(&mechanism, seed))?;
        let served = Arc::clone(&shared);
        thread::Builder::new()
            .name(format!("{name} socket"))
            .spawn(move || {
                for stream in listener.incoming().map_while(Result::ok) {
                    let served = Arc::clone(&served);
                    // A connection that breaks is a guest that ended.
                    thread::spawn(move || drop(nbd::serve(stream, &served)));
                }
            })?;
        Ok(Self { shared, socket })
    }

    /// Where QEMU finds the drive.
    pub(crate) fn socket(&self) -> &Path {
        &self.socket
    }

    /// Changes what the drive does from the next request on.
    pub(crate) fn set(&self, condition: Condition) {
        *self.shared.condition.lock().unwrap() = condition;
    }

    /// What was read and written since the drive was made.
    pub(crate) fn totals(&self) -> Totals {
        self.shared.counts.totals()
    }
}

impl Drop for Drive {
    fn drop(&mut self) {
        self.shared.queue.close();
    }
}

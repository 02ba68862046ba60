//! Mounting, and what a test may ask and do meanwhile.

use std::fs;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard};
use std::thread;
use std::time::Duration;

use fuser::{BackgroundSession, Errno as Answer, MountOption};
use rustix::fs::statvfs;
use rustix::io::Errno;
use tempfile::TempDir;

use super::config::Config;
use super::counts::{Books, Counts};
use super::service::{Gate, MEMBERS, Service, State};
use crate::support::{find, run, say};

/// How the temporary folders begin that shares are mounted in.
const PREFIX: &str = "poolproof-truth-";
/// Attempts to unmount while it is in use.
const PATIENCE: usize = 50;

/// A mounted share that knows what it serves and from where. Dropping it unmounts it.
#[derive(Debug)]
pub(crate) struct TruthShare {
    session: Option<BackgroundSession>,
    gate: Arc<Gate>,
    state: Arc<Mutex<State>>,
    books: Arc<Mutex<Books>>,
    folder: TempDir,
}

impl TruthShare {
    /// Mounts a share, after unmounting what killed runs left behind.
    ///
    /// # Errors
    /// With the precondition that is missing, or why the kernel refuses.
    pub(crate) fn mount(config: &Config) -> Result<Self, String> {
        if !rustix::process::geteuid().is_root() {
            return Err("only root may mount".to_owned());
        }
        if !Path::new("/dev/fuse").exists() {
            return Err("there is no /dev/fuse".to_owned());
        }
        find("umount")?;
        unmount_leftovers();
        let failed = |error| format!("cannot mount a share of our own: {error}");
        let folder = tempfile::Builder::new().prefix(PREFIX).tempdir();
        let folder = folder.map_err(failed)?;
        let place = folder.path().join("share");
        fs::create_dir(&place).map_err(failed)?;
        let gate = Arc::new(Gate::default());
        let (service, state, books) = Service::new(config, &gate);
        let mut options = fuser::Config::default();
        options.mount_options = vec![
            MountOption::FSName("truth".to_owned()),
            MountOption::DefaultPermissions,
        ];
        let session = fuser::spawn_mount(service, place, &options).map_err(failed)?;
        Ok(Self {
            session: Some(session),
            gate,
            state,
            books,
            folder,
        })
    }

    /// Where it is mounted.
    pub(crate) fn path(&self) -> PathBuf {
        self.folder.path().join("share")
    }

    /// A folder beside it, for a study.
    pub(crate) fn beside(&self) -> &Path {
        self.folder.path()
    }

    /// A file on it that no listing shows: the counters of its drives since it was mounted, as text
    /// in the form of `/proc/diskstats`, exact at the moment it is opened. Reading it is not counted.
    pub(crate) fn members(&self) -> PathBuf {
        self.path().join(MEMBERS)
    }

    /// What it served since the last reset.
    pub(crate) fn counts(&self) -> Counts {
        self.books().counts()
    }

    /// Counts from nothing again, all but the drives' own counters.
    pub(crate) fn reset(&self) {
        self.books().reset();
    }

    /// Empties the memories of the server and of lying direct I/O.
    pub(crate) fn forget(&self) {
        self.state().server.forget();
    }

    /// From now on, reads of one block fail: the first of the last read that asked for `length`
    /// bytes.
    ///
    /// # Panics
    /// When there was no such read.
    pub(crate) fn break_last_read(&self, length: u32) {
        let broken = self.state().break_last_read(length);
        assert!(broken, "nothing was read in {length} bytes");
    }

    /// Takes so many more writes, then has no room left.
    pub(crate) fn fill_up_after(&self, writes: u64) {
        self.state().writes_left = Some(writes);
    }

    /// From now on, nothing is answered any more.
    pub(crate) fn fall_silent(&self) {
        self.gate.close(true);
    }

    /// Answers what waits, and all that follows.
    pub(crate) fn answer_again(&self) {
        self.gate.close(false);
    }

    /// From now on, reads and writes are answered with this error; with `None`, as before.
    pub(crate) fn refuse(&self, error: Option<Answer>) {
        self.state().refuses = error;
    }

    /// From now on, flushes fail.
    pub(crate) fn fail_flushes(&self) {
        self.state().flushes_fail = true;
    }

    fn state(&self) -> MutexGuard<'_, State> {
        self.state.lock().expect("no request panics")
    }

    fn books(&self) -> MutexGuard<'_, Books> {
        self.books.lock().expect("no keeper of the books panics")
    }
}

impl Drop for TruthShare {
    fn drop(&mut self) {
        self.answer_again();
        let Some(session) = self.session.take() else {
            return;
        };
        // The kernel lets go of what an ended program had open a little later.
        let place = self.path();
        let mut unmounted = Err(String::new());
        for _ in 0..PATIENCE {
            unmounted = run("umount", &[&place.to_string_lossy()]);
            if unmounted.is_ok() {
                break;
            }
            thread::sleep(Duration::from_millis(20));
        }
        if let Err(why) = unmounted {
            say(&format!("truth share: unmounting it lazily: {why}"));
            // It answers until the last file is closed, so its end is not waited for.
            return detach(&place);
        }
        if let Err(why) = session.join() {
            say(&format!("truth share: it ended with {why}"));
        }
    }
}

/// Unmounts shares whose server is gone.
fn unmount_leftovers() {
    let mounts = fs::read_to_string("/proc/self/mounts").unwrap_or_default();
    let places = mounts.lines().filter_map(|line| line.split(' ').nth(1));
    for place in places.filter(|place| place.contains(PREFIX)).map(Path::new) {
        // Asked of the server each time, where attributes are remembered.
        if statvfs(place).err() == Some(Errno::NOTCONN) {
            detach(place);
            // The temporary folder goes too, unless a study lies in it.
            drop(fs::remove_dir(place));
            drop(place.parent().map(fs::remove_dir));
        }
    }
}

fn detach(place: &Path) {
    if let Err(why) = run("umount", &["--lazy", &place.to_string_lossy()]) {
        say(&format!("truth share: {why}"));
    }
}

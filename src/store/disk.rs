//! The six operations that a study needs of a disk.

use std::fs::{self, File};
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};
use std::thread::sleep;
use std::time::{Duration, Instant};

use super::names;
use crate::study::{bounds, tables};
use crate::sys::{Errno, Mode, OFlags, has_one_name, open, openat, sync_folder};

/// A folder of files, by name relative to it. Names may hold one slash.
pub trait Disk {
    /// All bytes of a file; `None` when there is none.
    ///
    /// # Errors
    /// When it cannot be read, or has more bytes than any study.
    fn read(&self, name: &str) -> io::Result<Option<Vec<u8>>>;

    /// The same bit by bit, for files that need not be in memory as a whole.
    ///
    /// # Errors
    /// As [`Disk::read`].
    fn stream(&self, name: &str) -> io::Result<Option<Box<dyn Read + Send + '_>>> {
        let bytes = self.read(name)?;
        Ok(bytes.map(|bytes| Box::new(io::Cursor::new(bytes)) as Box<dyn Read + Send>))
    }

    /// Adds bytes at the end of a file, which is made when it is missing.
    ///
    /// # Errors
    /// When they could not all be written; a part may have been.
    fn append(&mut self, name: &str, bytes: &[u8]) -> io::Result<()>;

    /// Puts a file in the place of another in one step, durably: afterwards, and after a power cut
    /// at any moment, the old content is there or the new.
    ///
    /// # Errors
    /// When the old content is still there.
    fn replace(&mut self, name: &str, bytes: &[u8]) -> io::Result<()>;

    /// Makes what was appended to a file last.
    ///
    /// # Errors
    /// When it may not.
    fn sync(&mut self, name: &str) -> io::Result<()>;

    /// Takes the lock, writing `owner` into it; `Err(text)` inside when another holds it.
    ///
    /// # Errors
    /// When there can be no lock here.
    fn lock(&mut self, name: &str, owner: &str) -> io::Result<Result<(), String>>;

    /// Names of the files in a folder, sorted; empty when there is no such folder.
    ///
    /// # Errors
    /// When it cannot be read, or holds more files than any study.
    fn list(&self, folder: &str) -> io::Result<Vec<String>>;
}

/// So long a lock is waited for whose holder may be ending.
const ENDING: Duration = Duration::from_secs(1);
const PAUSE: Duration = Duration::from_millis(10);

/// A folder of this machine.
///
/// It may have come from somebody else, so only plain files of one name are opened, and no link is
/// followed: a link in the place of a table, or of the lock, would lead to a file of the person's.
#[derive(Debug)]
pub struct FolderDisk {
    root: PathBuf,
    /// Ending of a file that is about to take the place of another.
    beside: String,
    /// Held as long as the disk lives.
    lock: Option<File>,
    /// Whether what is written has to outlive a power cut.
    lasting: bool,
}

/// What a link, a pipe, a folder and the like in the place of a file is told.
const NOT_PLAIN: &str =
    "a link, a second name, a pipe or the like stands there: put a plain file in its place";
/// The most bytes of a lock's text that are shown.
const OWNER: u64 = 4096;

/// The most bytes of a file.
fn most(name: &str) -> u64 {
    match name {
        names::CONFIG => bounds::CONFIG,
        name if name.starts_with(names::FACTS) => bounds::FACTS,
        _ => bounds::TABLE,
    }
}

fn too_long(most: u64) -> io::Error {
    io::Error::other(format!(
        "it would have more than the {most} bytes that a study has: look whether it is damaged, or begin another study"
    ))
}

fn told(error: Errno) -> io::Error {
    match error {
        Errno::LOOP | Errno::NOTDIR | Errno::ISDIR | Errno::NXIO => io::Error::other(NOT_PLAIN),
        error => error.into(),
    }
}

impl FolderDisk {
    /// The folder at `root`, which exists. Whoever replaces files in it holds its lock.
    pub fn new(root: &Path) -> Self {
        Self {
            root: root.to_owned(),
            beside: "new".to_owned(),
            lock: None,
            lasting: true,
        }
    }

    /// The folder at `root` of a study, which lasts unless it is `simulated`: what is made up can be
    /// made anew, so nobody waits until it is on disk to stay.
    pub fn of_study(root: &Path, simulated: bool) -> Self {
        Self {
            lasting: !simulated,
            ..Self::new(root)
        }
    }

    /// The folder at `root`, which exists, for processes that replace files in it without a lock:
    /// each prepares them under names of its own.
    pub fn unlocked(root: &Path) -> Self {
        Self {
            beside: format!("{}.new", std::process::id()),
            ..Self::new(root)
        }
    }

    fn path(&self, name: &str) -> PathBuf {
        self.root.join(name)
    }

    /// Opens a plain file of one name, without following a link in its place or its folder's.
    pub(super) fn open(&self, name: &str, how: OFlags) -> io::Result<File> {
        let flags = OFlags::NOFOLLOW | OFlags::CLOEXEC;
        let (folder, file) = name.rsplit_once('/').unwrap_or(("", name));
        let below = OFlags::RDONLY | OFlags::DIRECTORY | OFlags::CLOEXEC;
        let mut handle = open(&self.root, below, Mode::empty())?;
        if !folder.is_empty() {
            handle =
                openat(&handle, folder, below | OFlags::NOFOLLOW, Mode::empty()).map_err(told)?;
        }
        // Without waiting, so that a pipe in its place holds nobody up.
        let mode = Mode::from_raw_mode(0o666);
        let opened = openat(&handle, file, how | flags | OFlags::NONBLOCK, mode).map_err(told)?;
        let opened = File::from(opened);
        if !opened.metadata()?.is_file() || !has_one_name(&opened)? {
            return Err(io::Error::other(NOT_PLAIN));
        }
        Ok(opened)
    }

    /// A file that is no longer than one of a study; `None` when there is none.
    fn open_to_read(&self, name: &str) -> io::Result<Option<File>> {
        let file = match self.open(name, OFlags::RDONLY) {
            Ok(file) => file,
            Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(None),
            Err(error) => return Err(error),
        };
        match file.metadata()?.len() > most(name) {
            true => Err(too_long(most(name))),
            false => Ok(Some(file)),
        }
    }

    /// Makes the entry of `name` in its folder last.
    fn sync_folder(&self, name: &str) -> io::Result<()> {
        sync_folder(self.path(name).parent().unwrap_or(&self.root))
    }

    fn make_folder(&self, name: &str) -> io::Result<()> {
        let Some((folder, _)) = name.rsplit_once('/') else {
            return Ok(());
        };
        match fs::symlink_metadata(self.path(folder)) {
            Ok(found) if found.is_dir() => Ok(()),
            Ok(_) => Err(io::Error::other(NOT_PLAIN)),
            Err(_) => {
                fs::create_dir_all(self.path(folder))?;
                self.sync_folder(folder)
            }
        }
    }
}

impl Disk for FolderDisk {
    fn read(&self, name: &str) -> io::Result<Option<Vec<u8>>> {
        let most = most(name);
        let Some(file) = self.open_to_read(name)? else {
            return Ok(None);
        };
        let mut bytes = Vec::new();
        // It may grow meanwhile.
        file.take(most + 1).read_to_end(&mut bytes)?;
        match bytes.len() as u64 > most {
            true => Err(too_long(most)),
            false => Ok(Some(bytes)),
        }
    }

    fn stream(&self, name: &str) -> io::Result<Option<Box<dyn Read + Send + '_>>> {
        // What is added meanwhile beyond the most is not read.
        let file = self.open_to_read(name)?;
        Ok(file.map(|file| Box::new(file.take(most(name))) as Box<dyn Read + Send>))
    }

    fn append(&mut self, name: &str, bytes: &[u8]) -> io::Result<()> {
        tracing::trace!(name, bytes = bytes.len(), "append");
        self.make_folder(name)?;
        let mut file = self.open(name, OFlags::WRONLY | OFlags::APPEND | OFlags::CREATE)?;
        // What could not be read again is not written.
        let most = most(name);
        match file.metadata()?.len().saturating_add(bytes.len() as u64) > most {
            true => Err(too_long(most)),
            false => file.write_all(bytes),
        }
    }

    fn replace(&mut self, name: &str, bytes: &[u8]) -> io::Result<()> {
        tracing::trace!(name, bytes = bytes.len(), "replace");
        self.make_folder(name)?;
        let new = format!("{name}.{}", self.beside);
        let beside = self.path(&new);
        let put = || {
            // What a start that was cut off left, or somebody planted, is not written into.
            match fs::remove_file(&beside) {
                Err(error) if error.kind() != io::ErrorKind::NotFound => return Err(error),
                _ => {}
            }
            let mut file = self.open(&new, OFlags::WRONLY | OFlags::CREATE | OFlags::EXCL)?;
            file.write_all(bytes)?;
            file.sync_all()?;
            // Some systems rename no file that is open.
            drop(file);
            fs::rename(&beside, self.path(name))
        };
        put().inspect_err(|_| drop(fs::remove_file(&beside)))?;
        self.sync_folder(name)
    }

    fn sync(&mut self, name: &str) -> io::Result<()> {
        if !self.lasting {
            return Ok(());
        }
        self.open(name, OFlags::WRONLY | OFlags::APPEND)?
            .sync_all()?;
        self.sync_folder(name)
    }

    fn lock(&mut self, name: &str, owner: &str) -> io::Result<Result<(), String>> {
        let mut file = self.open(name, OFlags::RDWR | OFlags::CREATE)?;
        let begun = Instant::now();
        let locked = loop {
            match file.try_lock() {
                // A process that was killed lets go a little later.
                Err(fs::TryLockError::WouldBlock) if begun.elapsed() < ENDING => sleep(PAUSE),
                locked => break locked,
            }
        };
        match locked {
            Ok(()) => {
                file.set_len(0)?;
                file.write_all(owner.as_bytes())?;
                self.lock = Some(file);
                Ok(Ok(()))
            }
            Err(fs::TryLockError::WouldBlock) => {
                let mut text = Vec::new();
                // Some systems let nobody read what is locked.
                let _ = file.take(OWNER).read_to_end(&mut text);
                Ok(Err(tables::line(&String::from_utf8_lossy(&text))))
            }
            Err(fs::TryLockError::Error(error)) => Err(error),
        }
    }

    fn list(&self, folder: &str) -> io::Result<Vec<String>> {
        match fs::symlink_metadata(self.path(folder)) {
            Ok(found) if !found.is_dir() => return Err(io::Error::other(NOT_PLAIN)),
            _ => {}
        }
        let entries = match fs::read_dir(self.path(folder)) {
            Ok(entries) => entries,
            Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
            Err(error) => return Err(error),
        };
        let mut names = entries
            .take(bounds::FACTS_FILES + 1)
            .map(|entry| entry.map(|entry| entry.file_name().to_string_lossy().into_owned()))
            .collect::<io::Result<Vec<_>>>()?;
        if names.len() > bounds::FACTS_FILES {
            let why = format!("it holds more than {} files", bounds::FACTS_FILES);
            return Err(io::Error::other(why));
        }
        names.sort_unstable();
        Ok(names)
    }
}

#[cfg(test)]
mod tests {
    use std::os::unix::fs::symlink;

    use super::*;

    #[test]
    fn nothing_planted_in_place_of_a_file_is_read_written_or_emptied() {
        let folder = tempfile::tempdir().unwrap();
        let (root, precious) = (folder.path().join("scans"), folder.path().join("precious"));
        fs::create_dir(&root).unwrap();
        fs::write(&precious, "the only copy").unwrap();
        type Plant<'a> = (&'static str, &'a dyn Fn(&Path));
        let plants: [Plant<'_>; 4] = [
            ("a link", &|path| symlink(&precious, path).unwrap()),
            ("a second name", &|path| {
                fs::hard_link(&precious, path).unwrap()
            }),
            ("a folder", &|path| fs::create_dir(path).unwrap()),
            ("a pipe", &|path| {
                let kind = rustix::fs::FileType::Fifo;
                rustix::fs::mknodat(rustix::fs::CWD, path, kind, Mode::RWXU, 0).unwrap();
            }),
        ];
        for (what, plant) in plants {
            let path = root.join("trials.csv");
            plant(&path);
            let mut disk = FolderDisk::new(&root);
            for error in [
                disk.read("trials.csv").unwrap_err(),
                disk.append("trials.csv", b"row").unwrap_err(),
                disk.sync("trials.csv").unwrap_err(),
                disk.lock("trials.csv", "test").unwrap_err(),
            ] {
                assert_eq!(error.to_string(), NOT_PLAIN, "{what}");
            }
            assert_eq!(
                fs::read_to_string(&precious).unwrap(),
                "the only copy",
                "{what}"
            );
            fs::remove_file(&path)
                .or_else(|_| fs::remove_dir(&path))
                .unwrap();
        }
        symlink(&precious, root.join("trials.csv.new")).unwrap();
        FolderDisk::new(&root)
            .replace("trials.csv", b"rows")
            .unwrap();
        assert_eq!(fs::read(root.join("trials.csv")).unwrap(), b"rows");
        assert_eq!(fs::read_to_string(&precious).unwrap(), "the only copy");
    }

    #[test]
    fn a_linked_folder_of_a_study_is_not_entered() {
        let folder = tempfile::tempdir().unwrap();
        let (root, elsewhere) = (folder.path().join("scans"), folder.path().join("elsewhere"));
        fs::create_dir(&root).unwrap();
        fs::create_dir(&elsewhere).unwrap();
        symlink(&elsewhere, root.join("facts")).unwrap();
        let mut disk = FolderDisk::new(&root);
        for error in [
            disk.replace("facts/1.toml", b"").unwrap_err(),
            disk.read("facts/1.toml").unwrap_err(),
            disk.list("facts").unwrap_err(),
        ] {
            assert_eq!(error.to_string(), NOT_PLAIN);
        }
        assert_eq!(fs::read_dir(&elsewhere).unwrap().count(), 0);
    }

    #[test]
    fn what_is_larger_than_any_study_is_refused_before_it_is_read() {
        let folder = tempfile::tempdir().unwrap();
        let mut disk = FolderDisk::new(folder.path());
        fs::create_dir(folder.path().join("facts")).unwrap();
        for name in ["study.toml", "trials.csv", "latency.hlog", "facts/1.toml"] {
            // Ten gigabytes that take no room on the disk.
            File::create(folder.path().join(name))
                .unwrap()
                .set_len(10_000_000_000)
                .unwrap();
            let error = disk.read(name).unwrap_err().to_string();
            assert!(error.contains("more than the"), "{error}");
            assert!(disk.append(name, b"row").is_err());
        }
        for number in 0..bounds::FACTS_FILES {
            File::create(folder.path().join(format!("facts/{number:05}.toml"))).unwrap();
        }
        assert!(
            disk.list("facts")
                .unwrap_err()
                .to_string()
                .contains("10000 files")
        );
    }
}

//! The six operations that a study needs of a disk.

use std::fs::{self, File, OpenOptions};
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};

use crate::study::tables;

/// A folder of files, by name relative to it. Names may hold one slash.
pub trait Disk {
    /// All bytes of a file; `None` when there is none.
    ///
    /// # Errors
    /// When it cannot be read.
    fn read(&self, name: &str) -> io::Result<Option<Vec<u8>>>;

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
    /// When it cannot be read.
    fn list(&self, folder: &str) -> io::Result<Vec<String>>;
}

/// A folder of this machine.
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

    /// Makes the entry of `name` in its folder last.
    fn sync_folder(&self, name: &str) -> io::Result<()> {
        File::open(self.path(name).parent().unwrap_or(&self.root))?.sync_all()
    }

    fn make_folder(&self, name: &str) -> io::Result<()> {
        if let Some((folder, _)) = name.rsplit_once('/')
            && !self.path(folder).is_dir()
        {
            fs::create_dir_all(self.path(folder))?;
            self.sync_folder(folder)?;
        }
        Ok(())
    }
}

impl Disk for FolderDisk {
    fn read(&self, name: &str) -> io::Result<Option<Vec<u8>>> {
        match fs::read(self.path(name)) {
            Ok(bytes) => Ok(Some(bytes)),
            Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(None),
            Err(error) => Err(error),
        }
    }

    fn append(&mut self, name: &str, bytes: &[u8]) -> io::Result<()> {
        self.make_folder(name)?;
        OpenOptions::new()
            .append(true)
            .create(true)
            .open(self.path(name))?
            .write_all(bytes)
    }

    fn replace(&mut self, name: &str, bytes: &[u8]) -> io::Result<()> {
        self.make_folder(name)?;
        let beside = self.path(&format!("{name}.{}", self.beside));
        let put = || {
            let mut file = File::create(&beside)?;
            file.write_all(bytes)?;
            file.sync_all()?;
            fs::rename(&beside, self.path(name))
        };
        put().inspect_err(|_| drop(fs::remove_file(&beside)))?;
        self.sync_folder(name)
    }

    fn sync(&mut self, name: &str) -> io::Result<()> {
        if !self.lasting {
            return Ok(());
        }
        OpenOptions::new()
            .append(true)
            .open(self.path(name))?
            .sync_all()?;
        self.sync_folder(name)
    }

    fn lock(&mut self, name: &str, owner: &str) -> io::Result<Result<(), String>> {
        let path = self.path(name);
        let mut file = OpenOptions::new()
            .read(true)
            .write(true)
            .create(true)
            .truncate(false)
            .open(path)?;
        match file.try_lock() {
            Ok(()) => {
                file.set_len(0)?;
                file.write_all(owner.as_bytes())?;
                self.lock = Some(file);
                Ok(Ok(()))
            }
            Err(fs::TryLockError::WouldBlock) => {
                let mut text = String::new();
                file.read_to_string(&mut text)?;
                Ok(Err(tables::cell(&text)))
            }
            Err(fs::TryLockError::Error(error)) => Err(error),
        }
    }

    fn list(&self, folder: &str) -> io::Result<Vec<String>> {
        let entries = match fs::read_dir(self.path(folder)) {
            Ok(entries) => entries,
            Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
            Err(error) => return Err(error),
        };
        let mut names = entries
            .map(|entry| entry.map(|entry| entry.file_name().to_string_lossy().into_owned()))
            .collect::<io::Result<Vec<_>>>()?;
        names.sort_unstable();
        Ok(names)
    }
}

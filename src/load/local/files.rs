//! The open files of one trial.

use std::os::fd::{AsFd, BorrowedFd, OwnedFd};
use std::time::Instant;

use rustix::fs::{Advice, OFlags, fadvise, fdatasync, fsync};
use rustix::io::Errno;

use super::folder::{Folder, Refusal};
use crate::load::{Assignment, LoadError};
use crate::units::Nanos;

/// Why direct I/O is not used, for the trial's notes.
const REFUSED: &str = "direct I/O is refused here: buffered, with this client's cache emptied before and after (its memory may still have served a part)";

/// All files that a trial touches, by number.
#[derive(Debug)]
pub(super) struct Files {
    by_number: Vec<Option<OwnedFd>>,
    direct: bool,
}

impl Files {
    /// Opens the files of the assignment's pattern, for direct I/O where the file system lets us.
    pub(super) fn open(folder: &Folder, assignment: &Assignment<'_>) -> Result<Self, LoadError> {
        match Self::open_with(folder, assignment, OFlags::DIRECT) {
            Err(Refusal::DirectIo) => Self::open_with(folder, assignment, OFlags::empty()),
            opened => opened,
        }
        .map_err(Refusal::error)
    }

    fn open_with(
        folder: &Folder,
        assignment: &Assignment<'_>,
        direct: OFlags,
    ) -> Result<Self, Refusal> {
        let (reads, writes) = assignment.pattern.files();
        let highest = reads.iter().chain(writes).max().copied().unwrap_or(0);
        let mut by_number: Vec<Option<OwnedFd>> = (0..=highest).map(|_| None).collect();
        for file in &assignment.data.files {
            let access = match (reads.contains(&file.number), writes.contains(&file.number)) {
                (_, true) => OFlags::RDWR,
                (true, false) => OFlags::RDONLY,
                (false, false) => continue,
            };
            let name = file.name();
            let (handle, status) = folder.file(&name, access | direct)?;
            if status.st_size as u64 != file.bytes.0 {
                let why = "has not the size that was laid down: run `clean`, then measure anew";
                return Err(Refusal::Error(folder.foreign(&name, why)));
            }
            if !direct.is_empty() && !answers_directly(&handle) {
                return Err(Refusal::DirectIo);
            }
            by_number[file.number as usize] = Some(handle);
        }
        Ok(Self {
            by_number,
            direct: !direct.is_empty(),
        })
    }

    /// Whether they are open for direct I/O.
    pub(super) fn direct(&self) -> bool {
        self.direct
    }

    /// What a reader of the trial should know.
    pub(super) fn note(&self) -> Option<&'static str> {
        (!self.direct).then_some(REFUSED)
    }

    /// The file with this number.
    pub(super) fn get(&self, number: u64) -> BorrowedFd<'_> {
        self.by_number[number as usize]
            .as_ref()
            .expect("the pattern's files are open")
            .as_fd()
    }

    /// All open files with their numbers.
    pub(super) fn all(&self) -> impl Iterator<Item = (u64, BorrowedFd<'_>)> {
        (0..)
            .zip(&self.by_number)
            .filter_map(|(n, file)| Some((n, file.as_ref()?.as_fd())))
    }

    /// Empties this client's cache of buffered files.
    pub(super) fn evict(&self) -> Result<(), LoadError> {
        if self.direct {
            return Ok(());
        }
        for (number, file) in self.all() {
            // Only clean pages can be dropped, so what was written has to be flushed first.
            fdatasync(file)
                .and_then(|()| fadvise(file, 0, None, Advice::DontNeed))
                .map_err(|error| LoadError::io("emptying the cache of", number, error.into()))?;
        }
        Ok(())
    }

    /// Flushes the files that the assignment wrote to; how long it took.
    pub(super) fn flush(&self, assignment: &Assignment<'_>) -> Result<Nanos, LoadError> {
        let begun = Instant::now();
        for &number in assignment.pattern.files().1 {
            fsync(self.get(number))
                .map_err(|error| LoadError::io("flushing test data file", number, error.into()))?;
        }
        Ok(Nanos::from(begun.elapsed()))
    }
}

/// Some file systems open a file for direct I/O and refuse to read it so. An empty buffer asks
/// without reading anything.
fn answers_directly(file: &OwnedFd) -> bool {
    !matches!(
        rustix::io::pread(file, &mut [0u8; 0][..], 0),
        Err(Errno::INVAL | Errno::OPNOTSUPP)
    )
}

//! The open files of one trial.

use super::buffers::Buffers;
use super::direct::Alignment;
use super::folder::{Folder, Refusal};
use super::transfer::read_fully;
use crate::load::{Assignment, LoadError, Watch};
use crate::plan::content;
use crate::record::{Cause, Failure};
use crate::sys::{
    AsFd, BorrowedFd, DIRECT, EMPTIES_CACHE, OFlags, OwnedFd, drop_cache, fdatasync, fsync,
};

/// So many files are looked into before any is written to.
const LOOKED_INTO: usize = 16;

/// All files that a trial touches, by number.
#[derive(Debug)]
pub(super) struct Files {
    by_number: Vec<Option<OwnedFd>>,
}

impl Files {
    /// Opens the files of the assignment's pattern, for direct I/O if `direct`; `None` when the file
    /// system does not open a file for that.
    ///
    /// # Errors
    /// When a file cannot be opened, or is not the one that was laid down.
    pub(super) fn open(
        folder: &Folder,
        assignment: &Assignment<'_>,
        direct: bool,
        watch: &Watch,
    ) -> Result<Option<Self>, LoadError> {
        let extra = if direct { DIRECT } else { OFlags::empty() };
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
            let (handle, status) = match folder.file(&name, access | extra) {
                Err(Refusal::DirectIo) => return Ok(None),
                found => found.map_err(Refusal::error)?,
            };
            if status.st_size as u64 != file.bytes.0 {
                let why = "has not the size that was laid down: run `clean`, then measure anew";
                return Err(folder.foreign(&name, why));
            }
            by_number[file.number as usize] = Some(handle);
            watch.step();
        }
        Ok(Some(Self { by_number }))
    }

    /// Looks whether files that are to be written to begin as this program's do, so that what somebody
    /// has put in their place is not overwritten: into all, or some spread over them where they are
    /// many. One that cannot be read is left to the trial.
    ///
    /// # Errors
    /// When one holds something else.
    pub(super) fn refuse_foreign(
        &self,
        folder: &Folder,
        assignment: &Assignment<'_>,
        alignment: Alignment,
    ) -> Result<(), LoadError> {
        let written = assignment.pattern.files().1;
        let length = content::BLOCK.max(alignment.offset);
        let mut buffers = Buffers::new(1, length, alignment.memory);
        let apart = written.len().div_ceil(LOOKED_INTO).max(1);
        for &number in written.iter().step_by(apart) {
            let buffer = buffers.get(0);
            let read = read_fully(self.get(number), buffer, 0, alignment);
            if read.is_ok() && !content::may_be_ours(&buffer[..content::BLOCK]) {
                let name = assignment.data.file(number).map(|file| file.name());
                let why = "holds what this program has not written: move it away, run `clean`, then measure anew";
                return Err(folder.foreign(&name.unwrap_or_default(), why));
            }
        }
        Ok(())
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

    /// Empties this client's cache of the files, where the system has a call for that.
    ///
    /// # Errors
    /// When a file cannot be flushed or its cache not be emptied.
    pub(super) fn evict(&self) -> Result<(), LoadError> {
        let files = self.all().filter(|_| EMPTIES_CACHE);
        for (number, file) in files {
            // Only clean pages can be dropped, so what was written has to be flushed first.
            fdatasync(file)
                .and_then(|()| drop_cache(file))
                .map_err(|error| {
                    let file = format_args!("test data file {number}");
                    LoadError::io("emptying the cache of", file, error.into())
                })?;
        }
        Ok(())
    }

    /// Flushes the files that the assignment wrote to.
    ///
    /// # Errors
    /// The first file that cannot be flushed.
    pub(super) fn flush(&self, assignment: &Assignment<'_>) -> Result<(), Failure> {
        for &file in assignment.pattern.files().1 {
            fsync(self.get(file)).map_err(|error| Failure::Flush {
                file,
                cause: Cause::Os(error.raw_os_error()),
            })?;
        }
        Ok(())
    }
}

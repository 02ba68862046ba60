//! How much of a file is in this machine's page cache: asks the kernel, without reading anything.
//!
//! By cachestat(2), since Linux 6.5, and where that is not there by mincore(2). Never by a read that
//! must not wait (`RWF_NOWAIT`): it starts read-ahead, and so changes what it asks for. Both answers
//! are of one moment only.
#![expect(
    unsafe_code,
    reason = "cachestat has no wrapper, and mincore needs a mapping"
)]

use std::io;
use std::os::fd::{AsFd, AsRawFd, BorrowedFd};
use std::ptr;

use rustix::fs::fstat;

/// How the kernel was asked.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Method {
    /// cachestat(2).
    Cachestat,
    /// mincore(2) on a mapping of the file.
    Mincore,
}

/// What the page cache holds of a file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Residency {
    /// Pages in the cache.
    pub(crate) pages: u64,
    /// Of these, not yet written, and so not to be dropped from the cache; `None` where the kernel
    /// does not tell.
    pub(crate) dirty: Option<u64>,
    /// Pages asked for.
    pub(crate) of_pages: u64,
    /// How the kernel was asked.
    pub(crate) method: Method,
}

/// The number of cachestat(2) on every architecture; the library for system calls does not have it
/// yet.
const CACHESTAT: libc::c_long = 451;

/// `struct cachestat_range` of `include/uapi/linux/mman.h`.
#[repr(C)]
struct Range {
    offset: u64,
    /// Zero means to the end of the file.
    length: u64,
}

/// `struct cachestat` of `include/uapi/linux/mman.h`, in pages.
#[repr(C)]
#[derive(Default)]
struct Counts {
    cache: u64,
    dirty: u64,
    writeback: u64,
    evicted: u64,
    recently_evicted: u64,
}

/// What the page cache of this machine holds of the first `bytes` of `file`.
///
/// # Errors
/// When the kernel has neither call for this file, or refuses to tell: it tells only who owns the
/// file or may write to it.
pub(crate) fn resident(file: impl AsFd, bytes: u64) -> io::Result<Residency> {
    resident_part(file, 0, bytes)
}

/// The same of the pages under `bytes` from `offset` on.
///
/// # Errors
/// As [`resident`].
pub(crate) fn resident_part(file: impl AsFd, offset: u64, bytes: u64) -> io::Result<Residency> {
    let file = file.as_fd();
    let first = offset - offset % page_size();
    let bytes = if bytes > 0 { offset + bytes - first } else { 0 };
    match by_cachestat(file, first, bytes) {
        // Some confinements answer EPERM to every call that they do not know.
        Err(error)
            if matches!(
                error.raw_os_error(),
                Some(libc::ENOSYS | libc::EOPNOTSUPP | libc::EPERM)
            ) =>
        {
            by_mincore(file, first, bytes)
        }
        answer => answer,
    }
}

fn by_cachestat(file: BorrowedFd<'_>, offset: u64, bytes: u64) -> io::Result<Residency> {
    let mut counts = Counts::default();
    if bytes > 0 {
        let range = Range {
            offset,
            length: bytes,
        };
        // SAFETY: both structures have the kernel's layout and outlive the call, which reads the
        // first and writes the second; the flags must be zero.
        let answer = unsafe {
            libc::syscall(
                CACHESTAT,
                file.as_raw_fd(),
                &raw const range,
                &raw mut counts,
                0u32,
            )
        };
        if answer != 0 {
            return Err(io::Error::last_os_error());
        }
    }
    Ok(Residency {
        pages: counts.cache,
        // A page on its way to the disk is no longer dirty for the kernel, but stays all the same. One
        // that is written to meanwhile is counted in both.
        dirty: Some((counts.dirty + counts.writeback).min(counts.cache)),
        of_pages: bytes.div_ceil(page_size()),
        method: Method::Cachestat,
    })
}

fn by_mincore(file: BorrowedFd<'_>, first: u64, bytes: u64) -> io::Result<Residency> {
    /// A window at a time, so that a large file needs no large answer: 256 Ki pages of 4 KiB.
    const WINDOW: u64 = 1 << 30;
    may_be_told(file)?;
    let page = page_size();
    let mut pages = 0;
    let mut answer = vec![0u8; WINDOW.min(bytes).div_ceil(page) as usize];
    for offset in (0..bytes).step_by(WINDOW as usize) {
        let length = WINDOW.min(bytes - offset);
        let answer = &mut answer[..length.div_ceil(page) as usize];
        let mapping = Mapping::new(file, first + offset, length)?;
        mapping.residency(answer)?;
        // The lowest bit of each byte tells; the others are for later use.
        pages += answer.iter().filter(|state| **state & 1 == 1).count() as u64;
    }
    Ok(Residency {
        pages,
        dirty: None,
        of_pages: bytes.div_ceil(page),
        method: Method::Mincore,
    })
}

/// To those who neither own a file nor may write to it, mincore(2) says that all of it is there.
fn may_be_told(file: BorrowedFd<'_>) -> io::Result<()> {
    // SAFETY: takes nothing and cannot fail.
    let me = unsafe { libc::geteuid() };
    if me == 0 || fstat(file)?.st_uid == me {
        return Ok(());
    }
    Err(io::Error::new(
        io::ErrorKind::PermissionDenied,
        "the kernel tells only a file's owner what its cache holds of it",
    ))
}

/// A part of a file mapped without any right to touch it.
struct Mapping {
    base: *mut libc::c_void,
    length: usize,
}

impl Mapping {
    fn new(file: BorrowedFd<'_>, offset: u64, length: u64) -> io::Result<Self> {
        let too_large = |_| io::Error::from(io::ErrorKind::FileTooLarge);
        let offset = libc::off_t::try_from(offset).map_err(too_large)?;
        let length = length as usize;
        // SAFETY: asks for a new mapping at an address of the kernel's choice, so no memory of ours
        // is replaced; without access rights nothing can be read or written through it.
        let base = unsafe {
            libc::mmap(
                ptr::null_mut(),
                length,
                libc::PROT_NONE,
                libc::MAP_PRIVATE,
                file.as_raw_fd(),
                offset,
            )
        };
        if base == libc::MAP_FAILED {
            return Err(io::Error::last_os_error());
        }
        Ok(Self { base, length })
    }

    /// The state of each page, one byte a page.
    fn residency(&self, answer: &mut [u8]) -> io::Result<()> {
        assert!(answer.len() as u64 >= (self.length as u64).div_ceil(page_size()));
        // SAFETY: the range is exactly the mapping, and the answer has a byte for each of its pages.
        match unsafe { libc::mincore(self.base, self.length, answer.as_mut_ptr()) } {
            0 => Ok(()),
            _ => Err(io::Error::last_os_error()),
        }
    }
}

impl Drop for Mapping {
    fn drop(&mut self) {
        // SAFETY: made in `new` with this length, and nothing points into it.
        unsafe { libc::munmap(self.base, self.length) };
    }
}

/// Bytes of a page.
fn page_size() -> u64 {
    // SAFETY: asks for a constant of the machine that every Linux has.
    unsafe { libc::sysconf(libc::_SC_PAGESIZE) as u64 }
}

#[cfg(test)]
#[expect(clippy::disallowed_types, reason = "these tests make files")]
mod tests {
    use std::fs::File;
    use std::io::Write;
    use std::os::unix::fs::FileExt;

    use rustix::fs::{Advice, fadvise, statfs};

    use super::*;

    const SIZE: u64 = 3 << 20;

    /// A file whose content is in the cache and on the disk.
    fn written() -> File {
        let mut file = tempfile::tempfile().unwrap();
        file.write_all(&vec![7; SIZE as usize]).unwrap();
        file.sync_all().unwrap();
        file
    }

    /// Whether the temporary folder keeps its files in memory only, so that nothing can be dropped.
    fn in_memory() -> bool {
        const TMPFS: i64 = 0x0102_1994;
        statfs(std::env::temp_dir()).unwrap().f_type as i64 == TMPFS
    }

    /// The second method is asked for itself: a kernel that has the first never falls back.
    fn both(file: &File, bytes: u64) -> Vec<Residency> {
        let second = by_mincore(file.as_fd(), 0, bytes).unwrap();
        vec![resident(file, bytes).unwrap(), second]
    }

    #[test]
    fn what_was_written_is_in_the_cache_until_it_is_dropped() {
        let file = written();
        let all = SIZE / page_size();
        for residency in both(&file, SIZE) {
            assert_eq!((residency.pages, residency.of_pages), (all, all));
            assert_eq!(residency.dirty.unwrap_or(0), 0, "flushed");
        }
        if in_memory() {
            // Skipped: the rest needs a file system with a disk behind it.
            return;
        }
        fadvise(&file, 0, None, Advice::DontNeed).unwrap();
        for residency in both(&file, SIZE) {
            assert_eq!((residency.pages, residency.of_pages), (0, all));
        }
    }

    #[test]
    fn both_methods_agree_on_a_file_that_is_partly_cached() {
        if in_memory() {
            // Skipped: nothing can be dropped from a file system in memory.
            return;
        }
        let file = written();
        fadvise(&file, 0, None, Advice::DontNeed).unwrap();
        // Without read-ahead; the kernel may still bring in more than was asked for, but not all.
        fadvise(&file, 0, None, Advice::Random).unwrap();
        file.read_exact_at(&mut [0; 16], SIZE / 2).unwrap();
        let found = both(&file, SIZE);
        assert_eq!(found[1].method, Method::Mincore);
        assert_eq!(found[0].pages, found[1].pages);
        let (pages, of_pages) = (found[0].pages, found[0].of_pages);
        assert!((1..of_pages).contains(&pages), "{found:?}");
        // The part before, of which nothing was read.
        assert!(both(&file, SIZE / 4).iter().all(|part| part.pages == 0));
        let part = resident_part(&file, SIZE / 2, 16).unwrap();
        let second = by_mincore(file.as_fd(), SIZE / 2, 16).unwrap();
        for part in [part, second] {
            assert_eq!((part.pages, part.of_pages), (1, 1), "{part:?}");
        }
    }

    #[test]
    fn nothing_asked_for_is_nothing_and_a_part_of_a_page_is_a_page() {
        let file = written();
        for residency in both(&file, 0) {
            assert_eq!((residency.pages, residency.of_pages), (0, 0));
        }
        for residency in both(&file, 1) {
            assert_eq!((residency.pages, residency.of_pages), (1, 1));
        }
    }

    #[test]
    fn what_is_not_flushed_is_dirty() {
        let mut file = tempfile::tempfile().unwrap();
        file.write_all(&[7; 1 << 16]).unwrap();
        let residency = resident(&file, 1 << 16).unwrap();
        assert_eq!(residency.pages, (1 << 16) / page_size());
        // Skipped where the kernel does not tell, and in memory, where nothing is ever clean.
        if residency.method == Method::Cachestat && !in_memory() {
            assert!(residency.dirty > Some(0), "{residency:?}");
        }
    }

    #[test]
    fn a_folder_has_no_pages_to_ask_for() {
        let folder = File::open(std::env::temp_dir()).unwrap();
        assert!(by_mincore(folder.as_fd(), 0, SIZE).is_err());
    }
}

//! Whether a direct transfer really passes this client's page cache: tried with one block.

use std::fs;

use super::direct::Alignment;
use super::residency::resident_part;
use super::transfer::{read_fully, write_fully};
use crate::facts::counters::ProcessIo;
use crate::load::Outcome;
use crate::plan::{Direction, Operation};
use crate::record::Cause;
use crate::sys::{BorrowedFd, Errno, drop_cache, fdatasync, lives_in_memory};

/// What became of a block that was moved directly.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Passing {
    /// It is not in this client's cache.
    Passes,
    /// It is.
    Stays,
    /// It was not moved: this transfer is not to be had directly.
    Refused,
    /// Nobody tells.
    Unknown,
}

/// What was seen of a block.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Look {
    pub(super) passing: Passing,
    /// The part of it that stayed in this client's cache, where the kernel tells.
    pub(super) resident: Option<f64>,
}

impl Look {
    fn only(passing: Passing) -> Self {
        Self {
            passing,
            resident: None,
        }
    }
}

/// Drops the block of `operation` from the cache, moves it through `buffer`, and looks whether it
/// came back. What is written is what was there. `file` is open for direct I/O.
pub(super) fn look(
    file: BorrowedFd<'_>,
    operation: &Operation,
    buffer: &mut [u8],
    alignment: Alignment,
) -> Look {
    if lives_in_memory(file) {
        return Look {
            passing: Passing::Stays,
            resident: Some(1.0),
        };
    }
    let (offset, writes) = (operation.offset, operation.direction == Direction::Write);
    if writes && let Err(passing) = done(read_fully(file, buffer, offset, alignment)) {
        return Look::only(passing);
    }
    let dropped = drop_pages(file, offset, buffer.len() as u64);
    let fetched = || fetched_so_far().filter(|_| !writes);
    let before = fetched();
    let moved = match operation.direction {
        Direction::Read => read_fully(file, buffer, offset, alignment),
        Direction::Write => write_fully(file, buffer, offset, alignment),
    };
    if let Err(passing) = done(moved) {
        return Look::only(passing);
    }
    if dropped && let Ok(found) = resident_part(file, offset, buffer.len() as u64) {
        let resident = found.pages as f64 / found.of_pages.max(1) as f64;
        let passing = match found.pages {
            0 => Passing::Passes,
            _ => Passing::Stays,
        };
        return Look {
            passing,
            resident: Some(resident),
        };
    }
    // The cache does not tell. But what stayed in it is not fetched again.
    let first = fetched();
    let again = read_fully(file, buffer, offset, alignment).is_ok();
    let second = fetched().filter(|_| again);
    Look::only(by_fetching([before, first, second], buffer.len() as u64))
}

/// From the bytes that the kernel had fetched for this process before a read, after it, and after the
/// same read again.
fn by_fetching(fetched: [Option<u64>; 3], block: u64) -> Passing {
    let [Some(before), Some(first), Some(second)] = fetched else {
        return Passing::Unknown;
    };
    match (first.saturating_sub(before), second.saturating_sub(first)) {
        // Not all file systems account for what they fetch.
        (first, _) if first < block => Passing::Unknown,
        (_, again) if again >= block => Passing::Passes,
        (_, 0) => Passing::Stays,
        _ => Passing::Unknown,
    }
}

fn fetched_so_far() -> Option<u64> {
    let text = fs::read_to_string("/proc/self/io").ok()?;
    Some(ProcessIo::parse(&text).ok()?.fetched.0)
}

/// Drops a file from the cache; whether nothing is left there of a part of it, as far as the kernel
/// tells. All of it, because pages come in larger units than blocks, and a unit is dropped as one.
fn drop_pages(file: BorrowedFd<'_>, offset: u64, length: u64) -> bool {
    let nothing_left = || {
        drop_cache(file).is_ok()
            && resident_part(file, offset, length).is_ok_and(|found| found.pages == 0)
    };
    // Pages that are not yet written stay until they are.
    nothing_left() || fdatasync(file).is_ok() && nothing_left()
}

/// Whether the number of an error is what file systems answer to direct I/O that they do not take.
pub(super) fn is_refusal(number: i32) -> bool {
    [Errno::INVAL, Errno::OPNOTSUPP]
        .map(Errno::raw_os_error)
        .contains(&number)
}

/// The block was moved; or what that it was not says.
fn done(outcome: Outcome) -> Result<(), Passing> {
    outcome.map_err(|cause| match cause {
        Cause::Os(number) if is_refusal(number) => Passing::Refused,
        // What else goes wrong, the trial will meet and say.
        _ => Passing::Unknown,
    })
}

#[cfg(test)]
#[expect(clippy::disallowed_types, reason = "these tests make files")]
mod tests {
    use std::fs::File;
    use std::io::Write as _;
    use std::os::fd::AsFd as _;

    use super::*;

    fn operation(direction: Direction) -> Operation {
        Operation {
            direction,
            file: 0,
            offset: 4096,
            pass: 0,
        }
    }

    /// A file opened without direct I/O stands for one whose file system takes it and buffers.
    #[test]
    fn a_buffered_block_is_seen_to_stay_and_is_what_it_was() {
        let mut file = tempfile::tempfile().unwrap();
        let content: Vec<u8> = (0..3 * 4096u32).map(|i| (i / 7) as u8).collect();
        file.write_all(&content).unwrap();
        for direction in [Direction::Read, Direction::Write] {
            let look = look(
                file.as_fd(),
                &operation(direction),
                &mut [0; 4096],
                Alignment::ANY,
            );
            assert_eq!(look.passing, Passing::Stays, "{direction:?}");
            assert_eq!(look.resident, Some(1.0));
        }
        let mut read = vec![0; content.len()];
        rustix::io::pread(&file, &mut read, 0).unwrap();
        assert!(read == content, "writing back changed something");
    }

    #[test]
    fn a_block_beyond_the_end_tells_nothing() {
        let file = tempfile::tempfile_in("/var/tmp").unwrap();
        let look = look(
            file.as_fd(),
            &operation(Direction::Read),
            &mut [0; 4096],
            Alignment::ANY,
        );
        assert_eq!(look, Look::only(Passing::Unknown));
    }

    #[test]
    fn memory_is_no_drive() {
        // Not everywhere; then there is nothing to ask.
        if let Ok(file) = File::open("/dev/shm").and_then(|_| tempfile::tempfile_in("/dev/shm")) {
            let look = look(
                file.as_fd(),
                &operation(Direction::Read),
                &mut [0; 4096],
                Alignment::ANY,
            );
            assert_eq!(look.passing, Passing::Stays);
        }
    }

    #[test]
    fn fetching_twice_tells_where_the_cache_does_not() {
        let by =
            |before, first, second| by_fetching([Some(before), Some(first), Some(second)], 4096);
        assert_eq!(by(100, 4196, 8292), Passing::Passes);
        assert_eq!(by(100, 4196, 4196), Passing::Stays);
        assert_eq!(by(100, 135_268, 135_268), Passing::Stays, "read ahead");
        assert_eq!(
            by(100, 100, 100),
            Passing::Unknown,
            "nothing is accounted for"
        );
        assert_eq!(by(100, 4196, 5000), Passing::Unknown);
        assert_eq!(by_fetching([Some(0), None, Some(9)], 4), Passing::Unknown);
    }

    #[test]
    fn only_a_refusal_is_a_refusal() {
        assert_eq!(done(Ok(())), Ok(()));
        assert_eq!(done(Err(Cause::EndOfFile)), Err(Passing::Unknown));
        assert_eq!(done(Err(Cause::Os(libc::EINVAL))), Err(Passing::Refused));
        assert_eq!(done(Err(Cause::Os(libc::EIO))), Err(Passing::Unknown));
    }
}

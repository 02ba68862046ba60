//! What is left of an operation that moved fewer bytes than were asked for: it is finished, never
//! counted as whole.

use super::direct::Alignment;
use crate::load::Outcome;
use crate::plan::Direction;
use crate::record::Cause;
use crate::sys::{BorrowedFd, Errno, pread, pwrite};

/// Fills `buffer` from `offset` of `file`.
pub(super) fn read_fully(
    file: BorrowedFd<'_>,
    buffer: &mut [u8],
    offset: u64,
    alignment: Alignment,
) -> Outcome {
    in_parts(Direction::Read, buffer.len(), alignment.offset, |moved| {
        pread(file, &mut buffer[moved..], offset + moved as u64)
    })
}

/// Writes `buffer` to `offset` of `file`.
pub(super) fn write_fully(
    file: BorrowedFd<'_>,
    buffer: &[u8],
    offset: u64,
    alignment: Alignment,
) -> Outcome {
    in_parts(Direction::Write, buffer.len(), alignment.offset, |moved| {
        pwrite(file, &buffer[moved..], offset + moved as u64)
    })
}

/// Calls `part` with the bytes moved so far until all of `whole` are; it moves some more.
fn in_parts(
    direction: Direction,
    whole: usize,
    alignment: usize,
    mut part: impl FnMut(usize) -> Result<usize, Errno>,
) -> Outcome {
    let mut moved = 0;
    loop {
        match part(moved) {
            Ok(more) => match go_on(direction, moved, more, whole, alignment)? {
                Some(next) => moved = next,
                None => return Ok(()),
            },
            Err(Errno::INTR) => {}
            Err(error) => return Err(Cause::Os(error.raw_os_error())),
        }
    }
}

/// After `more` bytes beyond the `moved` of before, of `whole` in all: where to go on, or `None`
/// when all have been moved. Direct I/O goes on at a multiple of `alignment`, so that a few bytes
/// may be moved again.
///
/// # Errors
/// When nothing more is to be had.
pub(super) fn go_on(
    direction: Direction,
    moved: usize,
    more: usize,
    whole: usize,
    alignment: usize,
) -> Result<Option<usize>, Cause> {
    let reached = moved + more;
    if reached >= whole {
        return Ok(None);
    }
    let next = reached - reached % alignment;
    match (direction, more) {
        (Direction::Read, 0) => Err(Cause::EndOfFile),
        _ if next <= moved => Err(Cause::CutShort),
        _ => Ok(Some(next)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use Direction::{Read, Write};

    #[test]
    fn short_transfers_go_on_where_they_ended() {
        assert_eq!(go_on(Read, 0, 4096, 4096, 512), Ok(None));
        assert_eq!(go_on(Read, 0, 1024, 4096, 512), Ok(Some(1024)));
        assert_eq!(go_on(Write, 1024, 3072, 4096, 512), Ok(None));
        assert_eq!(go_on(Write, 0, 1, 4096, 1), Ok(Some(1)));
    }

    #[test]
    fn direct_transfers_go_on_at_a_place_that_is_allowed() {
        assert_eq!(go_on(Read, 512, 1000, 4096, 512), Ok(Some(1024)));
        assert_eq!(go_on(Read, 1024, 3072, 4096, 512), Ok(None));
    }

    #[test]
    fn what_gets_no_further_has_failed() {
        assert_eq!(go_on(Read, 1024, 0, 4096, 512), Err(Cause::EndOfFile));
        assert_eq!(go_on(Write, 1024, 0, 4096, 512), Err(Cause::CutShort));
        assert_eq!(go_on(Read, 512, 100, 4096, 512), Err(Cause::CutShort));
    }

    #[test]
    fn an_operation_in_parts_is_finished() {
        let mut parts = vec![Ok(2048), Err(Errno::INTR), Ok(1000), Ok(1024), Ok(512)].into_iter();
        let mut asked = Vec::new();
        let outcome = in_parts(Direction::Read, 4096, 512, |moved| {
            asked.push(moved);
            parts.next().unwrap()
        });
        // 3,048 bytes were reached: it goes on at the last multiple of 512 before.
        assert_eq!((outcome, asked), (Ok(()), vec![0, 2048, 2048, 2560, 3584]));
    }

    #[test]
    fn an_operation_that_gets_no_further_never_counts() {
        let ends = |parts: Vec<Result<usize, Errno>>| {
            let mut parts = parts.into_iter();
            in_parts(Direction::Read, 4096, 1, |_| parts.next().unwrap())
        };
        assert_eq!(ends(vec![Ok(4000), Ok(0)]), Err(Cause::EndOfFile));
        assert_eq!(ends(vec![Ok(4000), Err(Errno::IO)]), Err(Cause::Os(5)));
    }
}

//! What is left of an operation that moved fewer bytes than were asked for: it is finished, never
//! counted as whole.

use crate::plan::Direction;
use crate::record::Cause;

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
}

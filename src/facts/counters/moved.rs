//! How far a counter moved, and whether that can be known.

use super::CounterError;

/// How many bits the kernel gives to a counter.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Width {
    /// 32 bits, printed with `%u`: wraps in ordinary use.
    Bits32,
    /// 64 bits: does not wrap within the life of a machine.
    Bits64,
}

/// How a counter moved between two readings.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Moved {
    /// Forwards by so much, or not at all.
    By(u64),
    /// Past the end of its 32 bits, by so much altogether.
    Wrapped(u64),
    /// Backwards: it began anew in between, and what it counted is unknown.
    Backwards,
}

/// How a counter of `width` moved from `before` to `after`.
///
/// A 32-bit counter that fell is taken to have wrapped when that makes its step shorter than half of
/// its range; a longer step is likelier a reset. A counter that wrapped more than once cannot be told
/// from one that wrapped once.
pub fn moved(before: u64, after: u64, width: Width) -> Moved {
    const RANGE: u64 = 1 << 32;
    if let Some(step) = after.checked_sub(before) {
        return Moved::By(step);
    }
    if width == Width::Bits32 && before < RANGE {
        let step = RANGE + after - before;
        if step < RANGE / 2 {
            return Moved::Wrapped(step);
        }
    }
    Moved::Backwards
}

/// The step of a 64-bit counter.
pub(super) fn step(counter: &str, before: u64, after: u64) -> Result<u64, CounterError> {
    match moved(before, after, Width::Bits64) {
        Moved::By(step) | Moved::Wrapped(step) => Ok(step),
        Moved::Backwards => Err(backwards(counter, before, after)),
    }
}

/// The step of a 32-bit counter; its name goes to `wrapped` when it wrapped.
pub(super) fn short_step(
    counter: &'static str,
    before: u64,
    after: u64,
    wrapped: &mut Vec<&'static str>,
) -> Result<u64, CounterError> {
    match moved(before, after, Width::Bits32) {
        Moved::By(step) => Ok(step),
        Moved::Wrapped(step) => {
            wrapped.push(counter);
            Ok(step)
        }
        Moved::Backwards => Err(backwards(counter, before, after)),
    }
}

fn backwards(counter: &str, before: u64, after: u64) -> CounterError {
    CounterError::Backwards {
        counter: counter.to_owned(),
        before,
        after,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_fall_is_a_wrap_only_where_it_can_be_one() {
        let end = u64::from(u32::MAX);
        assert_eq!(moved(7, 7, Width::Bits32), Moved::By(0));
        assert_eq!(moved(end, 0, Width::Bits32), Moved::Wrapped(1));
        assert_eq!(moved(end - 9, 90, Width::Bits32), Moved::Wrapped(100));
        assert_eq!(moved(5000, 10, Width::Bits32), Moved::Backwards, "a reset");
        assert_eq!(moved(end, 0, Width::Bits64), Moved::Backwards);
        assert_eq!(moved(end + 1, 0, Width::Bits32), Moved::Backwards);
        assert_eq!(moved(u64::MAX, 0, Width::Bits32), Moved::Backwards);
        let highest = moved(u64::MAX, u64::MAX - 1, Width::Bits32);
        assert_eq!(highest, Moved::Backwards);
    }

    proptest! {
        #[test]
        fn a_short_step_is_found_wherever_the_counter_stands(start: u32, by in 0..(1u32 << 31)) {
            let end = start.wrapping_add(by);
            let found = match moved(u64::from(start), u64::from(end), Width::Bits32) {
                Moved::By(step) | Moved::Wrapped(step) => Some(step),
                Moved::Backwards => None,
            };
            prop_assert_eq!(found, Some(u64::from(by)));
        }

        #[test]
        fn no_step_is_longer_than_the_counter(before: u64, after: u64) {
            match moved(before, after, Width::Bits32) {
                Moved::By(step) => prop_assert_eq!(before + step, after),
                Moved::Wrapped(step) => prop_assert!(step < 1 << 31),
                Moved::Backwards => prop_assert!(after < before),
            }
        }
    }
}

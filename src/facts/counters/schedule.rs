//! How the scheduler treated a thread: `/proc/thread-self/schedstat`.

use std::iter::Sum;

use super::text::{CounterError, Text};
use crate::units::Nanos;

/// Time of one thread, or of several taken together. Fields as in the kernel's
/// Documentation/scheduler/sched-stats.rst, "`/proc/<pid>/schedstat`".
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Scheduled {
    /// Time spent on a processor.
    pub ran: Nanos,
    /// Time spent ready and waiting for one.
    pub waited: Nanos,
}

impl Scheduled {
    /// Reads the text of a `schedstat`.
    ///
    /// # Errors
    /// When it does not begin with two numbers.
    pub fn parse(text: &str) -> Result<Self, CounterError> {
        let text = Text::new("/proc/thread-self/schedstat", text);
        let line = text.lines().next();
        let line = line.ok_or_else(|| text.absent("a thread"))?;
        let mut words = line.text.split_whitespace();
        let mut time = || {
            line.number(words.next(), "number of nanoseconds")
                .map(Nanos)
        };
        Ok(Self {
            ran: time()?,
            waited: time()?,
        })
    }

    /// What was added since `before`.
    pub fn since(self, before: Self) -> Self {
        Self {
            ran: self.ran.since(before.ran),
            waited: self.waited.since(before.waited),
        }
    }
}

impl Sum for Scheduled {
    fn sum<I: Iterator<Item = Self>>(all: I) -> Self {
        all.fold(Self::default(), |sum, one| Self {
            ran: sum.ran + one.ran,
            waited: sum.waited + one.waited,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_are_read_and_subtracted() {
        let before = Scheduled::parse("98230471 627310087 238\n").unwrap();
        assert_eq!(before.ran, Nanos(98_230_471));
        assert_eq!(before.waited, Nanos(627_310_087));
        let after = Scheduled::parse("98230571 627310088 240\n").unwrap();
        let added = after.since(before);
        assert_eq!((added.ran, added.waited), (Nanos(100), Nanos(1)));
        let both: Scheduled = [added, added].into_iter().sum();
        assert_eq!((both.ran, both.waited), (Nanos(200), Nanos(2)));
    }

    #[test]
    fn half_a_text_is_refused() {
        for text in ["", "12\n", "12 x 3\n"] {
            assert!(Scheduled::parse(text).is_err(), "{text:?}");
        }
    }
}

//! Whether the machine slept while a trial ran: what it measured then is half a trial.

use crate::sys;
use crate::units::Nanos;

/// A difference that reading two clocks one after the other does not make, busy machine or not.
const SLEEP: Nanos = Nanos(500_000_000);

/// Two clocks that nobody sets, of which one stands still while the machine sleeps.
#[derive(Clone, Copy, Debug)]
pub(super) struct Clocks {
    running: Nanos,
    always: Nanos,
}

impl Clocks {
    /// What they show now.
    pub(super) fn read() -> Self {
        let (running, always) = sys::clocks();
        Self {
            running: Nanos(running),
            always: Nanos(always),
        }
    }

    /// The time that went by between `before` and now, sleep included.
    pub(super) fn since(&self, before: &Self) -> Nanos {
        self.always - before.always
    }

    /// How long the machine slept between `before` and now, if it did.
    pub(super) fn slept_since(&self, before: &Self) -> Option<Nanos> {
        let slept = (self.always - before.always) - (self.running - before.running);
        (slept >= SLEEP).then_some(slept)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn clocks(running: u64, always: u64) -> Clocks {
        Clocks {
            running: Nanos(running * 1_000_000),
            always: Nanos(always * 1_000_000),
        }
    }

    #[test]
    fn sleep_is_told_from_time_that_goes_by() {
        let before = clocks(5_000, 905_000);
        for (after, slept) in [
            (clocks(35_000, 935_000), None),
            // The second clock was read a little later.
            (clocks(35_000, 935_400), None),
            (clocks(35_000, 934_990), None),
            (clocks(12_000, 4_512_000), Some(3_600_000)),
        ] {
            let seen = after.slept_since(&before).map(|slept| slept.0 / 1_000_000);
            assert_eq!(seen, slept, "{after:?}");
        }
    }

    #[test]
    fn this_machine_is_awake() {
        assert_eq!(Clocks::read().slept_since(&Clocks::read()), None);
    }
}

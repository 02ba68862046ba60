//! When a share that cannot be probed is tried again.

/// A share that could not be probed is tried again after so many seconds, then after twice as many each
/// time, and at the latest after so many.
const AGAIN: (f64, f64) = (60.0, 3600.0);

/// The time in which a share cannot be probed, by the steady clock.
pub(super) struct Absent {
    pub(super) since: f64,
    /// When it is tried again.
    pub(super) next: f64,
    /// How long that is from the latest try.
    distance: f64,
}

impl Absent {
    /// From `now` on.
    pub(super) fn begin(now: f64) -> Self {
        Self {
            since: now,
            next: now + AGAIN.0,
            distance: AGAIN.0,
        }
    }

    /// Tried again at `now`, and still away.
    pub(super) fn again(&mut self, now: f64) {
        self.distance = (2.0 * self.distance).min(AGAIN.1);
        self.next = now + self.distance;
    }
}

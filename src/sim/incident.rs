//! What befalls an expansion on its way.

use crate::units::Nanos;

/// Something that happens while the pool is reshaped.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Incident {
    /// When, from the begin of the reshape.
    pub after: Nanos,
    /// How long it lasts.
    pub lasts: Nanos,
    /// What it is.
    pub what: Happening,
}

/// What can happen. Each begins and ends between trials: what is measured just then is not cut off.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Happening {
    /// Somebody holds the reshape, and its status says so.
    Pause,
    /// The reshape stands, and its status says that it runs.
    Stall,
    /// The server is without power, forgets what was in its memory, and the reshape goes on from the
    /// position that was last written down.
    PowerCut,
}

impl Incident {
    /// Whether it is on at `age`, the time since the begin of the reshape.
    pub(super) fn is_on(&self, age: Nanos) -> bool {
        self.after <= age && age < self.end()
    }

    /// When it is over.
    pub(super) fn end(&self) -> Nanos {
        self.after + self.lasts
    }
}

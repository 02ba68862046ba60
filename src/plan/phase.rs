//! Before, during, after.

use std::fmt;

use serde::{Deserialize, Serialize};

/// When, relative to the expansion, a trial was measured.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Phase {
    /// The pool as it was.
    Before,
    /// While the array reshapes.
    During,
    /// The pool with its new drive, reshape finished.
    After,
}

impl Phase {
    /// All phases in the order of time.
    pub const ALL: [Self; 3] = [Self::Before, Self::During, Self::After];

    /// The word used in tables and files.
    pub fn word(self) -> &'static str {
        match self {
            Self::Before => "before",
            Self::During => "during",
            Self::After => "after",
        }
    }
}

impl fmt::Display for Phase {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.word())
    }
}

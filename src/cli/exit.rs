//! How the program ends.

use super::signals;
use crate::load::LoadError;
use crate::plan::SizingError;
use crate::store::StoreError;

/// Exit codes; README explains them to the person.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Exit {
    /// What was asked for was done.
    Done = 0,
    /// Something that should not happen.
    Failed = 1,
    /// The command line or a value in it makes no sense.
    Usage = 2,
    /// The study cannot be read, written or made.
    Study = 3,
    /// The share cannot be used, or trials on it failed. Finished trials are kept.
    Share = 4,
    /// `check`: the expansion may not start yet; something is missing, stale, or to be waited for.
    NotYet = 5,
    /// `check`: the expansion must not start; something is seen to be wrong.
    No = 6,
    /// `plan`: the expansion can be done and should not be.
    Refused = 7,
    /// `watch`: a single reading of a reshape finds that somebody has to know something.
    Alarm = 8,
    /// A command of `study.toml` that is needed was not allowed on this machine.
    NotAllowed = 9,
    /// `verify`, `measure`: data on the share is not what was written.
    Damage = 10,
    /// Ended by Ctrl-C, or by another signal: then the code is 128 and its number. Finished trials are
    /// kept.
    Interrupted = 130,
}

impl Exit {
    /// The number that the shell sees.
    pub fn code(self) -> u8 {
        match (self, signals::first()) {
            (Self::Interrupted, Some(number)) => 128 + number,
            (exit, _) => exit as u8,
        }
    }
}

/// Why a command ends without having done what was asked.
#[derive(Debug)]
pub struct Failure {
    /// The exit code.
    pub exit: Exit,
    /// One sentence: what, where, what to do.
    pub message: String,
}

impl Failure {
    /// A failure with its exit code.
    pub fn new(exit: Exit, message: impl ToString) -> Self {
        Self {
            exit,
            message: message.to_string(),
        }
    }
}

impl From<StoreError> for Failure {
    fn from(error: StoreError) -> Self {
        Self::new(Exit::Study, error)
    }
}

impl From<LoadError> for Failure {
    fn from(error: LoadError) -> Self {
        Self::new(Exit::Share, error)
    }
}

impl From<SizingError> for Failure {
    fn from(error: SizingError) -> Self {
        let exit = match error {
            SizingError::NoRoom { .. } => Exit::Share,
            SizingError::TooLarge { .. } | SizingError::TooSmall(_) => Exit::Usage,
        };
        Self::new(exit, error)
    }
}

impl From<std::io::Error> for Failure {
    fn from(error: std::io::Error) -> Self {
        Self::new(Exit::Failed, error)
    }
}

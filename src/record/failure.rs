//! What ended a trial before its time.

use std::fmt;
use std::io;

use crate::plan::{Direction, Operation};
use crate::units::Nanos;

/// Why an operation did not move its bytes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Cause {
    /// The operating system's error number.
    Os(i32),
    /// A read found the end of the file too early.
    EndOfFile,
    /// A part was moved, and no more when asked again.
    CutShort,
}

impl fmt::Display for Cause {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Os(number) => write!(f, "{}", io::Error::from_raw_os_error(*number)),
            Self::EndOfFile => f.write_str("the file ends too early"),
            Self::CutShort => f.write_str("a part was transferred and no more when asked again"),
        }
    }
}

/// What failed; it ends its trial.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Failure {
    /// An operation.
    Operation {
        /// What was asked.
        operation: Operation,
        /// What came of it.
        cause: Cause,
    },
    /// The flush after the last write: what was written may be lost.
    Flush {
        /// Number of the file.
        file: u64,
        /// What came of it.
        cause: Cause,
    },
    /// The machine slept in its midst.
    Slept {
        /// How long.
        span: Nanos,
    },
    /// A block that was read holds something else than was laid down: no error of the share, and worse.
    Damaged {
        /// Number of the file.
        file: u64,
        /// Where the block begins in it, in bytes.
        offset: u64,
        /// What it holds.
        found: &'static str,
    },
}

impl Failure {
    /// What came of an operation or a flush; `None` for what no call reports.
    pub fn cause(&self) -> Option<Cause> {
        match *self {
            Self::Operation { cause, .. } | Self::Flush { cause, .. } => Some(cause),
            Self::Slept { .. } | Self::Damaged { .. } => None,
        }
    }

    /// Whether the share, or the person's part of it, has no room left.
    pub fn is_full(&self) -> bool {
        matches!(self.cause(), Some(Cause::Os(number)) if is_full(io::Error::from_raw_os_error(number).kind()))
    }
}

/// Whether an error says that there is no room left.
pub fn is_full(kind: io::ErrorKind) -> bool {
    matches!(
        kind,
        io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded
    )
}

impl fmt::Display for Failure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Operation { operation, cause } => {
                let verb = match operation.direction {
                    Direction::Read => "reading",
                    Direction::Write => "writing",
                };
                let (file, offset) = (operation.file, operation.offset);
                write!(
                    f,
                    "{verb} file {file} of the test data at offset {offset}: {cause}"
                )
            }
            Self::Flush { file, cause } => {
                write!(f, "flushing file {file} of the test data: {cause}")
            }
            Self::Slept { span } => {
                let seconds = span.secs();
                write!(
                    f,
                    "the machine slept for {seconds:.0} s in the midst of the trial"
                )
            }
            Self::Damaged {
                file,
                offset,
                found,
            } => write!(
                f,
                "damage in file {file} of the test data at offset {offset}: it holds {found}"
            ),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The numbers are Linux's, from include/uapi/asm-generic/errno-base.h and errno.h (from memory).
    #[test]
    fn a_full_share_is_told_from_a_broken_one() {
        let flush = |number| Failure::Flush {
            file: 7,
            cause: Cause::Os(number),
        };
        let (io_error, no_space, no_quota) = (flush(5), flush(28), flush(122));
        assert_eq!(
            [io_error, no_space, no_quota].map(|failure| failure.is_full()),
            [false, true, true]
        );
        let text = io_error.to_string();
        assert!(
            text.starts_with("flushing file 7 of the test data: "),
            "{text}"
        );
        let span = Nanos(3_600_000_000_000);
        let slept = Failure::Slept { span };
        let says = "the machine slept for 3600 s in the midst of the trial";
        assert_eq!((slept.to_string().as_str(), slept.is_full()), (says, false));
    }
}

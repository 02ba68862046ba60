//! Whether the share answered a trial with an error, and with which: what a failed trial's cause says.

use std::collections::BTreeMap;
use std::io;

use super::trial::{State, Trial};
use crate::record::is_full;
use crate::text::count;

/// An error that the share itself gave to a trial. A full share, a machine that slept and a person who
/// ended it are none: they say nothing of the pool's health.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Fault {
    /// A block held something else than was written.
    Damage,
    /// A block could not be read or written.
    Input,
    /// The file system takes no writes any more.
    ReadOnly,
    /// The server does not know the file any more.
    Stale,
    /// No answer came.
    Silent,
    /// Another error of the system, or a transfer that stopped half way.
    Other,
}

/// The number of an input/output error, alike on all Unix systems (POSIX names it EIO).
const EIO: i32 = 5;

impl Fault {
    /// What to do about an error of the share, as the end of a sentence.
    pub const ADVICE: &str = "look into the server's kernel log and the drives' error counters, scrub the pool, and measure again";

    /// The error in words: `an input/output error`.
    pub fn words(self) -> &'static str {
        match self {
            Self::Damage => "damaged blocks",
            Self::Input => "an input/output error",
            Self::ReadOnly => "a file system that turned read-only",
            Self::Stale => "a stale file handle",
            Self::Silent => "no answer",
            Self::Other => "another error",
        }
    }

    /// What it means for the pool, in a sentence.
    pub fn meaning(self) -> &'static str {
        match self {
            Self::Damage => {
                "A block held something else than was written there: that is lost data, whatever the speed."
            }
            Self::Input => {
                "The share could not read or write a block: a drive, its cable, or the file system gave an error, and what users read or write can meet the same."
            }
            Self::ReadOnly => {
                "The file system takes no writes any more, as many do to protect what they hold after an error below them."
            }
            Self::Stale => {
                "The server did not know the file any more: the share was exported or mounted anew while the trial ran, or another server took over."
            }
            Self::Silent => {
                "The share stopped answering: server, link or a drive stood still, and users' programs wait as long."
            }
            Self::Other => {
                "The share did not do what it was asked for, and it was not for want of room."
            }
        }
    }

    /// What the cause of a failed trial says; `None` where it says nothing of the share's health.
    fn told(cause: &str) -> Option<Self> {
        if cause.starts_with("damage in file ") {
            return Some(Self::Damage);
        }
        if cause.contains(" has not answered for ") {
            return Some(Self::Silent);
        }
        let cut = ["ends too early", "no more when asked again"];
        if cut.iter().any(|end| cause.ends_with(end)) {
            return Some(Self::Other);
        }
        let (_, number) = cause.rsplit_once("(os error ")?;
        let number: i32 = number.strip_suffix(')')?.parse().ok()?;
        match io::Error::from_raw_os_error(number).kind() {
            kind if is_full(kind) => None,
            io::ErrorKind::Interrupted => None,
            io::ErrorKind::ReadOnlyFilesystem => Some(Self::ReadOnly),
            io::ErrorKind::StaleNetworkFileHandle => Some(Self::Stale),
            _ if number == EIO => Some(Self::Input),
            _ => Some(Self::Other),
        }
    }
}

impl Trial {
    /// The error that the share gave to this trial; `None` where it gave none.
    pub fn fault(&self) -> Option<Fault> {
        match self.state {
            State::Failed => Fault::told(&self.cause),
            State::Complete | State::Interrupted => None,
        }
    }
}

/// Numbers of trials that are told one by one, at most.
const NUMBERED: usize = 5;

/// Which of `trials` the share answered with an error, in words: `2 trials ended with an input/output
/// error (41, 45)`. `None` where none was.
pub fn faults_told<'a>(trials: impl IntoIterator<Item = &'a Trial>) -> Option<String> {
    let mut by_fault = BTreeMap::<Fault, Vec<u64>>::new();
    for trial in trials {
        if let Some(fault) = trial.fault() {
            by_fault.entry(fault).or_default().push(trial.trial);
        }
    }
    let told = by_fault.iter().map(|(fault, trials)| {
        let shown: Vec<String> = trials.iter().take(NUMBERED).map(u64::to_string).collect();
        let more = match trials.len().saturating_sub(NUMBERED) {
            0 => String::new(),
            more => format!(" and {more} more"),
        };
        let all = count(trials.len(), "trial");
        format!(
            "{all} ended with {} ({}{more})",
            fault.words(),
            shown.join(", ")
        )
    });
    let told: Vec<String> = told.collect();
    (!told.is_empty()).then(|| told.join(", "))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::{Cause, Failure};

    fn told(number: i32) -> Option<Fault> {
        let cause = Cause::Os(number);
        Fault::told(&Failure::Flush { file: 3, cause }.to_string())
    }

    /// Numbers of Linux (include/uapi/asm-generic/errno*.h).
    #[cfg(target_os = "linux")]
    #[test]
    fn errors_of_the_share_are_told_from_want_of_room_and_interrupts() {
        let (eintr, eio, enospc, erofs, estale, edquot) = (4, 5, 28, 30, 116, 122);
        assert_eq!(told(eio), Some(Fault::Input));
        assert_eq!(told(erofs), Some(Fault::ReadOnly));
        assert_eq!(told(estale), Some(Fault::Stale));
        assert_eq!([told(enospc), told(edquot), told(eintr)], [None; 3]);
        // No such device.
        assert_eq!(told(19), Some(Fault::Other));
    }

    #[test]
    fn damage_and_sleep_are_told_by_their_words() {
        let damaged = Failure::Damaged {
            file: 1,
            offset: 4096,
            found: "zeros",
        };
        assert_eq!(Fault::told(&damaged.to_string()), Some(Fault::Damage));
        let span = crate::units::Nanos::SECOND;
        assert_eq!(Fault::told(&Failure::Slept { span }.to_string()), None);
        assert_eq!(Fault::told("the person ended it"), None);
    }
}

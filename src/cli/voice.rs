//! What the program says: results on standard output, everything else on standard error, as loudly as
//! the person asked for, and in letters that the terminal has.

use std::io::{self, IsTerminal, Write};
use std::sync::OnceLock;
use std::sync::atomic::{AtomicU8, Ordering::Relaxed};

use super::{Failure, signals};
use crate::report;
use crate::sys;
use crate::text::{ascii, printable};

/// How much is said on standard error beside errors and what somebody has to know.
#[derive(Clone, Copy, Debug, Default, clap::Args)]
#[command(next_help_heading = "How much is said")]
pub(super) struct Loudness {
    /// Say nothing but results, errors, and what somebody has to act upon.
    #[arg(short, long, global = true, conflicts_with = "verbose")]
    quiet: bool,
    /// Say more: of each trial how it was submitted, its warm-up, its grade with the reason and what limited it.
    #[arg(short, long, global = true)]
    verbose: bool,
}

const QUIET: u8 = 0;
const USUAL: u8 = 1;
const VERBOSE: u8 = 2;

static LOUDNESS: AtomicU8 = AtomicU8::new(USUAL);

impl Loudness {
    /// Holds for all that is said from now on.
    pub(super) fn set(self) {
        let loudness = match (self.quiet, self.verbose) {
            (true, _) => QUIET,
            (_, true) => VERBOSE,
            _ => USUAL,
        };
        LOUDNESS.store(loudness, Relaxed);
    }
}

/// Whether progress and notes are wanted.
pub(super) fn is_quiet() -> bool {
    LOUDNESS.load(Relaxed) == QUIET
}

/// Prints a result for people on standard output, without anything that a terminal would obey. A reader
/// that has gone away is no error, and neither is a terminal that was closed, which a signal tells.
pub(super) fn print(text: &str) -> Result<(), Failure> {
    data(&lettered(text))
}

/// Prints a result for programs: its letters stay as they are.
pub(super) fn data(text: &str) -> Result<(), Failure> {
    let mut out = io::stdout().lock();
    let text = printable(text);
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        Err(error) if error.kind() != io::ErrorKind::BrokenPipe && signals::first().is_none() => {
            Err(error.into())
        }
        _ => Ok(()),
    }
}

/// Says a line on standard error, whatever loudness was asked for: errors, warnings, alarms. On a
/// terminal it is wrapped to its width. When nobody listens, nothing is lost.
pub(super) fn say(text: &str) {
    let text = lettered(&printable(&text.replace('\n', " ")));
    let text = match sys::columns(io::stderr()) {
        Some(columns) if io::stderr().is_terminal() => report::wrapped(&text, columns),
        _ => text + "\n",
    };
    let _ = io::stderr().write_all(text.as_bytes());
}

/// Says a line of progress, or what is good to know.
pub(super) fn note(text: &str) {
    if !is_quiet() {
        say(text);
    }
}

/// Says a line for whoever wants to know more.
pub(super) fn detail(text: &str) {
    if LOUDNESS.load(Relaxed) == VERBOSE {
        say(text);
    }
}

/// `text` in letters that the locale has.
fn lettered(text: &str) -> String {
    static UNICODE: OnceLock<bool> = OnceLock::new();
    let unicode = UNICODE.get_or_init(|| {
        let value = |name| std::env::var(name).ok();
        is_unicode(["LC_ALL", "LC_CTYPE", "LANG"].map(value))
    });
    match unicode {
        true => text.to_owned(),
        false => ascii(text),
    }
}

/// Whether the locale's characters are encoded as UTF-8: the first of `LC_ALL`, `LC_CTYPE` and `LANG`
/// that is set and not empty counts (POSIX.1-2024, XBD 8.2). Where none is, nothing tells, and UTF-8 is
/// what systems without a locale (containers, services) are mostly read with.
fn is_unicode(locale: [Option<String>; 3]) -> bool {
    let set = locale.into_iter().flatten().find(|value| !value.is_empty());
    set.is_none_or(|value| {
        let value = value.to_ascii_lowercase();
        value.contains("utf-8") || value.contains("utf8")
    })
}

/// Columns of the terminal, 80 where it does not tell.
pub(super) fn width() -> usize {
    sys::columns(io::stdout()).unwrap_or(80)
}

/// Columns for what the demo tells: those of the terminal, 80 where there is none.
pub(super) fn telling_width() -> usize {
    sys::columns(io::stderr()).unwrap_or(80)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_first_variable_that_is_set_tells_the_letters() {
        let locale = |all: &str, characters: &str, lang: &str| {
            is_unicode([all, characters, lang].map(|value| Some(value.to_owned())))
        };
        assert!(locale("", "", "C.UTF-8") && locale("", "de_DE.utf8", "C"));
        assert!(!locale("C", "", "en_GB.UTF-8") && !locale("", "POSIX", "C.UTF-8"));
        assert!(!locale("", "", "de_DE.ISO-8859-1"));
        assert!(is_unicode([None, None, None]) && locale("", "", ""));
    }
}

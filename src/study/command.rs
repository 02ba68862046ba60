//! A command for the shell, and whether it may run on this machine.
//!
//! A study may come from somebody else, and opening it must not run anything. So a command that was
//! read from `study.toml` may not run until the person on this machine has allowed just this text;
//! one that was typed on the command line may.

use std::fmt;

use serde::{Deserialize, Serialize};

/// The most bytes of a command: what a person can read before allowing it.
const MOST: usize = 4096;

/// Text for the shell. What is read from a file may not run until it is [allowed](Self::allowed).
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct ShellCommand {
    text: String,
    allowed: bool,
}

impl ShellCommand {
    /// A command that the person has typed just now, so that it may run.
    pub fn typed(text: impl Into<String>) -> Self {
        Self {
            text: text.into(),
            allowed: true,
        }
    }

    /// The same command, which the person on this machine has allowed.
    pub fn allowed(self) -> Self {
        Self {
            allowed: true,
            ..self
        }
    }

    /// The exact text.
    pub fn text(&self) -> &str {
        &self.text
    }

    /// Whether it may run on this machine.
    pub fn may_run(&self) -> bool {
        self.allowed
    }

    /// The text as it may be shown to the person who decides: each character that is not seen, or
    /// that changes how others are seen, stands as its escape.
    pub fn shown(&self) -> String {
        let visible = |c: char| match c {
            '\\' | '\'' | '"' => c.to_string(),
            c => c.escape_debug().to_string(),
        };
        self.text.chars().map(visible).collect()
    }
}

impl TryFrom<String> for ShellCommand {
    type Error = String;

    fn try_from(text: String) -> Result<Self, String> {
        if text.trim().is_empty() {
            return Err("a command is empty".to_owned());
        }
        if text.len() > MOST {
            return Err(format!("a command is longer than {MOST} bytes"));
        }
        if text.contains('\0') {
            return Err("a command holds a zero byte".to_owned());
        }
        Ok(Self {
            text,
            allowed: false,
        })
    }
}

impl From<ShellCommand> for String {
    fn from(command: ShellCommand) -> Self {
        command.text
    }
}

/// Where in `study.toml` a command stands, and what it is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Place {
    /// Prints the counters of the server's drives.
    Diskstats,
    /// Empties the server's cache.
    EmptyCache,
    /// Prints the progress of the reshape.
    Reshape,
}

impl Place {
    /// What runs it, in a few words.
    pub fn purpose(self) -> &'static str {
        match self {
            Self::Diskstats => "before and after each trial, by check and by watch",
            Self::EmptyCache => "before each trial",
            Self::Reshape => "by watch, by check and beside trials",
        }
    }
}

impl fmt::Display for Place {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Diskstats => "[server] diskstats_command",
            Self::EmptyCache => "[server] empty_cache_command",
            Self::Reshape => "[reshape] command",
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_read_may_not_run_and_what_is_typed_may() {
        let read = ShellCommand::try_from("uptime".to_owned()).unwrap();
        assert!(!read.may_run() && read.clone().allowed().may_run());
        assert!(ShellCommand::typed("uptime").may_run());
        for bad in [String::new(), " \n".into(), "a\0b".into(), "x".repeat(4097)] {
            assert!(ShellCommand::try_from(bad.clone()).is_err(), "{bad:.9}");
        }
    }

    #[test]
    fn nothing_in_a_shown_command_is_hidden() {
        let text = "echo 'a' \"b\" \\c # \u{202E}dne\u{1b}[2K\r\nrm\u{200b}\u{a0}é";
        let shown = ShellCommand::typed(text).shown();
        assert_eq!(
            shown,
            "echo 'a' \"b\" \\c # \\u{202e}dne\\u{1b}[2K\\r\\nrm\\u{200b}\\u{a0}é"
        );
    }
}

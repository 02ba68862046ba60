//! Text of `/proc`, line by line, and what is wrong with it.
//!
//! A last line without its line end was cut off, and a number cut off reads as a smaller number: such
//! a line is never read.

use thiserror::Error;

/// Why a counter is not known.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum CounterError {
    /// A line says something else than it should.
    #[error("{file} line {line} has no readable {what}: {text:?}")]
    Line {
        /// The file that was read.
        file: &'static str,
        /// Number of the line, from 1.
        line: usize,
        /// What was looked for there.
        what: String,
        /// The line, or its beginning.
        text: String,
    },
    /// The whole text has no such line.
    #[error("{file} has no complete line for {what}")]
    Absent {
        /// The file that was read.
        file: &'static str,
        /// What was looked for.
        what: String,
    },
    /// A counter is smaller than before, so it began anew in between.
    #[error(
        "{counter} went back from {before} to {after}: it was reset, and what it counted is unknown"
    )]
    Backwards {
        /// Which counter.
        counter: String,
        /// What it said at the start of the interval.
        before: u64,
        /// What it said at the end.
        after: u64,
    },
    /// Two counts that are not of the same thing.
    #[error("counts of {before} and of {after} have no difference")]
    Different {
        /// What the first count is of.
        before: String,
        /// What the second count is of.
        after: String,
    },
}

/// A text, and the file that it is from.
#[derive(Clone, Copy, Debug)]
pub(in crate::facts) struct Text<'a> {
    file: &'static str,
    text: &'a str,
}

/// One complete line.
#[derive(Clone, Copy, Debug)]
pub(in crate::facts) struct Line<'a> {
    file: &'static str,
    number: usize,
    /// The line without its end.
    pub(in crate::facts) text: &'a str,
}

impl<'a> Text<'a> {
    pub(in crate::facts) fn new(file: &'static str, text: &'a str) -> Self {
        Self { file, text }
    }

    /// All complete lines.
    pub(in crate::facts) fn lines(self) -> impl Iterator<Item = Line<'a>> {
        (1..)
            .zip(self.text.split_inclusive('\n'))
            .filter_map(move |(number, line)| {
                let text = line.strip_suffix('\n')?;
                Some(Line {
                    file: self.file,
                    number,
                    text,
                })
            })
    }

    /// The first line `key: value`, and its value.
    pub(in crate::facts) fn value(self, key: &str) -> Result<(Line<'a>, &'a str), CounterError> {
        self.lines()
            .find_map(|line| {
                let (name, value) = line.text.split_once(':')?;
                (name.trim() == key).then_some((line, value.trim()))
            })
            .ok_or_else(|| self.absent(key))
    }

    pub(in crate::facts) fn absent(self, what: &str) -> CounterError {
        CounterError::Absent {
            file: self.file,
            what: what.to_owned(),
        }
    }
}

impl Line<'_> {
    /// A decimal number, called `what` when it is none.
    pub(in crate::facts) fn number(
        self,
        field: Option<&str>,
        what: &str,
    ) -> Result<u64, CounterError> {
        field
            .and_then(|field| field.parse().ok())
            .ok_or_else(|| self.error(what))
    }

    pub(in crate::facts) fn error(self, what: &str) -> CounterError {
        CounterError::Line {
            file: self.file,
            line: self.number,
            what: what.to_owned(),
            text: self.text.chars().take(80).collect(),
        }
    }
}

/// A path as the kernel prints it in `/proc`, with `\040` and the like turned back into what they
/// stand for.
pub fn unescape(text: &str) -> String {
    let mut plain = Vec::with_capacity(text.len());
    let mut rest = text.as_bytes();
    while let Some((&byte, tail)) = rest.split_first() {
        match tail {
            [a @ b'0'..=b'3', b @ b'0'..=b'7', c @ b'0'..=b'7', tail @ ..] if byte == b'\\' => {
                plain.push((a - b'0') << 6 | (b - b'0') << 3 | (c - b'0'));
                rest = tail;
            }
            _ => {
                plain.push(byte);
                rest = tail;
            }
        }
    }
    String::from_utf8_lossy(&plain).into_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_that_was_cut_off_is_not_read() {
        let text = Text::new("/proc/self/io", "rchar: 123456\nwchar: 12");
        assert_eq!(text.value("rchar").unwrap().1, "123456");
        assert_eq!(
            text.value("wchar").unwrap_err().to_string(),
            "/proc/self/io has no complete line for wchar"
        );
    }

    #[test]
    fn what_is_wrong_is_said_with_its_line() {
        let text = Text::new("/proc/self/io", "\nrchar: many\n");
        let (line, value) = text.value("rchar").unwrap();
        assert_eq!(
            line.number(Some(value), "number of bytes")
                .unwrap_err()
                .to_string(),
            "/proc/self/io line 2 has no readable number of bytes: \"rchar: many\""
        );
    }

    #[test]
    fn escapes_are_turned_back() {
        assert_eq!(unescape(r"/srv/lamp\040room"), "/srv/lamp room");
        assert_eq!(unescape(r"a\134b\011c\012d"), "a\\b\tc\nd");
        assert_eq!(unescape(r"\9\04"), r"\9\04");
        assert_eq!(unescape(r"\303\251cran"), "écran");
    }
}

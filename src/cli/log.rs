//! Logs for whoever looks for a fault: on standard error, only where `RUST_LOG` asks for them.

use std::io::{self, Write};

use tracing_subscriber::filter::Targets;
use tracing_subscriber::fmt::MakeWriter;
use tracing_subscriber::prelude::*;

use super::{Exit, Failure};
use crate::text::printable;

/// Starts logging as `RUST_LOG` says: a level (`debug`), or levels by room
/// (`poolproof::store=trace,warn`). Without it, or with an empty one, nothing is logged.
///
/// # Errors
/// When `RUST_LOG` cannot be read.
pub(super) fn start() -> Result<(), Failure> {
    let wanted = std::env::var_os("RUST_LOG").unwrap_or_default();
    if wanted.is_empty() {
        return Ok(());
    }
    let wanted = wanted.to_string_lossy();
    let targets: Targets = wanted.parse().map_err(|error| {
        let message = format!(
            "RUST_LOG='{}' is no filter ({error}): write a level, as debug, or levels by room, as poolproof::store=trace,warn",
            wanted.escape_debug()
        );
        Failure::new(Exit::Usage, message)
    })?;
    let lines = tracing_subscriber::fmt::layer()
        .with_ansi(false)
        .with_writer(Lines);
    // Only the first call of a process counts: tests of the command line make several.
    let _ = tracing_subscriber::registry()
        .with(lines)
        .with(targets)
        .try_init();
    Ok(())
}

/// Writes an event as one line without anything that a terminal would obey.
struct Lines;

impl<'a> MakeWriter<'a> for Lines {
    type Writer = Line<io::Stderr>;

    fn make_writer(&'a self) -> Self::Writer {
        Line(io::stderr())
    }
}

struct Line<W>(W);

impl<W: Write> Write for Line<W> {
    /// Takes an event whole, as the subscriber hands it over.
    fn write(&mut self, event: &[u8]) -> io::Result<usize> {
        let text = String::from_utf8_lossy(event);
        let line = printable(&text.trim_end_matches('\n').replace('\n', " ")) + "\n";
        self.0.write_all(line.as_bytes())?;
        Ok(event.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        self.0.flush()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_event_is_one_line_that_no_terminal_obeys() {
        let mut line = Line(Vec::new());
        line.write_all(b"opened \x1b[31mscans\nERROR forged\r\n")
            .unwrap();
        let shown = String::from_utf8(line.0).unwrap();
        assert_eq!(shown, "opened \u{FFFD}[31mscans ERROR forged\u{FFFD}\n");
    }
}

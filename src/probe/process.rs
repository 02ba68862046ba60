//! Starts a process, waits for its end and not longer, and takes what it prints.

#![expect(clippy::disallowed_types, reason = "processes are started here")]

use std::io::Read;
use std::process::{Command, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::thread::{sleep, spawn};
use std::time::{Duration, Instant};

use super::file::MOST;
use crate::sys;
use crate::text::short;

const PAUSE: Duration = Duration::from_millis(10);

/// Runs `process` and returns what it printed; `quoted` is how it is called in sentences. Where it
/// printed something, an exit code in `fine` is as good as 0.
///
/// # Errors
/// One sentence, when it cannot be started, does not end within `patience`, prints without end, or ends
/// with an error.
pub(super) fn ended(
    mut process: Command,
    quoted: &str,
    fine: &[i32],
    patience: Duration,
) -> Result<String, String> {
    sys::apart(&mut process);
    let mut child = process
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .map_err(|error| format!("`{quoted}` cannot be started: {error}"))?;
    // Pipes are emptied beside the waiting, so that a talkative command does not block.
    let read = |pipe: Option<Box<dyn Read + Send>>| {
        let (told, hears) = channel();
        spawn(move || {
            let mut bytes = Vec::new();
            // A pipe that breaks has told what it had to tell.
            let _ = pipe.map(|pipe| pipe.take(MOST + 1).read_to_end(&mut bytes));
            // Whoever has given up waiting needs no text.
            let _ = told.send(bytes);
        });
        hears
    };
    let out = read(child.stdout.take().map(|pipe| Box::new(pipe) as _));
    let err = read(child.stderr.take().map(|pipe| Box::new(pipe) as _));
    let begun = Instant::now();
    let end = sys::end_group(&child);
    let late = || format!("`{quoted}` did not end within {} s", patience.as_secs());
    tracing::debug!(command = %quoted, "started a command");
    let status = loop {
        match child.try_wait() {
            Ok(Some(status)) => break status,
            Ok(None) if begun.elapsed() < patience => sleep(PAUSE),
            Ok(None) => {
                end();
                let _ = child.wait();
                return Err(late());
            }
            Err(error) => return Err(format!("`{quoted}`: {error}")),
        }
    };
    tracing::debug!(command = %quoted, %status, after = ?begun.elapsed(), "the command ended");
    // Something that it left behind may still hold the pipes.
    let text_of = |hears: Receiver<Vec<u8>>| {
        let left = patience.saturating_sub(begun.elapsed()).max(PAUSE);
        hears.recv_timeout(left).map_err(|_| {
            end();
            late()
        })
    };
    let (out, err) = (text_of(out)?, text_of(err)?);
    if out.len() as u64 > MOST {
        return Err(format!("`{quoted}` printed more than {MOST} bytes"));
    }
    let answered = !out.is_empty() && status.code().is_some_and(|code| fine.contains(&code));
    match status.success() || answered {
        true => Ok(String::from_utf8_lossy(&out).into_owned()),
        false => {
            let err = String::from_utf8_lossy(&err);
            let last = err.trim().lines().last().unwrap_or("it said nothing");
            Err(format!(
                "`{quoted}` ended with {status}: {}",
                short(last, 300)
            ))
        }
    }
}

//! Runs a command that the person wrote or allowed, through the shell, for so long and no longer.

#![expect(clippy::disallowed_types, reason = "processes are started here")]

use std::io::Read;
use std::process::Stdio;
use std::sync::mpsc::{Receiver, channel};
use std::thread::{sleep, spawn};
use std::time::{Duration, Instant};

use super::file::MOST;
use crate::study::ShellCommand;
use crate::sys;
use crate::text::short;

const PAUSE: Duration = Duration::from_millis(10);

/// Runs a command in the shell (`sh -c`, on Windows `cmd /C`) and returns what it printed.
///
/// # Errors
/// One sentence, when it may not run on this machine, cannot be started, does not end within `patience`, or ends with an error.
pub fn shell(command: &ShellCommand, patience: Duration) -> Result<String, String> {
    let (text, quoted) = (command.text(), command.shown());
    if !command.may_run() {
        return Err(format!(
            "`{quoted}` of study.toml was not allowed on this machine: look at it with `poolproof allow`"
        ));
    }
    let mut child = sys::shell(text)
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
    match status.success() {
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn output_failure_and_lateness_are_told() {
        let patience = Duration::from_secs(20);
        let shell = |text: &str, patience| shell(&ShellCommand::typed(text), patience);
        assert_eq!(shell("echo one; echo two", patience).unwrap(), "one\ntwo\n");
        let error = shell("echo why >&2; exit 3", patience).unwrap_err();
        assert!(error.contains("why") && error.contains('3'), "{error}");
        let error = shell("sleep 60", Duration::from_millis(50)).unwrap_err();
        assert!(error.contains("did not end"), "{error}");
    }

    #[test]
    fn an_endless_text_and_a_process_left_behind_hold_nobody_up() {
        let patience = Duration::from_secs(20);
        let shell = |text: &str, patience| shell(&ShellCommand::typed(text), patience);
        let error = shell("yes", patience).unwrap_err();
        assert!(error.contains("printed more than"), "{error}");
        let error = shell("sleep 60 & echo 1", Duration::from_millis(200)).unwrap_err();
        assert!(error.contains("did not end"), "{error}");
        let error = shell(
            "head -c 100000 /dev/zero | tr '\\0' x >&2; exit 1",
            patience,
        )
        .unwrap_err();
        assert!(error.chars().count() < 500, "{error:.100}");
    }

    #[test]
    fn a_command_that_was_not_allowed_does_not_run() {
        let folder = tempfile::tempdir().unwrap();
        let trace = folder.path().join("trace");
        let command = ShellCommand::try_from(format!("touch '{}'", trace.display())).unwrap();
        let error = shell(&command, Duration::from_secs(20)).unwrap_err();
        assert!(
            error.contains("poolproof allow") && !trace.exists(),
            "{error}"
        );
        shell(&command.allowed(), Duration::from_secs(20)).unwrap();
        assert!(trace.exists());
    }
}

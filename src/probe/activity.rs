//! Whether a reshape, a rebuild or a scrub may be running: a look from here, which changes nothing.
#![expect(
    clippy::disallowed_methods,
    reason = "the probe is an edge: it reads files and waits"
)]

use std::path::Path;
use std::thread::sleep;
use std::time::{Duration, Instant};

use super::shell;
use crate::facts::counters::DriveIo;
use crate::study::Server;

/// How long the member drives are looked at.
const LOOK: Duration = Duration::from_secs(3);

/// The text of this machine's `/proc/mdstat`; `None` when it has no software arrays.
pub fn arrays() -> Option<String> {
    super::text(Path::new("/proc/mdstat")).ok()
}

/// What the pool's member drives have done so far, in their order in `study.toml`, asked through its
/// command; `None` when there is none, or no member is named.
///
/// # Errors
/// One sentence, when the command fails or its text lacks a member.
pub fn members(server: &Server) -> Option<Result<Vec<DriveIo>, String>> {
    let command = server.diskstats_command.as_ref()?;
    if server.members.is_empty() {
        return None;
    }
    let told = shell(command, server.patience());
    Some(told.and_then(|text| counts(&text, &server.members)))
}

/// What drives of this machine have done so far, in the order of their `names`.
///
/// # Errors
/// One sentence, when the kernel does not tell of each.
pub fn own_members(names: &[String]) -> Result<Vec<DriveIo>, String> {
    let text = super::text(Path::new("/proc/diskstats")).map_err(|error| error.to_string())?;
    counts(&text, names)
}

fn counts(text: &str, names: &[String]) -> Result<Vec<DriveIo>, String> {
    let drives = DriveIo::parse(text, names).into_iter();
    drives
        .collect::<Result<_, _>>()
        .map_err(|error| error.to_string())
}

/// Bytes per second that the least busy member drive moves just now, asked over a few seconds
/// through the command in `study.toml`; `None` when there is none.
///
/// # Errors
/// One sentence, when the command fails or its text cannot be read.
pub fn moving(server: &Server) -> Option<Result<f64, String>> {
    let first = members(server)?.map(|drives| (drives, Instant::now()));
    let least = || {
        let (before, then) = first?;
        sleep(LOOK);
        let after = members(server).expect("it was asked before")?;
        let now = Instant::now();
        let seconds = now.duration_since(then).as_secs_f64();
        let rates: Result<Vec<f64>, String> = before
            .iter()
            .zip(&after)
            .map(|(before, after)| {
                let (moved, _) = after.since(before).map_err(|error| error.to_string())?;
                let bytes = moved.bytes_read().0 + moved.bytes_written().0;
                Ok(bytes as f64 / seconds)
            })
            .collect();
        Ok(rates?.into_iter().fold(f64::INFINITY, f64::min))
    };
    Some(least())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::study::ShellCommand;

    fn server(command: Option<&str>, members: &[&str]) -> Server {
        Server {
            diskstats_command: command.map(ShellCommand::typed),
            members: members.iter().map(|name| (*name).to_owned()).collect(),
            timeout_seconds: 5,
            ..Server::default()
        }
    }

    #[test]
    fn without_a_command_or_members_nothing_is_asked() {
        assert!(moving(&server(None, &["sda"])).is_none());
        assert!(moving(&server(Some("exit 1"), &[])).is_none());
    }

    #[test]
    fn a_command_that_fails_says_so() {
        let error = moving(&server(Some("exit 3"), &["sda"]))
            .unwrap()
            .unwrap_err();
        assert!(error.contains("exit 3"), "{error}");
    }
}

//! The machine on which a follower runs: its clocks, the command or file that it asks, the share.
#![expect(
    clippy::disallowed_methods,
    reason = "this is an edge: it reads the clock and files"
)]

use std::path::PathBuf;
use std::time::Duration;

use jiff::Timestamp;
use tokio::task::spawn_blocking;
use tokio::time::{sleep, timeout};

use super::{Place, Probed, Probers, World};
use crate::probe::{members, shell, shell_ending, text};
use crate::reshape::Source;
use crate::study::{Server, ShellCommand};
use crate::sys;

/// What the operating system may take to end a command beyond its time.
const GRACE: Duration = Duration::from_secs(10);
/// A command for alarms gets so long.
const ALARM: Duration = Duration::from_secs(60);

/// Where the text comes from.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Asking {
    /// A command, run through the shell, for the text of a source.
    Command(ShellCommand, Source),
    /// A file of this machine.
    File(PathBuf),
    /// The person has told it.
    Told(String),
}

/// This machine.
#[derive(Debug)]
pub struct Machine {
    asking: Asking,
    patience: Duration,
    server: Server,
    on_alarm: Option<String>,
    probers: Option<Probers>,
}

impl Machine {
    /// Asks as `asking` says and gives it up after `patience`.
    pub fn new(asking: Asking, patience: Duration) -> Self {
        Self {
            asking,
            patience,
            server: Server::default(),
            on_alarm: None,
            probers: None,
        }
    }

    /// Also asks the server for the counters of its drives.
    pub fn with_server(mut self, server: Server) -> Self {
        self.server = server;
        self
    }

    /// Also runs a command for each alarm, which the person has typed.
    pub fn with_command_for_alarms(mut self, command: Option<String>) -> Self {
        self.on_alarm = command;
        self
    }

    /// Also probes the share.
    pub fn with_probers(mut self, probers: Option<Probers>) -> Self {
        self.probers = probers;
        self
    }

    /// Runs what may block, for no longer than `patience`.
    async fn blocking<T: Send + 'static>(
        &self,
        patience: Duration,
        work: impl FnOnce() -> Result<T, String> + Send + 'static,
    ) -> Result<T, String> {
        match timeout(patience + GRACE, spawn_blocking(work)).await {
            Ok(Ok(done)) => done,
            Ok(Err(error)) => Err(format!("asking broke off: {error}")),
            Err(_) => Err(format!("no answer within {} s", patience.as_secs())),
        }
    }
}

impl World for Machine {
    fn now(&self) -> Timestamp {
        Timestamp::now()
    }

    fn steady(&self) -> f64 {
        let (_, with_sleep) = sys::clocks();
        with_sleep as f64 / 1e9
    }

    async fn ask(&mut self) -> Result<String, String> {
        let (asking, patience) = (self.asking.clone(), self.patience);
        let work = move || match asking {
            Asking::Command(command, source) => shell_ending(&command, source.codes(), patience),
            Asking::File(path) => {
                let shown = path.display().to_string();
                text(&path).map_err(|error| format!("{shown} cannot be read: {error}"))
            }
            Asking::Told(text) => Ok(text),
        };
        self.blocking(patience, work).await
    }

    async fn members_read(&mut self) -> Option<u64> {
        let server = self.server.clone();
        let asked = move || members(&server).unwrap_or_else(|| Err("nobody to ask".to_owned()));
        let drives = self.blocking(self.server.patience(), asked).await.ok()?;
        Some(drives.iter().map(|drive| drive.bytes_read().0).sum())
    }

    fn can_probe(&self) -> bool {
        self.probers.is_some()
    }

    async fn probe(&mut self, seconds: u64, place: Place) -> Probed {
        let Some(mut probers) = self.probers.take() else {
            return Probed::default();
        };
        let afresh = probers.afresh();
        let probed = spawn_blocking(move || {
            let probed = probers.probe(seconds, place);
            (probers, probed)
        });
        let (probers, probed) = probed.await.unwrap_or_else(|error| {
            let lost = Some(format!("probing broke off: {error}"));
            let rows = Vec::new();
            (afresh, Probed { rows, lost })
        });
        self.probers = Some(probers);
        probed
    }

    fn probe_less(&mut self) -> bool {
        let goes_on = self.probers.as_mut().is_some_and(Probers::slow_down);
        if !goes_on {
            self.probers = None;
        }
        goes_on
    }

    async fn rest(&mut self, seconds: f64) {
        sleep(Duration::from_secs_f64(seconds)).await;
    }

    async fn raise(&mut self, state: &str, sentence: &str) -> Result<(), String> {
        let Some(command) = &self.on_alarm else {
            return Ok(());
        };
        let command = ShellCommand::typed(format!(
            "export POOLPROOF_STATE={} POOLPROOF_ALARM={}\n{command}",
            quoted(state),
            quoted(sentence)
        ));
        self.blocking(ALARM, move || shell(&command, ALARM).map(drop))
            .await
    }
}

/// Text as one word of the shell.
fn quoted(text: &str) -> String {
    format!("'{}'", text.replace('\'', r"'\''"))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn machine(asking: Asking) -> Machine {
        Machine::new(asking, Duration::from_millis(100))
    }

    fn command(text: &str, source: Source) -> Asking {
        Asking::Command(ShellCommand::typed(text), source)
    }

    #[tokio::test]
    async fn commands_files_and_told_texts_are_asked_and_failures_told() {
        let told = machine(Asking::Told("37.5".into())).ask().await;
        assert_eq!(told, Ok("37.5".into()));
        let mut slow = machine(command("sleep 60", Source::Percent));
        assert!(slow.ask().await.unwrap_err().contains("did not end"));
        // The command for a balance ends with 1 while it runs, which is no failure.
        for (text, source) in [
            ("echo 12", Source::Percent),
            ("echo 12; exit 1", Source::Btrfs),
        ] {
            let mut patient = Machine::new(command(text, source), Duration::from_secs(20));
            assert_eq!(patient.ask().await, Ok("12\n".into()));
        }
        let missing = machine(Asking::File("/nowhere/at all".into())).ask().await;
        assert!(
            missing
                .unwrap_err()
                .starts_with("/nowhere/at all cannot be read")
        );
    }

    #[tokio::test]
    async fn the_command_for_alarms_gets_the_sentence_whole() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("alarm");
        let command = format!(
            "echo \"$POOLPROOF_STATE: $POOLPROOF_ALARM\" > {}",
            file.display()
        );
        let mut machine =
            machine(Asking::Told(String::new())).with_command_for_alarms(Some(command));
        machine
            .raise("stalled", "it's $(touch /x) `still` \"here\"")
            .await
            .unwrap();
        let text = std::fs::read_to_string(file).unwrap();
        assert_eq!(text, "stalled: it's $(touch /x) `still` \"here\"\n");
    }

    #[tokio::test]
    async fn member_drives_are_summed_and_a_missing_one_is_unknown() {
        let line = |name: &str, sectors: u64| format!("8 0 {name} 1 0 {sectors} 0 0 0 0 0 0 0 0");
        let server = |members: &[&str]| Server {
            diskstats_command: Some(ShellCommand::typed(format!(
                "printf '{}\\n{}\\n'",
                line("sda", 10),
                line("sdb", 20)
            ))),
            members: members.iter().map(|name| (*name).to_owned()).collect(),
            timeout_seconds: 20,
            ..Server::default()
        };
        let asked = |members| machine(Asking::Told(String::new())).with_server(server(members));
        assert_eq!(asked(&["sda", "sdb"]).members_read().await, Some(30 * 512));
        assert_eq!(asked(&["sda", "sdc"]).members_read().await, None);
        assert_eq!(asked(&[]).members_read().await, None);
    }
}

//! A command that goes on while a test does something to its share.

use std::fs;
use std::path::Path;
use std::process::{Child, ExitStatus, Stdio};
use std::thread::sleep;
use std::time::Duration;

use crate::support::{program, run};

/// A command under way.
pub(crate) struct UnderWay(Child);

impl UnderWay {
    /// Starts the program.
    pub(crate) fn begin(words: &[&str]) -> Self {
        let mut command = program();
        let command = command.args(words).stdout(Stdio::null());
        Self(command.stderr(Stdio::piped()).spawn().unwrap())
    }

    /// Waits until so many trials of the study are on disk.
    pub(crate) fn wait_for_trials(&self, study: &Path, trials: usize) {
        let table = study.join("trials.csv");
        for _ in 0..1200 {
            let text = fs::read_to_string(&table).unwrap_or_default();
            if text.lines().count() > trials {
                return;
            }
            sleep(Duration::from_millis(50));
        }
        panic!("no {trials} trials within a minute");
    }

    /// Sends a signal to the program, or to the process in it that does the work.
    pub(crate) fn signal(&self, signal: &str, to_the_worker: bool) {
        let id = self.0.id();
        let process = if to_the_worker {
            fs::read_to_string(format!("/proc/{id}/task/{id}/children")).unwrap()
        } else {
            id.to_string()
        };
        run("kill", &["-s", signal, process.trim()]).unwrap();
    }

    /// Waits for its end, whoever holds its output.
    pub(crate) fn status(mut self) -> ExitStatus {
        self.0.wait().unwrap()
    }

    /// Waits for its end: exit code, and what it said.
    pub(crate) fn end(self) -> (Option<i32>, String) {
        let output = self.0.wait_with_output().unwrap();
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        (output.status.code(), said)
    }
}

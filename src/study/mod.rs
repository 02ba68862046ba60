//! Everything known of one expansion, as one value, and the formats in which it is kept.

mod amend;
mod audience;
mod checks;
mod command;
mod config;
mod fault;
mod latency;
mod lines;
pub mod bounds;
mod limits;
pub mod manifest;
mod packed;
mod place;
mod progress;
mod proposal;
mod raw;
mod room;
mod set;
mod submission;
mod sweep;
pub mod tables;
mod trial;
mod verified;
mod windows;

use std::collections::{BTreeMap, BTreeSet};

pub use amend::{with_format, with_mount};
pub use audience::Audience;
pub use checks::{CheckRow, Outcome, Side};
pub use command::{Place, ShellCommand};
pub use config::{
    Config, ConfigError, Expansion, FORMAT, Following, Identity, Mounted, Planning, Server,
};
pub use fault::{Fault, faults_told};
pub use latency::{LatencyError, LatencyLog, render as render_latency};
pub use limits::Limits;
pub use lines::Plain;
pub use manifest::{DataEvent, DataRow};
pub use packed::{Pack, Packed, Texts};
pub use place::placed;
pub use progress::{ProbeRow, ProgressRow};
pub use proposal::KnownPool;
pub use raw::RawFile;
pub use submission::{baseline, commonest_submission};
pub use sweep::SweepRow;
pub use trial::{FRESH, ObservationRow, State, Trial, WindowRow};
pub use verified::{DamageRow, Kind, PassRow, SealRow, SealedCheckRow, SealedState, VerifiedRow};
pub use windows::Windows;

use crate::facts::Facts;
use crate::plan::{TestData, Workload, guessed_reach};
use crate::record::Observations;

/// A snapshot of a study: what stood on disk when it was read.
#[derive(Clone, Debug)]
pub struct Study {
    /// Name of its folder.
    pub name: String,
    /// What the person said.
    pub config: Config,
    /// The manifest of test data on the share.
    pub data: TestData,
    /// All trials in the order in which they were made.
    pub trials: Vec<Trial>,
    /// Windows by trial; a trial cut off before its row was written may have left some.
    pub windows: Windows,
    /// What was observed beside the operations, by trial.
    pub observations: BTreeMap<u64, Observations>,
    /// Latencies by trial.
    pub latency: LatencyLog,
    /// Working sets that were read again.
    pub sweeps: Vec<SweepRow>,
    /// What people answered for, in the order in which it was written down.
    pub checks: Vec<CheckRow>,
    /// Readings of the reshape, in the order in which they were made.
    pub progress: Packed<ProgressRow>,
    /// Light probes beside them.
    pub probes: Packed<ProbeRow>,
    /// Passes of reading back.
    pub passes: Vec<PassRow>,
    /// Test data that was read back, in the order in which it was.
    pub verified: Vec<VerifiedRow>,
    /// What was found damaged of it.
    pub damage: Vec<DamageRow>,
    /// What is remembered of the person's own files.
    pub seals: Vec<SealRow>,
    /// How they were found again.
    pub sealed_checks: Vec<SealedCheckRow>,
    /// Fingerprints by name.
    pub facts: BTreeMap<String, Facts>,
    /// What was found damaged, and what was made of it: a sentence each.
    pub remarks: Vec<String>,
}

impl Study {
    /// The study `name` of which nothing is known but what the person said.
    pub fn new(name: impl Into<String>, config: Config) -> Self {
        Self {
            name: name.into(),
            config,
            data: TestData::default(),
            trials: Vec::new(),
            windows: Windows::default(),
            observations: BTreeMap::new(),
            latency: LatencyLog::default(),
            sweeps: Vec::new(),
            checks: Vec::new(),
            progress: Packed::default(),
            probes: Packed::default(),
            passes: Vec::new(),
            verified: Vec::new(),
            damage: Vec::new(),
            seals: Vec::new(),
            sealed_checks: Vec::new(),
            facts: BTreeMap::new(),
            remarks: Vec::new(),
        }
    }

    /// The number that the next trial gets: larger than any that has left a trace, so that a trace
    /// without a row is never taken for a later trial.
    pub fn next_trial(&self) -> u64 {
        let rows = self.trials.iter().map(|trial| trial.trial);
        let windows = self.windows.trials();
        rows.chain(windows)
            .chain(self.observations.keys().copied())
            .chain(self.latency.trials())
            .max()
            .unwrap_or(0)
            + 1
    }

    /// Operations that a trial of `workload` may come to in `seconds`: as the last one did, else a guess.
    pub fn reach_of(&self, workload: &Workload, seconds: u64) -> u64 {
        let alike = |trial: &&Trial| {
            trial.state == State::Complete
                && trial.workload == workload.name
                && trial.block_bytes == workload.block.0
                && trial.seconds >= 1.0
        };
        match self.trials.iter().rev().find(alike) {
            Some(last) => {
                let operations = last.next_operation.saturating_sub(last.first_operation);
                (operations as f64 * seconds as f64 / last.seconds) as u64
            }
            None => guessed_reach(workload, seconds),
        }
    }

    /// The working sets of the latest sweep.
    pub fn latest_sweep(&self) -> &[SweepRow] {
        let latest = self.sweeps.last().map(|row| row.sweep);
        let first = self.sweeps.iter().position(|row| Some(row.sweep) == latest);
        &self.sweeps[first.unwrap_or(self.sweeps.len())..]
    }

    /// The number of the first of the `latest` sittings; 0 where there are no more than those.
    pub fn first_of_latest(&self, latest: usize) -> u64 {
        let numbers: BTreeSet<u64> = self.trials.iter().map(|trial| trial.sitting).collect();
        match numbers.len() > latest {
            true => numbers
                .into_iter()
                .nth_back(latest.saturating_sub(1))
                .unwrap_or(0),
            false => 0,
        }
    }

    /// The number that the next sitting gets.
    pub fn next_sitting(&self) -> u64 {
        self.trials
            .iter()
            .map(|trial| trial.sitting)
            .max()
            .unwrap_or(0)
            + 1
    }

    /// Where the next trial of `workload` goes on in its order, over old data or `fresh` ones, which
    /// have orders of their own.
    pub fn position(&self, workload: &str, fresh: bool) -> u64 {
        self.trials
            .iter()
            .rfind(|trial| trial.workload == workload && trial.is_fresh() == fresh)
            .map_or(0, |trial| trial.next_operation)
    }
}

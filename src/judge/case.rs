//! Everything that is known of one trial.

use std::borrow::Cow;
use std::collections::BTreeMap;

use crate::facts::Facts;
use crate::plan::Phase;
use crate::pool::{IpVersion, Pool, payload_rate};
use crate::record::{Controls, Observations, observed};
use crate::study::{Config, LatencyLog, State, Study, Trial, WindowRow};
use crate::units::{Nanos, Rate};

/// One trial with all that was recorded of it.
#[derive(Clone, Debug)]
pub struct Case<'a> {
    /// Its row.
    pub trial: &'a Trial,
    /// What was observed beside it.
    pub seen: Cow<'a, Observations>,
    /// Its windows.
    pub windows: Vec<WindowRow>,
    /// Machine and share at its time.
    pub facts: Option<&'a Facts>,
    /// What the person said.
    pub config: &'a Config,
    /// Its control reads.
    pub(super) own_controls: Controls,
    /// Those of its workload in its sitting, its own among them.
    pub(super) controls: Controls,
    /// Latencies of all trials.
    latencies: &'a LatencyLog,
}

/// Control reads, put together for each workload of each sitting.
#[derive(Clone, Debug, Default)]
pub struct Pools(BTreeMap<(u64, String, bool), Controls>);

impl Pools {
    /// Those of all complete trials of a study.
    pub fn of(study: &Study) -> Self {
        Self::of_trials(study, study.trials.iter())
    }

    fn of_trials<'a>(study: &Study, trials: impl Iterator<Item = &'a Trial>) -> Self {
        let mut pools = Self::default();
        for trial in trials.filter(|trial| trial.state == State::Complete) {
            let own = study.latency.controls(trial.trial).unwrap_or_default();
            let pool = pools.0.entry(key(trial)).or_default();
            pool.first.extend(own.first);
            pool.again.extend(own.again);
        }
        pools
    }
}

fn key(trial: &Trial) -> (u64, String, bool) {
    (trial.sitting, trial.workload.clone(), trial.is_fresh())
}

impl<'a> Case<'a> {
    /// The case of `trial` in `study`.
    pub fn of(study: &'a Study, trial: &'a Trial) -> Self {
        let sitting = study.trials.iter().filter(|of| of.sitting == trial.sitting);
        Self::with(study, trial, &Pools::of_trials(study, sitting))
    }

    /// The case of `trial` in `study`, whose control reads are in `pools`.
    pub fn with(study: &'a Study, trial: &'a Trial, pools: &Pools) -> Self {
        Self {
            own_controls: study.latency.controls(trial.trial).unwrap_or_default(),
            controls: pools.0.get(&key(trial)).cloned().unwrap_or_default(),
            trial,
            seen: study
                .observations
                .get(&trial.trial)
                .map_or_else(Cow::default, Cow::Borrowed),
            windows: study.windows.of(trial.trial),
            facts: study.facts.get(&trial.facts),
            config: &study.config,
            latencies: &study.latency,
        }
    }

    /// Its latencies with their counts, decoded at each call; `None` when they are missing or damaged.
    pub(super) fn latencies(&self) -> Option<Vec<(u64, u64)>> {
        self.latencies.recorded(self.trial.trial).ok().flatten()
    }

    /// The trial's rate.
    pub(super) fn rate(&self) -> Option<Rate> {
        self.trial
            .rate_bytes_per_s
            .map(Rate)
            .filter(|rate| rate.0 > 0.0)
    }

    /// Bytes that the trial read in all of its time, whether they count for the rate or not.
    pub(super) fn bytes_read(&self) -> f64 {
        let in_windows: u64 = self.windows.iter().map(|window| window.read_bytes).sum();
        in_windows as f64 + self.in_flight_at_the_end() * self.read_share()
    }

    /// Bytes that it wrote.
    pub(super) fn bytes_written(&self) -> f64 {
        let in_windows: u64 = self.windows.iter().map(|window| window.written_bytes).sum();
        in_windows as f64 + self.in_flight_at_the_end() * (1.0 - self.read_share())
    }

    /// Operations in flight when the last window closed; each stream ends with its depth.
    fn in_flight_at_the_end(&self) -> f64 {
        let trial = self.trial;
        match trial.paced_operations_per_s {
            Some(_) => 0.0,
            None => f64::from(trial.depth * trial.streams) * trial.block_bytes as f64,
        }
    }

    fn read_share(&self) -> f64 {
        f64::from(self.trial.read_percent) / 100.0
    }

    /// The part of all its bytes that it read.
    pub(super) fn part_read(&self) -> f64 {
        let (read, written) = (self.bytes_read(), self.bytes_written());
        if read > 0.0 {
            read / (read + written)
        } else {
            0.0
        }
    }

    /// Whether it only reads.
    pub(super) fn only_reads(&self) -> bool {
        self.trial.read_percent == 100
    }

    /// Whether it only writes.
    pub(super) fn only_writes(&self) -> bool {
        self.trial.read_percent == 0
    }

    /// The TCP payload that the link to the server carries at most, where it is known.
    pub fn payload(&self) -> Option<Rate> {
        let line = self.seen.get(observed::WIRE_LINE_RATE)?;
        let mtu = self.seen.get(observed::WIRE_MTU).unwrap_or(1500.0);
        let ip = match self.seen.get(observed::WIRE_IP) {
            Some(6.0) => IpVersion::V6,
            _ => IpVersion::V4,
        };
        // Without options and tags the most is carried: the ceiling that nothing can pass.
        Some(payload_rate(line as u64, mtu as u64, ip, false, false))
    }

    /// The rate in the busier direction: links carry both at once.
    pub(super) fn one_way_rate(&self) -> Option<Rate> {
        self.rate().map(|rate| Rate(rate.0 * self.busier_part()))
    }

    /// The part of all bytes that goes in the busier direction.
    pub(super) fn busier_part(&self) -> f64 {
        self.read_share().max(1.0 - self.read_share())
    }

    /// Drives that the pool can have had at the time: while it grows, the new ones too.
    pub(super) fn drives(&self) -> Option<u32> {
        let pool = self.config.pool.as_ref()?;
        Some(match self.trial.phase {
            Phase::Before => pool.drives,
            Phase::During | Phase::After => pool.drives + pool.adding,
        })
    }

    /// Drives of the pool before it grew.
    pub(super) fn drives_before(&self) -> Option<u32> {
        Some(self.config.pool.as_ref()?.drives)
    }

    /// The pool at the time, where it was stated; while it grows, the one that it becomes.
    pub(super) fn pool(&self) -> Option<Pool> {
        let stated = self.config.pool.as_ref()?;
        Some(Pool {
            level: stated.level,
            drives: self.drives()?,
            drive_size: stated.drive_size,
        })
    }

    /// Whether the pool's drives turn, as far as anybody said: of drives of which nothing is stated it is assumed.
    pub(super) fn turns(&self) -> bool {
        self.config.pool.as_ref().and_then(|pool| pool.rpm) != Some(0)
    }

    /// A turn of the pool's drives, when they are known to turn.
    pub(super) fn turn(&self) -> Option<Nanos> {
        let rpm = self.config.pool.as_ref()?.rpm?;
        (rpm > 0).then(|| Nanos::from_secs_f64(60.0 / f64::from(rpm)))
    }

    /// What was seen of member drives: bytes read and written in all, when any were asked.
    pub(super) fn members(&self) -> Option<Vec<Member>> {
        let count = self.seen.get(observed::MEMBERS)? as usize;
        let member = |n: usize| {
            Some(Member {
                read: self.seen.get(&observed::member_read(n))?,
                written: self.seen.get(&observed::member_written(n))?,
                wait_ms: self.seen.get(&observed::member_await(n)),
                busy: self.seen.get(&observed::member_busy(n)),
            })
        };
        (0..count)
            .map(member)
            .collect::<Option<Vec<_>>>()
            .filter(|members| !members.is_empty())
    }
}

/// One member drive during a trial.
#[derive(Clone, Copy, Debug)]
pub(super) struct Member {
    /// Bytes read from it.
    pub(super) read: f64,
    /// Bytes written to it.
    pub(super) written: f64,
    /// Mean time of a read.
    pub(super) wait_ms: Option<f64>,
    /// Part of the time in which it was busy.
    pub(super) busy: Option<f64>,
}

//! The made-up share itself: its time, its files, its expansion.

mod measure;
mod state;

use std::collections::BTreeMap;
use std::f64::consts::FRAC_PI_2;
use std::io::ErrorKind;

use jiff::{SignedDuration, Timestamp};

use super::cache::Cache;
use super::member::Conditions;
use super::reshape::{Progress, Reshape};
use super::scenario::{Priority, Scenario};
use super::truth::Truth;
use crate::facts::{Client, Facts, Link, Mount, Room};
use crate::load::{Assignment, LoadError, Measured, Share, Watch};
use crate::plan::{DataFile, Space, TestData};
use crate::pool::{Pool, PoolError};
use crate::seed::standard_normal;
use crate::units::{Bytes, Nanos};

/// The word that stands wherever a system would be named.
const SIMULATED: &str = "SIMULATED";
/// The longest stretch over which the reshape's rate is taken as constant.
const STRETCH: Nanos = Nanos(600 * Nanos::SECOND.0);
/// Data is laid down in slices of this size.
const SLICE: u64 = 64 << 20;
/// Time between two knots of the drift of the drives' speed.
const DRIFT: f64 = 60.0;

/// A share that exists in numbers alone.
#[derive(Clone, Debug)]
pub struct SimulatedShare {
    scenario: Scenario,
    pool: Pool,
    grown: Pool,
    drive_bytes: u64,
    reshape: Option<Reshape>,
    /// When the reshape began.
    begun: Option<Nanos>,
    /// Power cuts so far.
    cuts: usize,
    /// Bytes read from all drives since the server was started.
    members_read: u64,
    /// From the start of the scenario.
    clock: Nanos,
    /// The server's memory.
    cache: Cache,
    tier: Option<Cache>,
    client_cache: Option<Cache>,
    /// Address of each file in the pool.
    files: BTreeMap<u64, u64>,
    /// Size of each file.
    sizes: BTreeMap<u64, u64>,
    /// End of the last file.
    end: u64,
    truth: Truth,
}

impl SimulatedShare {
    /// The share at the start of `scenario`: memory empty, no test data, nothing added.
    ///
    /// # Errors
    /// When the pool, or the grown pool, cannot be, or its drives have no stated size.
    pub fn new(scenario: Scenario) -> Result<Self, PoolError> {
        scenario.pool.validate()?;
        let grown = scenario.pool.grown(scenario.adding)?;
        let drive_bytes = scenario.pool.drive_size.ok_or(PoolError::NoSize)?.0;
        let capacity = drive_bytes * u64::from(scenario.pool.data_drives());
        // Files begin at whole mebibytes.
        let filled = (capacity as f64 * scenario.filled.clamp(0.0, 1.0)) as u64 >> 20 << 20;
        Ok(Self {
            pool: scenario.pool,
            grown,
            drive_bytes,
            reshape: None,
            begun: None,
            cuts: 0,
            members_read: 0,
            clock: Nanos(0),
            cache: Cache::new(scenario.server.memory.0),
            tier: scenario.tier.map(|tier| Cache::new(tier.bytes.0)),
            client_cache: scenario
                .client_cache
                .map(|cache| Cache::new(cache.memory.0)),
            files: BTreeMap::new(),
            sizes: BTreeMap::new(),
            end: filled,
            truth: Truth::default(),
            scenario,
        })
    }

    /// What it is made of.
    pub fn scenario(&self) -> &Scenario {
        &self.scenario
    }

    /// The pool as it is: the grown one when the reshape has finished.
    pub fn pool(&self) -> Pool {
        self.pool
    }

    /// Where the bytes of the last trial really came from.
    pub fn truth(&self) -> Truth {
        self.truth
    }

    /// Adds the drives and begins to spread the data over them. Does nothing when that runs or is
    /// finished.
    pub fn start_reshape(&mut self) {
        if self.reshape.is_none() && self.pool != self.grown {
            let (settings, bytes) = (self.scenario.reshape, self.drive_bytes);
            self.reshape = Some(Reshape::new(settings, bytes, &self.pool, &self.grown));
            self.begun = Some(self.clock);
        }
    }

    /// How far the expansion is; `None` before it begins and when it has finished.
    pub fn reshape(&self) -> Option<Progress> {
        self.reshape.as_ref().map(Reshape::progress)
    }

    /// Tells the reshape, running or to come, whom to put first.
    pub fn set_priority(&mut self, priority: Priority) {
        self.scenario.reshape.priority = priority;
        if let Some(reshape) = &mut self.reshape {
            reshape.settings.priority = priority;
        }
    }

    /// The server's power fails and comes back: its memory is empty, and the reshape goes on from the position
    /// that was last written down.
    pub fn power_cut(&mut self) {
        self.cache.clear();
        self.members_read = 0;
        if let Some(reshape) = &mut self.reshape {
            reshape.power_cut();
        }
    }

    /// Lets `span` pass while nothing is measured: users work, the reshape goes on.
    pub fn advance(&mut self, span: Nanos) {
        self.pass(span, 0.0);
    }

    /// Lets `span` pass while the measuring takes the part `own` of the drives' time.
    fn pass(&mut self, span: Nanos, own: f64) {
        let end = self.clock + span;
        let mut foreign_bytes = 0.0;
        while self.clock < end {
            self.note_incidents();
            let conditions = self.conditions();
            let mut step = STRETCH
                .min(self.to_the_hour())
                .min(self.to_the_next_incident())
                .min(end - self.clock);
            let mut own_bytes = 0.0;
            if let Some(reshape) = self.reshape.as_mut().filter(|reshape| !reshape.stands()) {
                let busy = own + conditions.busiest(self.pool.drives);
                let rate = reshape.allowed(busy, &conditions.drive);
                let left = reshape
                    .progress()
                    .total
                    .saturating_sub(reshape.progress().done);
                // Rounded up, so that the last byte is moved in it.
                let enough = Nanos::from_secs_f64(left.0 as f64 / rate) + Nanos(1);
                step = step.min(enough);
                reshape.moved(rate * step.secs(), step);
                own_bytes = rate * step.secs() * f64::from(reshape.drives_read());
            }
            self.clock = self.clock + step;
            self.note_the_end();
            let drives = f64::from(self.pool.drives);
            let foreign =
                conditions.foreign_rate * drives * step.secs() * conditions.foreign_bytes as f64;
            foreign_bytes += foreign;
            self.members_read += (foreign + own_bytes) as u64;
        }
        self.cache.displace(foreign_bytes as u64);
    }

    fn note_the_end(&mut self) {
        if self.reshape.as_ref().is_some_and(Reshape::finished) {
            (self.reshape, self.begun) = (None, None);
            self.pool = self.grown;
        }
    }

    fn to_the_hour(&self) -> Nanos {
        let hour = 3_600 * i128::from(Nanos::SECOND.0);
        Nanos((hour - self.now().as_nanosecond().rem_euclid(hour)) as u64)
    }

    /// What holds at this moment.
    fn conditions(&self) -> Conditions {
        let hour = self.now().as_second().rem_euclid(86_400) / 3_600;
        let users = &self.scenario.users;
        Conditions {
            drive: self.scenario.drive,
            size: self.drive_bytes,
            speed: (self.scenario.drift * self.drift()).exp(),
            foreign_rate: match self.is_off() {
                true => 0.0,
                false => users.operations_per_second[hour as usize] / f64::from(self.pool.drives),
            },
            foreign_bytes: users.block.0,
            foreign_span: self.location(self.end),
        }
    }

    /// A standard normal that changes smoothly with the time of day: neighbouring knots are mixed so
    /// that the variance stays one.
    fn drift(&self) -> f64 {
        let seconds = self.now().as_duration().as_secs_f64() / DRIFT;
        let knot = |offset: f64| {
            let seed = self
                .scenario
                .seed
                .child("drift", (seconds.floor() + offset) as u64);
            standard_normal(&mut seed.rng())
        };
        let angle = seconds.fract().abs() * FRAC_PI_2;
        angle.cos() * knot(0.0) + angle.sin() * knot(1.0)
    }

    /// The fraction of each drive at which an address of the pool lies.
    fn location(&self, address: u64) -> f64 {
        let capacity = self.drive_bytes as f64 * f64::from(self.pool.data_drives());
        (address as f64 / capacity).min(1.0)
    }

    /// Gives every file of `data` its place, in the order of the files.
    fn adopt(&mut self, data: &TestData) {
        for file in &data.files {
            self.place(file);
        }
    }

    fn place(&mut self, file: &DataFile) -> u64 {
        let (end, bytes) = (&mut self.end, file.bytes.0);
        self.sizes.insert(file.number, bytes);
        *self.files.entry(file.number).or_insert_with(|| {
            let start = *end;
            *end += bytes;
            start
        })
    }

    /// Bytes per second at which a large file is written at `address` just now.
    fn write_rate(&self, address: u64) -> f64 {
        let conditions = self.conditions();
        let drive = &conditions.drive;
        let reshaping = self.reshape.as_ref().map_or(0.0, |reshape| {
            reshape.share(reshape.allowed(1.0, drive), drive)
        });
        let left = (1.0 - conditions.foreign_busy() - reshaping).max(0.05);
        let each = drive.rate_at(self.location(address)).0 * conditions.speed;
        let drives = each * f64::from(self.pool.data_drives()) * left;
        drives.min(self.scenario.network.payload_rate().0)
    }

    fn room(&self) -> Space {
        let total = self.pool.capacity().unwrap_or_default();
        Space {
            total,
            available: total.saturating_sub(Bytes(self.end)),
        }
    }
}

impl Share for SimulatedShare {
    fn now(&self) -> Timestamp {
        self.scenario.start + SignedDuration::from_nanos(self.clock.0 as i64)
    }

    fn facts(&mut self) -> Facts {
        let Space { total, available } = self.room();
        Facts {
            simulated: true,
            client: Client {
                system: SIMULATED.into(),
                kernel: SIMULATED.into(),
                processors: self.scenario.client.cores,
                memory: Bytes::GIB.times(8),
                program: env!("CARGO_PKG_VERSION").into(),
            },
            mount: Some(Mount {
                point: SIMULATED.into(),
                kind: SIMULATED.into(),
                source: SIMULATED.into(),
                options: Vec::new(),
                direct_io_alignment: Some(Bytes::KIB.times(4)),
            }),
            space: Some(Room { total, available }),
            links: vec![Link {
                name: SIMULATED.into(),
                mtu: self.scenario.network.mtu,
                bits_per_second: Some(self.scenario.network.bits_per_second),
            }],
            ..Facts::default()
        }
    }

    fn space(&mut self) -> Result<Space, LoadError> {
        Ok(self.room())
    }

    fn open_folder(&mut self, data: &TestData) -> Result<(), LoadError> {
        self.adopt(data);
        Ok(())
    }

    fn lay_down(&mut self, file: &DataFile, watch: &Watch) -> Result<(), LoadError> {
        if !self.files.contains_key(&file.number) && file.bytes > self.room().available {
            return Err(LoadError::Full { path: file.name() });
        }
        let start = self.place(file);
        let mut written = 0;
        while written < file.bytes.0 {
            if watch.stopped() {
                return Err(LoadError::Stopped);
            }
            let slice = SLICE.min(file.bytes.0 - written);
            let from = start + written;
            self.pass(
                Nanos::from_secs_f64(slice as f64 / self.write_rate(from)),
                1.0,
            );
            self.cache.keep(from, from + slice);
            watch.add(slice);
            written += slice;
        }
        Ok(())
    }

    fn discard(&mut self, file: &DataFile) -> Result<(), LoadError> {
        self.files.remove(&file.number);
        Ok(())
    }

    fn run(&mut self, assignment: &Assignment<'_>, watch: &Watch) -> Result<Measured, LoadError> {
        self.note_incidents();
        if self.is_off() {
            return Err(LoadError::Io {
                doing: "reading",
                path: SIMULATED.into(),
                source: ErrorKind::HostUnreachable.into(),
            });
        }
        Ok(self.measure(assignment, watch))
    }
}

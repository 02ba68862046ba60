//! One load, measured in pairs.

use std::fmt;
use std::fs::{File, OpenOptions};
use std::os::unix::fs::OpenOptionsExt as _;
use std::path::Path;
use std::time::Duration;

use poolproof::load::{Assignment, Drive, LocalShare, Share, Submission, Watch};
use poolproof::plan::{Access, Operation, Pattern, TestData, Workload};
use poolproof::record::observed;
use poolproof::seed::Seed;
use poolproof::stats::describe::median;
use poolproof::units::{Bytes, Nanos};

use super::Anyhow;
use super::bare::{Bare, Done};

/// A load: what is done, in what order, with what block and how many in flight.
pub(super) struct Cell(Workload);

/// How much is measured of each cell.
#[derive(Clone, Copy)]
pub(super) struct Extent {
    /// Of one measurement.
    pub(super) length: Nanos,
    /// Measurements of each side.
    pub(super) pairs: usize,
    /// Whether the loop makes content, too.
    pub(super) makes: bool,
}

impl Cell {
    pub(super) fn all() -> impl Iterator<Item = Self> {
        let mut all = Vec::new();
        for read_percent in [100, 0] {
            for access in [Access::Sequential, Access::Random] {
                for block in [Bytes::KIB.times(4), Bytes::KIB.times(64), Bytes::MIB] {
                    for depth in [1, 8, 32, 128] {
                        all.push(Self(Workload {
                            name: "paired".to_owned(),
                            read_percent,
                            access,
                            block,
                            depth,
                            streams: 1,
                            operations_per_second: None,
                            span: None,
                        }));
                    }
                }
            }
        }
        all.into_iter()
    }

    pub(super) fn writes(&self) -> bool {
        self.0.writes()
    }

    /// Lets poolproof and a bare loop take turns, each being first in every other pair.
    pub(super) fn compare(
        &self,
        share: &mut LocalShare,
        data: &TestData,
        folder: &Path,
        extent: Extent,
    ) -> Result<Found, Anyhow> {
        let all = [self.0.clone()];
        let pattern = Pattern::new(&self.0, &all, data, Seed(3))?;
        let (mut rates, mut costs) = (Vec::new(), Vec::new());
        // What poolproof drives it with, and whether past the cache, is how the loop does it, too.
        let length = extent.length;
        let chosen = self.ours(share, data, &pattern, length, Drive::Measured)?.1;
        let (submission, direct) = chosen;
        for pair in 0..extent.pairs {
            let drive = Drive::Given(submission, "as chosen".to_owned());
            let loops = || self.bare(data, folder, &pattern, extent, chosen);
            let (ours, bare) = match pair % 2 {
                0 => {
                    let ours = self.ours(share, data, &pattern, length, drive)?;
                    (ours, loops()?)
                }
                _ => {
                    let bare = loops()?;
                    (self.ours(share, data, &pattern, length, drive)?, bare)
                }
            };
            rates.push(ours.0.rate / bare.rate);
            costs.push(ours.0.cpu / bare.cpu);
        }
        Ok(Found {
            workload: self.0.clone(),
            submission,
            direct,
            rate: median(&rates).ok_or("no rates")?,
            cpu: median(&costs).ok_or("no times")?,
        })
    }

    fn ours(
        &self,
        share: &mut LocalShare,
        data: &TestData,
        pattern: &Pattern,
        length: Nanos,
        drive: Drive,
    ) -> Result<(Speed, (Submission, bool)), Anyhow> {
        let assignment = Assignment {
            workload: &self.0,
            pattern: pattern.clone(),
            data,
            length,
            until: None,
            first: 0,
            reach: 0,
            trial: 1,
            drive,
            observe: false,
        };
        let measured = share.run(&assignment, &Watch::default())?;
        if let Some(failure) = measured.recording.failure {
            return Err(failure.to_string().into());
        }
        let operations = measured.recording.bytes().0 / self.0.block.0;
        let cpu = measured.observations.get(observed::LOAD_PROCESSOR);
        let done = Done {
            operations,
            took: Duration::from(measured.recording.ended),
            cpu: Duration::from_secs_f64(cpu.ok_or("no processor time")? * operations as f64 / 1e9),
        };
        let driven = (measured.submission, measured.direct != Some(false));
        Ok((Speed::of(&done), driven))
    }

    fn bare(
        &self,
        data: &TestData,
        folder: &Path,
        pattern: &Pattern,
        Extent { length, makes, .. }: Extent,
        (submission, direct): (Submission, bool),
    ) -> Result<Speed, Anyhow> {
        let file = if self.0.reads() { 0 } else { 2 };
        let file = data.files.get(file).ok_or("no test data")?;
        let flags = if direct { libc::O_DIRECT } else { 0 };
        let file: File = OpenOptions::new()
            .read(true)
            .write(true)
            .custom_flags(flags)
            .open(folder.join(file.name()))?;
        let places: Vec<u64> = (0..pattern.operations())
            .map(|index| pattern.at(index))
            .map(|Operation { offset, .. }| offset)
            .collect();
        let bare = Bare {
            file: &file,
            places: &places,
            block: self.0.block.0 as usize,
            depth: self.0.depth as usize,
            writes: self.0.writes(),
            makes,
            length: Duration::from(length),
        };
        let done = match submission {
            Submission::Ring => bare.ring()?,
            _ => bare.threads()?,
        };
        if self.0.writes() {
            file.sync_all()?;
        }
        Ok(Speed::of(&done))
    }
}

impl fmt::Display for Cell {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Workload { block, depth, .. } = &self.0;
        let direction = if self.0.reads() { "read" } else { "write" };
        let access = self.0.access.word();
        write!(f, "{access} {direction} | {} | {depth} ", block.iec())
    }
}

/// What was reached.
struct Speed {
    /// Operations per second.
    rate: f64,
    /// Seconds of processor time for an operation.
    cpu: f64,
}

impl Speed {
    fn of(done: &Done) -> Self {
        let operations = done.operations as f64;
        Self {
            rate: operations / done.took.as_secs_f64(),
            cpu: done.cpu.as_secs_f64() / operations,
        }
    }
}

/// Medians over the pairs of poolproof over the bare loop.
pub(super) struct Found {
    workload: Workload,
    submission: Submission,
    direct: bool,
    /// Of the rate.
    pub(super) rate: f64,
    /// Of the processor time for an operation.
    pub(super) cpu: f64,
}

impl fmt::Display for Found {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "| {}| {} | {} | {:.3} | {:.2} |",
            Cell(self.workload.clone()),
            self.submission.word(),
            if self.direct { "yes" } else { "no" },
            self.rate,
            self.cpu
        )
    }
}

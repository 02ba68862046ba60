//! One trial as its way of submission sees it, and what that hands back.

use std::io;
use std::time::Instant;

use super::buffers::Buffers;
use super::direct::{Alignment, Opened};
use super::files::Files;
use super::sample::Sample;
use super::start::Together;
use crate::facts::counters::Scheduled;
use crate::load::{Assignment, Job, Watch, generation};
use crate::plan::content::{self, Address};
use crate::plan::{Operation, Workload};
use crate::record::Recording;
use crate::study::Identity;
use crate::units::Nanos;

/// What the ways of submission of one trial share.
pub(super) struct Trial<'a> {
    pub(super) job: Job,
    pub(super) workload: &'a Workload,
    pub(super) files: &'a Files,
    pub(super) alignment: Alignment,
    pub(super) watch: &'a Watch,
    length: Nanos,
    study: Identity,
    trial: u64,
}

/// What a stream hands back. Its buffers are given back only after the flush: that takes time.
pub(super) struct Ended {
    pub(super) recording: Recording,
    /// When an end was asked for, from the start of the trial.
    pub(super) stopped: Option<Nanos>,
    pub(super) buffers: Buffers,
    pub(super) sample: Sample,
    /// Whether the kernel had to find its buffers for each operation, because locked memory is short.
    pub(super) unlocked: bool,
}

/// What the ways of submission of one trial hand back.
pub(super) struct Run {
    pub(super) streams: Vec<Recording>,
    /// When an end was asked for, from the start of the trial.
    pub(super) stopped: Option<Nanos>,
    /// The clock of the trial, which still runs.
    pub(super) clock: Clock,
    /// Blocks that were kept aside.
    pub(super) samples: Vec<Sample>,
    /// Processor time of this process meanwhile.
    pub(super) processor: Nanos,
    /// How its threads ran and waited for a processor, where the kernel tells, and how many there were.
    pub(super) scheduled: Option<Scheduled>,
    pub(super) threads: usize,
    /// Whether locked memory was too short for the buffers of some ring.
    pub(super) unlocked: bool,
    _buffers: Vec<Buffers>,
}

impl Run {
    /// What came of streams that started together.
    ///
    /// # Errors
    /// The first of one that broke down.
    pub(super) fn of(done: Together<io::Result<Ended>>) -> io::Result<Self> {
        let threads = done.seen.len();
        let ended: Vec<Ended> = done.seen.into_iter().collect::<io::Result<_>>()?;
        let stopped = ended.iter().filter_map(|ended| ended.stopped).min();
        let unlocked = ended.iter().any(|ended| ended.unlocked);
        let (streams, (buffers, samples)) = ended
            .into_iter()
            .map(|ended| (ended.recording, (ended.buffers, ended.sample)))
            .unzip();
        Ok(Self {
            streams,
            stopped,
            clock: done.clock,
            samples,
            processor: done.processor,
            scheduled: done.scheduled,
            threads,
            unlocked,
            _buffers: buffers,
        })
    }
}

impl<'a> Trial<'a> {
    pub(super) fn new(
        assignment: &'a Assignment<'_>,
        first: u64,
        study: Identity,
        opened: &'a Opened,
        watch: &'a Watch,
    ) -> Self {
        let workload = assignment.workload;
        let recorders = (workload.streams * workload.depth) as usize;
        let pattern = assignment.pattern.clone();
        Self {
            job: Job::new(workload, pattern, assignment.length, first, recorders)
                .until(assignment.until),
            workload,
            files: &opened.files,
            alignment: opened.alignment,
            watch,
            length: assignment.length,
            study,
            trial: assignment.trial,
        }
    }

    /// `count` buffers for its blocks.
    pub(super) fn buffers(&self, count: usize) -> Buffers {
        let block = self.workload.block.0 as usize;
        Buffers::new(count, block, self.alignment.memory)
    }

    /// Room for what one of `streams` keeps aside of what it reads.
    pub(super) fn sample(&self, streams: usize) -> Sample {
        Sample::new(streams, self.length)
    }

    /// Makes the content of a write.
    pub(super) fn fill(&self, operation: &Operation, buffer: &mut [u8]) {
        fill(
            operation,
            self.study,
            generation(self.trial, operation.pass),
            buffer,
        );
    }
}

/// Makes the content that belongs where `operation` goes.
pub(super) fn fill(operation: &Operation, study: Identity, generation: u64, buffer: &mut [u8]) {
    let (file, block) = (operation.file, operation.first_block());
    content::fill(
        buffer,
        Address {
            study: study.0,
            file,
            block,
            generation,
        },
    );
}

/// Time since the start of a trial.
#[derive(Clone, Copy, Debug)]
pub(super) struct Clock(pub(super) Instant);

impl Clock {
    pub(super) fn now(self) -> Nanos {
        Nanos::from(self.0.elapsed())
    }
}

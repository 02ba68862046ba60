//! How much test data a sweep lays down before it reads on: no more than finds where memory ends.
//!
//! It grows by doubling, or to twice the size at which a cache seems to end, and at last to the set that
//! a sitting would lay down. Each step is read as the whole would be: working sets lie at the front of the
//! test data, which a larger set leaves where they are, and each is read once before it is measured.

use crate::judge::{plausible_cache_size, proven_cache_size};
use crate::plan::{Memory, Set, Sizing};
use crate::study::{Study, SweepRow};
use crate::units::Bytes;

/// The first step is such a part of the whole: an end that is worth being found early lies in the second
/// half of it or beyond, and each step costs a little reading.
const FIRST_PART: u64 = 16;
/// So much is laid down in seconds, or in a minute at most.
const LEAST: Bytes = Bytes::GIB;

/// The test data of a sweep, step by step.
#[derive(Clone, Debug)]
pub(super) struct Steps {
    memory: Memory,
    /// The read set of the last step.
    whole: Bytes,
    /// The read set of this step.
    now: Bytes,
    /// What is laid down beside what is there, if it comes to the last step.
    most: Bytes,
    /// What was there before.
    present: Bytes,
}

impl Steps {
    /// One step, to all of `sizing`.
    pub(super) fn at_once(study: &Study, memory: Memory, sizing: &Sizing) -> Self {
        Self {
            memory,
            whole: sizing.read,
            now: sizing.read,
            most: sizing.files.iter().map(|(_, bytes)| *bytes).sum(),
            present: study.data.total(),
        }
    }

    /// From a sixteenth of the read set of `sizing`, or from what is there, up to all of it.
    pub(super) fn doubling(study: &Study, memory: Memory, sizing: &Sizing) -> Self {
        let first = sizing.read.0.div_ceil(FIRST_PART).next_power_of_two();
        let first = Bytes(first).max(LEAST).max(study.data.bytes(Set::Read));
        Self {
            now: first.min(sizing.read),
            ..Self::at_once(study, memory, sizing)
        }
    }

    /// Whether less than all may do.
    pub(super) fn may_end_early(&self) -> bool {
        self.now < self.whole
    }

    /// The memory that asks for just as much test data as this step has.
    pub(super) fn memory(&self) -> Memory {
        match self.may_end_early() {
            true => Memory::asking_for(self.now),
            false => self.memory,
        }
    }

    /// The largest memory that could hold a cache.
    pub(super) fn largest_memory(&self) -> Bytes {
        self.memory.largest()
    }

    /// Goes to the next step, by what `rows` show of the end of a cache.
    pub(super) fn grow(&mut self, rows: &[SweepRow]) {
        let enough = plausible_cache_size(rows, self.memory.largest()).map(|end| end.times(2));
        let double = self.now.times(2);
        let next = enough
            .filter(|enough| *enough > self.now)
            .map_or(double, |enough| enough.min(double));
        self.now = next.min(self.whole);
    }

    /// Where `rows` show that memory ends, if they go on far enough beyond it.
    pub(super) fn end(&self, rows: &[SweepRow]) -> Option<Bytes> {
        proven_cache_size(rows, self.memory.largest())
    }

    /// What is said before the first of several steps.
    pub(super) fn ahead(&self) -> String {
        format!(
            "lays down at most {} of test data, {} to read, in steps: no more once it has read on to twice the size at which memory ends",
            self.most.iec(),
            self.whole.iec()
        )
    }

    /// What is said behind the last of several: how much of `study`'s test data is new, and why it was not
    /// less or more.
    pub(super) fn behind(&self, study: &Study, rows: &[SweepRow]) -> String {
        let laid = study.data.total().saturating_sub(self.present);
        let (most, read) = (self.most.iec(), study.data.bytes(Set::Read).iec());
        match self.end(rows).filter(|_| self.may_end_early()) {
            Some(end) if laid.0 == 0 => format!(
                "laid down nothing of at most {most}: the {read} to read that were there are twice the {} at which memory ends, and no more is needed",
                end.iec()
            ),
            Some(end) => format!(
                "laid down {} of at most {most}: the {read} to read are twice the {} at which memory ends, and no more is needed",
                laid.iec(),
                end.iec()
            ),
            None => format!(
                "laid down {}, as much as a sitting would: less did not show for sure where memory ends",
                laid.iec()
            ),
        }
    }
}

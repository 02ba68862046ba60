//! A few blocks of what a trial reads are kept aside and compared when its clock has stopped.
//!
//! One block of 4 KiB at a time, spread over the trial, at most [`MOST`] of them: copying one takes
//! less than a microsecond, after its operation was timed.

use super::buffers::Buffers;
use crate::integrity::{Expected, Judged};
use crate::plan::content::BLOCK;
use crate::plan::{Direction, Operation};
use crate::record::Failure;
use crate::study::{Identity, Kind};
use crate::units::Nanos;

/// Blocks that a trial keeps at most, all streams together.
const MOST: usize = 64;

/// What one stream keeps.
pub(super) struct Sample {
    /// From one block to the next.
    every: Nanos,
    next: Nanos,
    /// Files and numbers of the blocks.
    kept: Vec<(u64, u64)>,
    content: Vec<u8>,
    most: usize,
}

impl Sample {
    /// Room for the part of one of `streams` in a trial of `length`; nothing is allocated later.
    pub(super) fn new(streams: usize, length: Nanos) -> Self {
        let most = (MOST / streams.max(1)).max(1);
        // Touched, so that no page of it is first asked for while the clock runs.
        let mut content = vec![0xa5; most * BLOCK];
        content.clear();
        Self {
            every: Nanos(length.0 / most as u64),
            next: Nanos(0),
            kept: Vec::with_capacity(most),
            content,
            most,
        }
    }

    /// Keeps a block of what `operation` has read into buffer `slot`, when it is time for one.
    pub(super) fn take(
        &mut self,
        operation: &Operation,
        now: Nanos,
        buffers: &mut Buffers,
        slot: usize,
    ) {
        if now < self.next
            || self.kept.len() == self.most
            || operation.direction == Direction::Write
        {
            return;
        }
        self.next = now + self.every;
        let buffer = buffers.get(slot);
        // Another place within the operation each time.
        let blocks = buffer.len() / BLOCK;
        let index = (operation.first_block() as usize / blocks + self.kept.len()) % blocks;
        self.kept
            .push((operation.file, operation.first_block() + index as u64));
        self.content
            .extend_from_slice(&buffer[index * BLOCK..][..BLOCK]);
    }
}

/// What the blocks that were kept turned out to be.
pub(super) struct Checked {
    /// How many there are.
    pub(super) blocks: u64,
    /// How many of them hold something else than was laid down.
    pub(super) damaged: u64,
    /// The first of these.
    pub(super) failure: Option<Failure>,
    /// What it holds.
    pub(super) note: Option<String>,
}

/// Compares what all streams kept with what was laid down.
pub(super) fn check(samples: &[Sample], study: Identity) -> Checked {
    let expected = Expected::laid_down(study);
    let mut checked = Checked {
        blocks: 0,
        damaged: 0,
        failure: None,
        note: None,
    };
    let kept = samples
        .iter()
        .flat_map(|sample| sample.kept.iter().zip(sample.content.chunks_exact(BLOCK)));
    for (&(file, block), content) in kept {
        checked.blocks += 1;
        if let Judged::Damaged(kind, found) = expected.judge(file, block, content) {
            checked.damaged += 1;
            let offset = block * BLOCK as u64;
            let found_kind = match kind {
                Kind::Place => "a block that belongs elsewhere",
                Kind::Generation => "a block of another study or generation",
                _ => "other content than was written",
            };
            checked.failure.get_or_insert(Failure::Damaged {
                file,
                offset,
                found: found_kind,
            });
            checked
                .note
                .get_or_insert_with(|| format!("file {file} at offset {offset} holds {found}"));
        }
    }
    checked
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::content::{self, Address};

    #[test]
    fn a_sample_is_spread_bounded_and_finds_what_differs() {
        let study = Identity(9);
        let mut buffers = Buffers::new(1, 4 * BLOCK, BLOCK);
        let length = Nanos(64 * Nanos::SECOND.0);
        let mut sample = Sample::new(2, length);
        for second in 0..200u64 {
            let operation = Operation {
                direction: Direction::Read,
                file: 3,
                offset: second * 4 * BLOCK as u64,
                pass: 0,
            };
            let first = Address {
                study: study.0,
                file: 3,
                block: operation.first_block(),
                generation: 0,
            };
            content::fill(buffers.get(0), first);
            if second == 20 {
                buffers
                    .get(0)
                    .iter_mut()
                    .step_by(1000)
                    .for_each(|byte| *byte ^= 1);
            }
            sample.take(&operation, Nanos(second * Nanos::SECOND.0), &mut buffers, 0);
            let write = Operation {
                direction: Direction::Write,
                ..operation
            };
            sample.take(&write, Nanos(u64::MAX), &mut buffers, 0);
        }
        // Half of 64, one every other second.
        assert_eq!(sample.kept.len(), 32);
        let seconds: Vec<u64> = sample.kept.iter().map(|(_, block)| block / 4).collect();
        assert!(
            seconds.iter().copied().eq((0..64).step_by(2)),
            "{seconds:?}"
        );
        let checked = check(&[sample], study);
        assert_eq!((checked.blocks, checked.damaged), (32, 1));
        assert!(matches!(
            checked.failure,
            Some(Failure::Damaged { file: 3, .. })
        ));
        assert!(checked.note.unwrap().contains("bytes differ"));
    }
}

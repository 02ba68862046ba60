//! What is tried on the share beside a trial: control reads, and writing content that a share may compress.

use std::time::Instant;

use super::buffers::Buffers;
use super::direct::Alignment;
use super::files::Files;
use super::transfer::{read_fully, write_fully};
use super::trial::fill;
use crate::load::{Assignment, generation};
use crate::plan::content::BLOCK;
use crate::plan::{CLASS_WRITES, ControlReads, Operation};
use crate::record::{Controls, Observations, observed};
use crate::study::Identity;
use crate::units::Nanos;

/// The first reading of all places takes no longer than this, nor does each reading again.
const LONGEST: Nanos = Nanos(2 * Nanos::SECOND.0);

/// Control reads of a trial, and what they have shown so far.
#[derive(Debug, Default)]
pub(super) struct Touched {
    /// Operations of the pattern that they use up.
    pub(super) used: u64,
    pub(super) controls: Controls,
    /// Those places that are read once more after the trial, and the bytes of each.
    again: Vec<Operation>,
    bytes: usize,
}

/// Reads what the trial is about to read, and the same again at once.
pub(super) fn touch(
    assignment: &Assignment<'_>,
    files: &Files,
    alignment: Alignment,
    buffers: &mut Buffers,
) -> Touched {
    let workload = assignment.workload;
    if !workload.reads() {
        return Touched::default();
    }
    let (pattern, first) = (&assignment.pattern, assignment.first);
    let reads = ControlReads::of(workload, pattern, first, assignment.reach);
    let bytes = reads.bytes as usize;
    let mut read = |places: &[Operation]| timed(places, files, alignment, buffers, bytes);
    let first = read(&reads.places);
    let again = read(&reads.places[..first.len()]);
    let untouched = reads.untouched();
    Touched {
        used: reads.used,
        again: untouched[..untouched.len().min(again.len())].to_vec(),
        bytes,
        controls: Controls {
            first,
            again,
            later: Vec::new(),
        },
    }
}

impl Touched {
    /// Reads once more after the trial what it did not come to, and tells all.
    pub(super) fn after(
        self,
        files: &Files,
        alignment: Alignment,
        buffers: &mut Buffers,
    ) -> Controls {
        Controls {
            later: timed(&self.again, files, alignment, buffers, self.bytes),
            ..self.controls
        }
    }
}

/// Writes data of three classes of compressibility in the place of what the trial would have written
/// next, each flushed: a share that compresses takes zeros faster. The last class is what belongs
/// there, so that every block describes itself again.
pub(super) fn write_classes(
    assignment: &Assignment<'_>,
    files: &Files,
    alignment: Alignment,
    study: Identity,
    buffers: &mut Buffers,
    seen: &mut Observations,
) -> Result<(), String> {
    let block = assignment.workload.block.0;
    // Of each 4 KiB, so much is left of what belongs there; the rest becomes zeros.
    let classes = [
        (observed::WRITE_ZEROS, 0),
        (observed::WRITE_HALF, BLOCK / 2),
        (observed::WRITE_RANDOM, BLOCK),
    ];
    for (name, kept) in classes {
        let mut span = Nanos(0);
        for number in 0..CLASS_WRITES {
            let operation = assignment.pattern.at(assignment.first + number);
            let buffer = buffers.get(0);
            fill(
                &operation,
                study,
                generation(assignment.trial, operation.pass),
                buffer,
            );
            buffer
                .chunks_exact_mut(BLOCK)
                .for_each(|part| part[kept..].fill(0));
            let now = Instant::now();
            write_fully(
                files.get(operation.file),
                buffer,
                operation.offset,
                alignment,
            )
            .map_err(|cause| cause.to_string())?;
            span = span + Nanos::from(now.elapsed());
        }
        let now = Instant::now();
        files
            .flush(assignment)
            .map_err(|failure| failure.to_string())?;
        span = span + Nanos::from(now.elapsed());
        seen.put(name, (CLASS_WRITES * block) as f64 / span.secs().max(1e-9));
    }
    Ok(())
}

/// How long each of the reads of `bytes` took, as far as time allows and none fails.
fn timed(
    places: &[Operation],
    files: &Files,
    alignment: Alignment,
    buffers: &mut Buffers,
    bytes: usize,
) -> Vec<Nanos> {
    let begun = Instant::now();
    let mut times = Vec::with_capacity(places.len());
    for place in places {
        let now = Instant::now();
        if Nanos::from(now - begun) > LONGEST {
            break;
        }
        let buffer = &mut buffers.get(0)[..bytes];
        match read_fully(files.get(place.file), buffer, place.offset, alignment) {
            Ok(()) => times.push(Nanos::from(now.elapsed())),
            Err(_) => break,
        }
    }
    times
}

//! What is tried on the share right before a trial: reading blocks twice, and writing content that a
//! share may compress.

use std::time::Instant;

use super::buffers::Buffers;
use super::direct::Alignment;
use super::files::Files;
use super::transfer::{read_fully, write_fully};
use super::trial::fill;
use crate::load::{Assignment, generation};
use crate::plan::content::BLOCK;
use crate::plan::{CLASS_WRITES, Direction, Operation};
use crate::record::{Observations, observed};
use crate::study::Identity;
use crate::units::Nanos;

/// Untouched blocks that are read twice before a trial: fewer large ones, which take their time.
fn touches(block: u64) -> u64 {
    if block <= 64 << 10 { 64 } else { 16 }
}

/// Reading them twice takes no longer than this.
const TOUCHING: Nanos = Nanos(3 * Nanos::SECOND.0);
/// Reads blocks that the trial would have read next, and the same again at once. Returns how many
/// operations of the pattern were used up.
pub(super) fn touch_twice(
    assignment: &Assignment<'_>,
    files: &Files,
    alignment: Alignment,
    buffers: &mut Buffers,
    seen: &mut Observations,
) -> u64 {
    if !assignment.workload.reads() {
        return 0;
    }
    let touches = touches(assignment.workload.block.0);
    let operations: Vec<Operation> = (0..touches)
        .map(|number| assignment.pattern.at(assignment.first + number))
        .filter(|operation| operation.direction == Direction::Read)
        .collect();
    let begun = Instant::now();
    let first = touch(&operations, files, alignment, buffers, begun);
    let second = touch(&operations[..first.len()], files, alignment, buffers, begun);
    if second.len() < 8 {
        return touches;
    }
    let first = &first[..second.len()];
    let rate = |times: &[Nanos]| {
        let span: f64 = times.iter().map(|time| time.secs()).sum();
        times.len() as f64 / span.max(1e-9)
    };
    let log = |times: &[Nanos]| {
        times
            .iter()
            .map(|time| (time.0.max(1) as f64).ln())
            .sum::<f64>()
            / times.len() as f64
    };
    seen.put(observed::TWICE_OPERATIONS, second.len() as f64);
    seen.put(observed::TWICE_FIRST_RATE, rate(first));
    seen.put(observed::TWICE_SECOND_RATE, rate(&second));
    seen.put(observed::TWICE_FIRST_LOG, log(first));
    seen.put(observed::TWICE_SECOND_LOG, log(&second));
    touches
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

/// How long each of the reads took, as far as time allows and none fails.
fn touch(
    operations: &[Operation],
    files: &Files,
    alignment: Alignment,
    buffers: &mut Buffers,
    begun: Instant,
) -> Vec<Nanos> {
    let mut times = Vec::with_capacity(operations.len());
    for operation in operations {
        let now = Instant::now();
        if Nanos::from(now - begun) > TOUCHING {
            break;
        }
        let file = files.get(operation.file);
        match read_fully(file, buffers.get(0), operation.offset, alignment) {
            Ok(()) => times.push(Nanos::from(now.elapsed())),
            Err(_) => break,
        }
    }
    times
}

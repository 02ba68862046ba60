//! Evidence of other troubles: records that contradict themselves, data that is not what it should
//! be, other users, sizes.

use super::case::Case;
use super::evidence::{Evidence, Layer, Says, Strength};
use super::limit::{FULL, HARDLY};
use crate::record::observed;
use crate::units::{Bytes, Nanos, Rate, grouped, percent};

/// Little's law holds within this part: windows cut operations at both ends.
const LITTLE: f64 = 0.15;
/// The instrument itself may take so long between two operations.
const OWN_TIME: Nanos = Nanos(20_000);
/// Foreign traffic above this part of the trial's marks it as shared.
const OTHERS: f64 = 0.10;

/// All other evidence.
pub(super) fn evidence(case: &Case<'_>) -> Vec<Evidence> {
    [
        little,
        size,
        repeated,
        holes,
        compression,
        unwritten,
        client,
        others,
    ]
    .into_iter()
    .filter_map(|look| look(case))
    .collect()
}

/// In flight = throughput × latency. J. D. C. Little, *A proof for the queuing formula L = λW*,
/// Operations Research 9 (1961) 383–387 (citation from memory).
fn little(case: &Case<'_>) -> Option<Evidence> {
    let trial = case.trial;
    if trial.paced_operations_per_s.is_some() || case.windows.is_empty() {
        return None;
    }
    let depth = f64::from(trial.depth * trial.streams);
    let kept = case.windows.iter().filter(|window| !window.warmup);
    let (mut operations, mut waited, mut seconds) = (0.0, 0.0, 0.0);
    for window in kept {
        operations += window.operations as f64;
        waited += window.operations as f64 * Nanos(window.mean_ns.unwrap_or(0)).secs();
        seconds += 1.0;
    }
    let in_flight = waited / seconds;
    // Few operations leave much to the windows' edges; making content for writes takes time in
    // which less than the depth is in flight.
    let least = if case.only_reads() {
        1.0 - LITTLE - depth / operations.max(1.0)
    } else {
        0.0
    };
    let most = 1.0 + LITTLE + 2.0 * depth / operations.max(1.0);
    // What each slot was idle between two operations: up to the instrument's own time, it is that.
    let idle = Nanos::from_secs_f64((depth - in_flight) * seconds / operations.max(1.0));
    let enough = in_flight >= least * depth || idle <= OWN_TIME;
    let holds = operations > 0.0 && enough && in_flight <= most * depth;
    Some(Evidence {
        source: "Little's law",
        expected: format!("{depth} in flight"),
        seen: format!("{in_flight:.2} = operations a second x mean latency"),
        meaning: match holds {
            true if in_flight < (1.0 - LITTLE) * depth => {
                "rate and latency agree: between two operations the client made or recorded content".into()
            }
            true => "rate and latency agree".into(),
            false => "rate and latency contradict each other: the record is wrong, or the client was starved".into(),
        },
        says: if holds { Says::Remark } else { Says::Broken },
        strength: Strength::Counted,
    })
}

/// Test data against the memories that are known.
fn size(case: &Case<'_>) -> Option<Evidence> {
    let share = case.trial.cacheable_fraction;
    (share > 0.5 && !case.only_writes()).then(|| Evidence {
        source: "size",
        expected: "test data of twice the largest memory or more".into(),
        seen: format!(
            "{}, of which {} fit into the largest known memory",
            Bytes(case.trial.test_data_bytes).iec(),
            percent(share, 0)
        ),
        meaning: "so much could be served from a cache; it says nothing of whether it was".into(),
        says: Says::Remark,
        strength: Strength::Inferred,
    })
}

/// Blocks that were visited before are what a memory may have kept.
fn repeated(case: &Case<'_>) -> Option<Evidence> {
    let trial = case.trial;
    trial.could_be_kept().then(|| Evidence {
        source: "repeated blocks",
        expected: "each block read once".into(),
        seen: format!(
            "a pass is {} operations, and {} had been made at the end",
            grouped(trial.pass_operations),
            grouped(trial.next_operation)
        ),
        meaning: "blocks were read again that a known memory could hold: lay down more with --size"
            .into(),
        says: Says::Remark,
        strength: Strength::Counted,
    })
}

/// What this client has not handed on when a trial that writes has flushed. Others write here, too.
fn unwritten(case: &Case<'_>) -> Option<Evidence> {
    let dirty = case
        .seen
        .get(observed::DIRTY_AFTER)
        .filter(|_| !case.only_reads())?;
    let written = case.trial.bytes as f64;
    let much = dirty > OTHERS * written;
    Some(Evidence {
        source: "dirty memory",
        expected: "none of the trial's after its flush".into(),
        seen: format!("{} in all", Bytes(dirty as u64).iec()),
        meaning: match much {
            true => "this client holds unwritten data, its own or that of others: look again when it is idle",
            false => "no sign that this client kept what was written",
        }
        .into(),
        says: Says::Remark,
        strength: Strength::Counted,
    })
}

/// Whether this client had time for the trial. Tasks that wait for I/O are no trouble by
/// themselves: the trial's own do. What waited at all is any program of the machine; how much of it was
/// the load is counted apart.
fn client(case: &Case<'_>) -> Option<Evidence> {
    let busiest = case.seen.get(observed::BUSIEST_CORE)?;
    let seconds = case.trial.seconds.max(1.0);
    let waited = |name| case.seen.get(name).map(|span| (span / seconds).min(1.0));
    let (processor, drives) = (
        waited(observed::PRESSURE_CPU),
        waited(observed::PRESSURE_IO),
    );
    let queued = case.seen.get(observed::LOAD_QUEUED);
    let told = |what: &str, part: Option<f64>| {
        part.map_or(String::new(), |part| {
            format!(", {what} {} of the time", percent(part, 0))
        })
    };
    let full = busiest > FULL;
    let starved = processor.is_some_and(|part| part > OTHERS);
    let hardly = queued.is_some_and(|part| part < HARDLY);
    Some(Evidence {
        source: "this client",
        expected: "no core full, no waiting for one".into(),
        seen: format!(
            "busiest core {}{}{}{}",
            percent(busiest, 0),
            told(
                "some program of this machine waited for a processor",
                processor
            ),
            told("the load itself", queued),
            told("some program waited for I/O", drives)
        ),
        meaning: match (full, starved) {
            (true, _) if hardly => "one core was full, and the load hardly waited for one",
            (true, _) => "one core was full: the client may be what limits",
            (false, true) if hardly => {
                "other work took processors away, and the load hardly waited"
            }
            (false, true) => "other work took processors away: latencies may be the client's",
            (false, false) => "the client had time to spare",
        }
        .into(),
        says: Says::Remark,
        strength: Strength::Counted,
    })
}

fn holes(case: &Case<'_>) -> Option<Evidence> {
    let holes = case.seen.get(observed::HOLES)?;
    (holes > 0.0).then(|| Evidence {
        source: "holes",
        expected: "none: test data is written out".into(),
        seen: Bytes(holes as u64).iec(),
        meaning: "holes are answered without any drive".into(),
        says: Says::Suspect(Layer::Path),
        strength: Strength::Proved,
    })
}

fn compression(case: &Case<'_>) -> Option<Evidence> {
    let zeros = Rate(case.seen.get(observed::WRITE_ZEROS)?);
    let none = Rate(case.seen.get(observed::WRITE_RANDOM)?);
    let half = case.seen.get(observed::WRITE_HALF).map(Rate);
    let shrinks = zeros.0 > 1.3 * none.0 || half.is_some_and(|half| half.0 > 1.3 * none.0);
    let between = half.map_or(String::new(), |half| format!(", half of each {half}"));
    Some(Evidence {
        source: "compression",
        expected: "zeros written as fast as noise".into(),
        seen: format!(
            "in a short test of its own before the trial: zeros {zeros}{between}, noise {none}"
        ),
        meaning: match shrinks {
            true => "the share compresses; test data is incompressible, so the trial's rate holds"
                .into(),
            false => "no sign of compression".into(),
        },
        says: Says::Remark,
        strength: Strength::Inferred,
    })
}

/// Traffic on the link that was not the trial's, in the quiet second before it.
fn others(case: &Case<'_>) -> Option<Evidence> {
    let quiet =
        case.seen.get(observed::WIRE_QUIET_RECEIVED)? + case.seen.get(observed::WIRE_QUIET_SENT)?;
    let rate = case.rate()?;
    (quiet > OTHERS * rate.0).then(|| Evidence {
        source: "others",
        expected: format!("at most {} beside the trial", percent(OTHERS, 0)),
        seen: format!("{} of other traffic on the link before it", Rate(quiet)),
        meaning: "the link was shared: measure at a quiet hour".into(),
        says: Says::Remark,
        strength: Strength::Counted,
    })
}

//! What a client could have observed of a trial, from the state of the made-up machines.
//!
//! | observation | made of |
//! | --- | --- |
//! | wire | headers, requests, acknowledgements of each message; other traffic of these seconds, and of the quiet second before |
//! | mount, process | bytes of the operations; without those that the client's cache served |
//! | residency | what the client's cache holds of the trial's files |
//! | members | every operation of each drive: the measuring's, other users', the reshape's; the latter two of the quiet second before |
//! | controls | small reads of what the trial is about to read, through the whole path, and again |
//! | cpu | the cores' time for operations, and a few percent for everything else |

use super::client::Visibility;
use super::counters::Counters;
use super::scenario::Scenario;
use super::trial::Tally;
use super::truth::Truth;
use super::wire::BothWays;
use crate::record::{Controls, Observations, observed as names};
use crate::seed::Seed;
use crate::units::Nanos;

/// The most of a core that goes to everything else (made up).
const IDLE_TALK: f64 = 0.03;

/// Bytes of a trial's files in the client's cache.
#[derive(Clone, Copy, Debug)]
pub(super) struct Resident {
    pub(super) before: u64,
    pub(super) after: u64,
    /// Bytes of the files.
    pub(super) of: u64,
}

/// A second in which nothing is measured, in bytes.
#[derive(Clone, Copy, Debug)]
pub(super) struct Quiet {
    /// Over the client's link.
    pub(super) wire: BothWays,
    /// Read from all drives.
    pub(super) read: u64,
    /// Written to all of them.
    pub(super) written: u64,
}

/// A trial as the made-up machines saw it.
#[derive(Clone, Debug)]
pub(super) struct Seen<'a> {
    pub(super) scenario: &'a Scenario,
    /// All of the trial's time, with the flush.
    pub(super) elapsed: Nanos,
    pub(super) truth: Truth,
    pub(super) tally: Tally,
    pub(super) members: Vec<Counters>,
    /// Other traffic of the client during the trial, in bytes.
    pub(super) others: BothWays,
    /// What went on in the quiet second.
    pub(super) quiet: Option<Quiet>,
    pub(super) controls: &'a Controls,
    pub(super) resident: Option<Resident>,
}

/// All that can be seen. Noise comes from `seed`.
pub(super) fn observe(seen: &Seen<'_>, seed: Seed) -> Observations {
    let mut all = Observations::default();
    let Visibility {
        wire,
        members,
        residency,
        process,
        mount,
        cpu,
        twice: _,
    } = seen.scenario.visibility;
    let fetched = seen.truth.bytes_read - seen.truth.from_client_cache;
    if wire {
        observe_wire(seen, &mut all);
    }
    if mount {
        all.put(names::NFS_READ, seen.truth.bytes_read as f64);
        all.put(names::NFS_SERVER_READ, fetched as f64);
    }
    if process {
        all.put(names::PROCESS_ASKED, seen.truth.bytes_read as f64);
        all.put(names::PROCESS_FETCHED, fetched as f64);
    }
    if residency {
        // Writes go through, and laying down leaves no holes.
        all.put(names::DIRTY_AFTER, 0.0);
        all.put(names::HOLES, 0.0);
    }
    if let Some(resident) = seen.resident {
        all.put(names::RESIDENT_BEFORE, resident.before as f64);
        all.put(names::RESIDENT_AFTER, resident.after as f64);
        all.put(names::RESIDENT_OF, resident.of as f64);
    }
    seen.controls.put(&mut all);
    if members {
        all.put(names::MEMBERS, seen.members.len() as f64);
        for (n, member) in seen.members.iter().enumerate() {
            all.put(names::member_read(n), member.read as f64);
            all.put(names::member_written(n), member.written as f64);
            all.put_some(names::member_await(n), member.read_await());
            all.put(names::member_busy(n), member.busy(seen.elapsed));
        }
        if let Some(quiet) = seen.quiet {
            all.put(names::MEMBERS_QUIET_READ, quiet.read as f64);
            all.put(names::MEMBERS_QUIET_WRITTEN, quiet.written as f64);
        }
    }
    if cpu {
        observe_cpu(seen, &mut all, &mut seed.rng());
    }
    all
}

fn observe_wire(seen: &Seen<'_>, all: &mut Observations) {
    let (tally, network) = (&seen.tally, &seen.scenario.network);
    let received = tally.received as f64 + seen.others.received;
    all.put(names::WIRE_RECEIVED, received.round());
    all.put(
        names::WIRE_SENT,
        (tally.sent as f64 + seen.others.sent).round(),
    );
    all.put(names::WIRE_LINE_RATE, network.bits_per_second as f64);
    all.put(names::WIRE_MTU, network.mtu as f64);
    all.put(names::WIRE_IP, 4.0);
    if let Some(quiet) = seen.quiet {
        all.put(names::WIRE_QUIET_RECEIVED, quiet.wire.received.round());
        all.put(names::WIRE_QUIET_SENT, quiet.wire.sent.round());
    }
}

fn observe_cpu(seen: &Seen<'_>, all: &mut Observations, rng: &mut fastrand::Rng) {
    let elapsed = seen.elapsed.secs();
    let busy: Vec<f64> = seen
        .tally
        .cores
        .iter()
        .map(|core| (core.secs() / elapsed + IDLE_TALK * rng.f64()).min(1.0))
        .collect();
    let busiest = busy.iter().copied().fold(0.0, f64::max);
    all.put(names::BUSIEST_CORE, busiest);
    all.put(names::CORES, busy.iter().sum::<f64>() / busy.len() as f64);
    // Some operation is always under way; while none of them has a core, they wait for I/O.
    all.put(names::PRESSURE_IO, (1.0 - busiest) * elapsed);
    let waited = seen.tally.waited.secs();
    all.put(names::PRESSURE_CPU, waited.min(busiest * elapsed));
}

//! Which engine drives a workload: both take turns on the share for a second, and the better one is
//! taken.
//!
//! Neither is better everywhere. A ring keeps many operations in flight for little processor time;
//! where a file system cannot start an operation without waiting for it, the kernel hands it to
//! workers of its own, and plain threads are faster. The turns go on in the workload's order, so that
//! the trial reads nothing that they have read; what they write is flushed within their time, as in a
//! trial.

use std::time::Instant;

use super::RunOnRings;
use super::direct::Opened;
use super::ring::RingError;
use super::threads;
use super::trial::{Run, Trial};
use crate::load::{Assignment, Drive, Engine, LoadError, Watch};
use crate::plan::Workload;
use crate::record::{Observations, observed};
use crate::stats::describe::median;
use crate::study::Identity;
use crate::units::Nanos;

/// Turns of each engine, and how long one is.
const TURNS: usize = 3;
const TURN: Nanos = Nanos(150_000_000);
/// All turns of the one are faster than all of the other by this factor, or the rates are alike. By
/// chance alone equal engines would line up so in one of ten measurements, and then it does not matter.
const APART: f64 = 1.05;

/// The engine that was chosen.
pub(super) struct Chosen {
    pub(super) engine: Engine,
    /// Why, for the trial's row.
    pub(super) reason: String,
    pub(super) seen: Observations,
    /// Operations of the pattern that were used up.
    pub(super) used: u64,
    /// What a reader of the trial should know.
    pub(super) note: Option<String>,
}

impl Chosen {
    /// An engine that was taken without a measurement.
    pub(super) fn taken(engine: Engine, reason: &str) -> Self {
        Self {
            engine,
            reason: reason.to_owned(),
            seen: Observations::default(),
            used: 0,
            note: None,
        }
    }
}

/// What an engine reached in a turn.
#[derive(Clone, Copy, Debug)]
struct Turn {
    /// Operations per second, flush included.
    rate: f64,
    /// Nanoseconds of processor time for an operation.
    cost: f64,
}

/// What drives `workload` where nothing was measured.
pub(super) fn usual(workload: &Workload) -> Engine {
    match workload.depth {
        1 => Engine::Threads,
        _ => Engine::Ring,
    }
}

/// Lets threads and rings take turns on the open files of `assignment`, from its first operation on.
///
/// # Errors
/// When an engine breaks down in its midst.
pub(super) fn choose(
    assignment: &Assignment<'_>,
    study: Identity,
    opened: &Opened,
    watch: &Watch,
    rings: RunOnRings,
) -> Result<Chosen, LoadError> {
    let begun = Instant::now();
    let (mut used, mut turns) = (0, [const { Vec::new() }; 2]);
    for turn in 0..2 * TURNS {
        let short = Assignment {
            length: TURN,
            pattern: assignment.pattern.clone(),
            drive: Drive::Usual,
            ..*assignment
        };
        let trial = Trial::new(&short, assignment.first + used, study, opened, watch);
        let name = &assignment.workload.name;
        let run = match turn % 2 {
            0 => match rings(&trial) {
                Err(RingError::Setup(error)) => {
                    let why = refused(&error);
                    return Ok(Chosen {
                        note: Some(format!("{why}: threads instead")),
                        ..Chosen::taken(Engine::Threads, &why)
                    });
                }
                Err(RingError::Work(error)) => {
                    return Err(LoadError::io("driving a ring for", name, error));
                }
                Ok(run) => run,
            },
            _ => threads::run(&trial)
                .map_err(|error| LoadError::io("starting threads for", name, error))?,
        };
        let done = took(&trial, run, opened, assignment, watch);
        used += trial.job.taken();
        match done {
            Some(done) => turns[turn % 2].push(done),
            // What went wrong, the trial will meet and say, if the plainer way of one at a time does.
            None => {
                let reason = "taken unmeasured: operations failed or were stopped";
                return Ok(Chosen {
                    used,
                    ..Chosen::taken(usual(assignment.workload), reason)
                });
            }
        }
    }
    let [ring, threads] = &turns;
    let (engine, reason) = decide(ring, threads);
    let mut seen = Observations::default();
    for (turns, rate, cost) in [
        (ring, observed::RING_RATE, observed::RING_PROCESSOR),
        (threads, observed::THREADS_RATE, observed::THREADS_PROCESSOR),
    ] {
        seen.put_some(rate, middle(turns, |turn| turn.rate));
        seen.put_some(cost, middle(turns, |turn| turn.cost));
    }
    seen.put(observed::ENGINE_CHOICE, begun.elapsed().as_secs_f64());
    Ok(Chosen {
        seen,
        used,
        ..Chosen::taken(engine, &reason)
    })
}

/// Why threads drive where rings would.
pub(super) fn refused(error: &std::io::Error) -> String {
    format!("no io_uring ring here ({error})")
}

/// What came of a turn; `None` when anything went wrong in it, or nothing moved.
fn took(
    trial: &Trial<'_>,
    run: Run,
    opened: &Opened,
    assignment: &Assignment<'_>,
    watch: &Watch,
) -> Option<Turn> {
    let writes = assignment.workload.writes();
    let flushed = !writes || watch.slowly(|| opened.files.flush(assignment)).is_ok();
    let end = run.clock.now();
    let (processor, stopped) = (run.processor, run.stopped);
    let recording = trial.job.merge(run.streams, stopped);
    let operations = (recording.bytes().0 / trial.job.block()) as f64;
    let span = if writes { end } else { recording.ended };
    let whole = flushed && stopped.is_none() && recording.failure.is_none() && operations > 0.0;
    whole.then(|| Turn {
        rate: operations / span.secs().max(1e-9),
        cost: processor.0 as f64 / operations,
    })
}

fn middle(turns: &[Turn], of: fn(&Turn) -> f64) -> Option<f64> {
    median(&turns.iter().map(of).collect::<Vec<_>>())
}

/// The faster engine; of equally fast ones the cheaper; and why.
fn decide(ring: &[Turn], threads: &[Turn]) -> (Engine, String) {
    let ratio = |of: fn(&Turn) -> f64| {
        let [ring, threads] = [ring, threads].map(|turns| middle(turns, of).unwrap_or(f64::NAN));
        ring / threads
    };
    let (rate, cost) = (ratio(|turn| turn.rate), ratio(|turn| turn.cost));
    let apart = |slow: &[Turn], fast: &[Turn]| {
        let most = slow.iter().map(|turn| turn.rate).fold(0.0, f64::max);
        let least = fast.iter().map(|turn| turn.rate).fold(f64::MAX, f64::min);
        least >= APART * most
    };
    let (by_rate, by_cost) = (
        |engine, times: f64| (engine, format!("measured: {times:.2} times the rate")),
        |engine, part: f64| {
            let why = format!("measured: rates alike, {part:.2} of the processor time");
            (engine, why)
        },
    );
    match (apart(threads, ring), apart(ring, threads)) {
        (true, _) => by_rate(Engine::Ring, rate),
        (_, true) => by_rate(Engine::Threads, 1.0 / rate),
        _ if cost > 1.0 => by_cost(Engine::Threads, 1.0 / cost),
        _ => by_cost(Engine::Ring, cost),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn turns(rates: [f64; 3], cost: f64) -> Vec<Turn> {
        rates.map(|rate| Turn { rate, cost }).to_vec()
    }

    fn decided(ring: &[Turn], threads: &[Turn]) -> (Engine, String) {
        decide(ring, threads)
    }

    #[test]
    fn the_faster_engine_is_taken_whatever_it_costs() {
        let (slow, fast) = (
            turns([90.0, 100.0, 95.0], 1.0),
            turns([190.0, 205.0, 250.0], 9.0),
        );
        assert_eq!(
            decided(&fast, &slow),
            (Engine::Ring, "measured: 2.16 times the rate".to_owned())
        );
        assert_eq!(decided(&slow, &fast).0, Engine::Threads);
        assert_eq!(decided(&slow, &fast).1, "measured: 2.16 times the rate");
    }

    #[test]
    fn of_engines_that_noise_does_not_tell_apart_the_cheaper_is_taken() {
        // The medians differ by a third, but the turns overlap.
        let (ring, threads) = (
            turns([90.0, 120.0, 130.0], 4.0),
            turns([80.0, 90.0, 95.0], 10.0),
        );
        let why = "measured: rates alike, 0.40 of the processor time".to_owned();
        assert_eq!(decided(&ring, &threads), (Engine::Ring, why.clone()));
        assert_eq!(decided(&threads, &ring), (Engine::Threads, why));
        // They do not overlap, and differ by less than matters.
        let (ring, threads) = (turns([100.0; 3], 5.0), turns([104.0; 3], 5.5));
        assert_eq!(decided(&ring, &threads).0, Engine::Ring);
    }
}

//! How the operations of a workload are submitted: both take turns on the share for a second, and the better one is
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
use crate::load::{Assignment, Drive, LoadError, Submission, Watch};
use crate::plan::Workload;
use crate::record::{Observations, observed};
use crate::stats::describe::median;
use crate::study::Identity;
use crate::units::Nanos;

/// Turns of each submission, and how long one is.
const TURNS: usize = 3;
const TURN: Nanos = Nanos(150_000_000);
/// All turns of the one are faster than all of the other by this factor, or the rates are alike. By
/// chance alone equal ways would line up so in one of ten measurements, and then it does not matter.
const APART: f64 = 1.05;

/// The submission that was chosen.
pub(super) struct Chosen {
    pub(super) submission: Submission,
    /// Why, for the trial's row.
    pub(super) reason: String,
    pub(super) seen: Observations,
    /// Operations of the pattern that were used up.
    pub(super) used: u64,
    /// What a reader of the trial should know.
    pub(super) note: Option<String>,
}

impl Chosen {
    /// A way of submission that was taken without a measurement.
    pub(super) fn taken(submission: Submission, reason: &str) -> Self {
        Self {
            submission,
            reason: reason.to_owned(),
            seen: Observations::default(),
            used: 0,
            note: None,
        }
    }
}

/// What a way of submission reached in a turn.
#[derive(Clone, Copy, Debug)]
struct Turn {
    /// Operations per second, flush included.
    rate: f64,
    /// Nanoseconds of processor time for an operation.
    cost: f64,
}

/// What drives `workload` where nothing was measured.
pub(super) fn usual(workload: &Workload) -> Submission {
    match workload.depth {
        1 => Submission::Threads,
        _ => Submission::Ring,
    }
}

/// Lets threads and rings take turns on the open files of `assignment`, from its first operation on.
///
/// # Errors
/// When a way of submission breaks down in its midst.
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
                        ..Chosen::taken(Submission::Threads, &why)
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
    let (submission, reason) = decide(ring, threads);
    let mut seen = Observations::default();
    for (turns, rate, cost) in [
        (ring, observed::RING_RATE, observed::RING_PROCESSOR),
        (threads, observed::THREADS_RATE, observed::THREADS_PROCESSOR),
    ] {
        seen.put_some(rate, middle(turns, |turn| turn.rate));
        seen.put_some(cost, middle(turns, |turn| turn.cost));
    }
    seen.put(observed::SUBMISSION_CHOICE, begun.elapsed().as_secs_f64());
    Ok(Chosen {
        seen,
        used,
        ..Chosen::taken(submission, &reason)
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

/// The faster submission; of equally fast ones the cheaper; and why.
fn decide(ring: &[Turn], threads: &[Turn]) -> (Submission, String) {
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
        |submission, times: f64| (submission, format!("measured: {times:.2} times the rate")),
        |submission, part: f64| {
            let why = format!("measured: rates alike, {part:.2} of the processor time");
            (submission, why)
        },
    );
    match (apart(threads, ring), apart(ring, threads)) {
        (true, _) => by_rate(Submission::Ring, rate),
        (_, true) => by_rate(Submission::Threads, 1.0 / rate),
        _ if cost > 1.0 => by_cost(Submission::Threads, 1.0 / cost),
        _ => by_cost(Submission::Ring, cost),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn turns(rates: [f64; 3], cost: f64) -> Vec<Turn> {
        rates.map(|rate| Turn { rate, cost }).to_vec()
    }

    fn decided(ring: &[Turn], threads: &[Turn]) -> (Submission, String) {
        decide(ring, threads)
    }

    #[test]
    fn the_faster_submission_is_taken_whatever_it_costs() {
        let (slow, fast) = (
            turns([90.0, 100.0, 95.0], 1.0),
            turns([190.0, 205.0, 250.0], 9.0),
        );
        assert_eq!(
            decided(&fast, &slow),
            (Submission::Ring, "measured: 2.16 times the rate".to_owned())
        );
        assert_eq!(decided(&slow, &fast).0, Submission::Threads);
        assert_eq!(decided(&slow, &fast).1, "measured: 2.16 times the rate");
    }

    #[test]
    fn of_submissions_that_noise_does_not_tell_apart_the_cheaper_is_taken() {
        // The medians differ by a third, but the turns overlap.
        let (ring, threads) = (
            turns([90.0, 120.0, 130.0], 4.0),
            turns([80.0, 90.0, 95.0], 10.0),
        );
        let why = "measured: rates alike, 0.40 of the processor time".to_owned();
        assert_eq!(decided(&ring, &threads), (Submission::Ring, why.clone()));
        assert_eq!(decided(&threads, &ring), (Submission::Threads, why));
        // They do not overlap, and differ by less than matters.
        let (ring, threads) = (turns([100.0; 3], 5.0), turns([104.0; 3], 5.5));
        assert_eq!(decided(&ring, &threads).0, Submission::Ring);
    }
}

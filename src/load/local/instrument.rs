//! What measuring costs: the same deciding and recording as in a trial, with both looks at the clock
//! and nothing in between.

use std::time::Instant;

use crate::load::{Assignment, Job, Next, Stream};
use crate::record::{Observations, histogram, observed};
use crate::stats::describe::median;
use crate::sys::thread_time;
use crate::units::Nanos;

/// Operations that are gone through for the cost of one, in so many batches, whose median counts.
const BATCHES: usize = 9;
const BATCH: u32 = 2_000;
/// Operations of which each is timed, for the slowest of a thousand.
const SINGLE: u32 = 20_000;
/// Above this part of the time of an operation the cost is worth a word.
const MATTERS: f64 = 0.01;

/// What one operation costs the instrument.
#[derive(Clone, Copy, Debug)]
pub(super) struct Instrument {
    /// Nanoseconds of processor time for one.
    pub(super) each: f64,
    /// 99.9th percentile, with whatever interrupts a thread of this client just now.
    pub(super) p999: Nanos,
}

/// Goes through operations of the assignment's kind without carrying them out. It takes about 5 ms. `None`
/// where the system does not tell the time of a thread, or the client was halted meanwhile.
pub(super) fn gauge(assignment: &Assignment<'_>) -> Option<Instrument> {
    let mut workload = assignment.workload.clone();
    workload.operations_per_second = None;
    let job = Job::new(
        &workload,
        assignment.pattern.clone(),
        Nanos::SECOND,
        assignment.first,
        1,
    )
    .until(assignment.until);
    let mut stream = job.stream(1);
    let clock = Instant::now();
    let mut batches = Vec::with_capacity(BATCHES);
    for _ in 0..BATCHES {
        // What others take of the processor meanwhile is no cost of measuring.
        let begun = thread_time()?;
        for _ in 0..BATCH {
            go_through(&mut stream, clock)?;
        }
        batches.push((thread_time()? - begun) as f64 / f64::from(BATCH));
    }
    let mut singles = histogram(3);
    let mut before = Nanos::from(clock.elapsed());
    for _ in 0..SINGLE {
        let after = go_through(&mut stream, clock)?;
        singles.saturating_record((after - before).0);
        before = after;
    }
    Some(Instrument {
        each: median(&batches)?,
        p999: Nanos(singles.value_at_quantile(0.999)),
    })
}

/// One operation; when it ended. `None` when the stream has come to an end, as on a client that was
/// halted meanwhile.
fn go_through(stream: &mut Stream<'_>, clock: Instant) -> Option<Nanos> {
    let now = || Nanos::from(clock.elapsed());
    let Next::Transfer(transfer) = stream.next(now()) else {
        return None;
    };
    let ended = now();
    stream.done(std::hint::black_box(transfer), ended, Ok(()));
    Some(ended)
}

impl Instrument {
    pub(super) fn put(self, seen: &mut Observations) {
        seen.put(observed::INSTRUMENT, self.each);
        seen.put(observed::INSTRUMENT_P999, self.p999.0 as f64);
    }

    /// What to say where the cost matters to operations that take a thread `each` nanoseconds.
    pub(super) fn remark(self, each: f64) -> Option<String> {
        let part = self.each / each;
        (part > MATTERS).then(|| {
            format!(
                "measuring costs {:.0} ns an operation, {:.1} % of the time that one takes a thread here",
                self.each,
                part * 100.0
            )
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_cost_is_said_where_it_is_above_a_hundredth() {
        let instrument = Instrument {
            each: 60.0,
            p999: Nanos(200),
        };
        assert_eq!(instrument.remark(6_001.0), None);
        let said = instrument.remark(4_000.0).unwrap();
        assert!(
            said.starts_with("measuring costs 60 ns an operation, 1.5 %"),
            "{said}"
        );
    }
}

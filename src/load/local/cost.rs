//! What a trial cost this client: processor time, waiting for a processor, and measuring itself.

use std::thread::available_parallelism;

use super::instrument::Instrument;
use super::trial::Run;
use crate::facts::counters::Scheduled;
use crate::record::{Observations, Recording, observed};
use crate::units::Nanos;

/// What a run cost.
pub(super) struct Cost {
    processor: Nanos,
    scheduled: Option<Scheduled>,
    threads: usize,
}

impl Cost {
    pub(super) fn of(run: &Run) -> Self {
        Self {
            processor: run.processor,
            scheduled: run.scheduled,
            threads: run.threads,
        }
    }

    /// Puts down what the operations of `recording`, of `block` bytes, cost, and what the `instrument`
    /// takes of it; what is worth a word.
    pub(super) fn put(
        &self,
        recording: &Recording,
        block: u64,
        instrument: Option<Instrument>,
        seen: &mut Observations,
    ) -> Option<String> {
        let operations = (recording.bytes().0 / block) as f64;
        let elapsed = recording.ended.secs();
        seen.put(
            observed::LOAD_PROCESSOR,
            self.processor.0 as f64 / operations,
        );
        if let Some(scheduled) = self.scheduled {
            seen.put(observed::LOAD_RAN, scheduled.ran.secs());
            let all = elapsed * self.threads as f64;
            seen.put(
                observed::LOAD_QUEUED,
                (scheduled.waited.secs() / all).min(1.0),
            );
        }
        let instrument = instrument?;
        instrument.put(seen);
        let working = available_parallelism()
            .map_or(1, usize::from)
            .min(self.threads);
        instrument.remark(elapsed * 1e9 * working as f64 / operations)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::Direction;
    use crate::record::Shape;

    #[test]
    fn waiting_for_a_processor_is_a_part_of_all_threads_time() {
        let mut recording = Recording::new(Shape::exact(2, 3));
        for second in 1..=2 {
            let ended = Nanos(second * Nanos::SECOND.0);
            recording.record(Direction::Read, 4096, ended, Nanos::MILLI);
        }
        let cost = Cost {
            processor: Nanos(30_000),
            scheduled: Some(Scheduled {
                ran: Nanos(20_000),
                waited: Nanos(2 * Nanos::SECOND.0),
            }),
            threads: 4,
        };
        let mut seen = Observations::default();
        assert_eq!(cost.put(&recording, 4096, None, &mut seen), None);
        assert_eq!(seen.get(observed::LOAD_PROCESSOR), Some(15_000.0));
        assert_eq!(seen.get(observed::LOAD_RAN), Some(0.000_02));
        assert_eq!(seen.get(observed::LOAD_QUEUED), Some(0.25));
        assert_eq!(seen.get(observed::INSTRUMENT), None, "it was not gauged");
    }

    #[test]
    fn nothing_is_put_down_of_no_operations() {
        let cost = Cost {
            processor: Nanos(30_000),
            scheduled: None,
            threads: 1,
        };
        let mut seen = Observations::default();
        assert_eq!(cost.put(&Recording::nothing(), 4096, None, &mut seen), None);
        assert_eq!(seen.iter().count(), 0);
    }
}

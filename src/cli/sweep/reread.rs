//! Reads working sets again: each once, and then for as long as it is measured.

use crate::cli::sitting::{Event, NO_SPACE, STOPPED};
use crate::cli::{Exit, Failure};
use crate::judge::{falls_behind, plausible_cache_size};
use crate::load::{Assignment, Drive, Share, Watch};
use crate::plan::{Pattern, Set, sweep_workload, working_sets};
use crate::record::summarize;
use crate::store::Writer;
use crate::study::{Study, SweepRow};
use crate::units::{Bytes, Nanos, Rate};

/// Reading a working set for the first time takes at most so many times as long as measuring it, unless the
/// end of a cache hangs on it.
const WARMING: u64 = 10;

/// How working sets are read in one sweep.
#[derive(Clone, Copy, Debug)]
pub(super) struct Reread {
    /// Number of the sweep in the study.
    pub(super) number: u64,
    /// Seconds for each working set, after it has been read once.
    pub(super) seconds: u64,
    /// The largest memory that could serve the data, where sets that may show the end of a cache in it are
    /// read to their end however long that takes: it is less than what laying down more would.
    pub(super) read_on: Option<Bytes>,
}

impl Reread {
    /// The rows of this sweep.
    pub(super) fn rows<'a>(&self, study: &'a Study) -> &'a [SweepRow] {
        let latest = study.latest_sweep();
        match latest.first().map(|row| row.sweep) {
            Some(number) if number == self.number => latest,
            _ => &[],
        }
    }

    /// Measures the working sets of the test data that this sweep has not measured yet; how the program
    /// should end where it was stopped.
    pub(super) fn all(
        &self,
        share: &mut dyn Share,
        store: &mut Writer,
        watch: &Watch,
        tell: &mut dyn FnMut(Event),
    ) -> Result<Option<Exit>, Failure> {
        let done = self.rows(store.study()).last();
        let done = done.map_or(0, |row| row.working_set_bytes);
        let mut sets = working_sets(store.study().data.bytes(Set::Read));
        sets.retain(|set| set.0 > done);
        if sets.is_empty() {
            return Ok(None);
        }
        tell(Event::Trials {
            count: sets.len(),
            seconds: self.seconds,
            most: false,
        });
        for (index, set) in sets.into_iter().enumerate() {
            tell(Event::Begin {
                index,
                workload: set.iec(),
                counted: None,
            });
            let Some(row) = self.one(share, store, set, watch)? else {
                let why = watch.reason().unwrap_or(STOPPED);
                tell(Event::Warning(format!(
                    "{why}; finished working sets are kept"
                )));
                return Ok(Some(if why == NO_SPACE {
                    Exit::Share
                } else {
                    Exit::Interrupted
                }));
            };
            store.add_sweep(row.clone())?;
            tell(Event::Swept { row });
        }
        Ok(None)
    }

    /// Whether `set`, of which the latest second came at `rate`, has to be read to its end.
    fn decides(&self, rows: &[SweepRow], set: Bytes, rate: Rate) -> bool {
        self.read_on.is_some_and(|memory| {
            let end = plausible_cache_size(rows, memory);
            falls_behind(rows, rate) && end.is_none_or(|end| set <= end.times(2))
        })
    }

    /// Reads a working set once, then again for so many seconds; `None` when it was stopped.
    fn one(
        &self,
        share: &mut dyn Share,
        store: &Writer,
        set: Bytes,
        watch: &Watch,
    ) -> Result<Option<SweepRow>, Failure> {
        let study = store.study();
        let workload = sweep_workload(set);
        let all = [workload.clone()];
        let pattern = Pattern::new(&workload, &all, &study.data, study.config.seed)
            .map_err(|error| Failure::new(Exit::Share, error))?;
        let started = share.now();
        let mut first = 0;
        let mut go = |length: u64, first: &mut u64| {
            let assignment = Assignment {
                workload: &workload,
                pattern: pattern.clone(),
                data: &study.data,
                length: Nanos(length * Nanos::SECOND.0),
                until: None,
                first: *first,
                trial: 0,
                drive: Drive::Usual,
                observe: false,
            };
            let measured = share.run(&assignment, watch)?;
            *first = measured.next_first;
            match &measured.recording.failure {
                Some(failure) => Err(Failure::new(Exit::Share, failure)),
                None => Ok(measured),
            }
        };
        let mut rate = Rate::default();
        for second in 0.. {
            let over = first >= pattern.operations() || watch.stopped();
            let long = second >= self.seconds * WARMING;
            if over || (long && !self.decides(self.rows(study), set, rate)) {
                break;
            }
            let before = first;
            go(1, &mut first)?;
            rate = Rate(((first - before) * workload.block.0) as f64);
        }
        let warm = first >= pattern.operations();
        let measured = go(self.seconds, &mut first)?;
        if measured.interrupted {
            return Ok(None);
        }
        let summary = summarize(&measured.recording, None);
        Ok(Some(SweepRow {
            sweep: self.number,
            simulated: study.config.simulated,
            started,
            working_set_bytes: set.0,
            warm,
            rate_bytes_per_s: summary.rate.unwrap_or_default().0,
            p50_ns: (summary.operations >= 20).then(|| summary.latency.value_at_quantile(0.5)),
        }))
    }
}

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
    /// read to their end however long that takes: laying down more mostly takes longer.
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
        let done = largest(self.rows(store.study())).unwrap_or_default();
        let mut sets = working_sets(store.study().data.bytes(Set::Read));
        sets.retain(|set| *set > done);
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
                return Ok(Some(stopped(watch, tell)));
            };
            store.add_sweep(row.clone())?;
            tell(Event::Swept { row });
        }
        Ok(None)
    }

    /// Measures the largest working set below `end` and the largest of all once more, to be sure of a cache
    /// that ends there: others may have used the share just while the larger sets were read, and then less
    /// data than is needed would be laid down. Whether the one is still faster by as much as makes a cache; or
    /// how the program should end where it was stopped.
    pub(super) fn ends_again(
        &self,
        share: &mut dyn Share,
        store: &Writer,
        end: Bytes,
        watch: &Watch,
        tell: &mut dyn FnMut(Event),
    ) -> Result<Result<bool, Exit>, Failure> {
        let rows = self.rows(store.study());
        let held: Vec<SweepRow> = rows
            .iter()
            .filter(|row| row.working_set_bytes < end.0)
            .cloned()
            .collect();
        let Some((held, all)) = largest(&held).zip(largest(rows)) else {
            return Ok(Ok(false));
        };
        tell(Event::Note(format!(
            "to be sure, {} and {} are read once more",
            held.iec(),
            all.iec()
        )));
        let mut again = Vec::new();
        for set in [held, all] {
            let Some(row) = self.one(share, store, set, watch)? else {
                return Ok(Err(stopped(watch, tell)));
            };
            tell(Event::Swept { row: row.clone() });
            again.push(row);
        }
        let rate = again.pop().map_or(0.0, |row| row.rate_bytes_per_s);
        Ok(Ok(falls_behind(&again, Rate(rate))))
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
                reach: 0,
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

/// The largest working set of `rows`.
fn largest(rows: &[SweepRow]) -> Option<Bytes> {
    rows.iter().map(|row| Bytes(row.working_set_bytes)).max()
}

/// Says that the sweep was stopped; how the program should end.
fn stopped(watch: &Watch, tell: &mut dyn FnMut(Event)) -> Exit {
    let why = watch.reason().unwrap_or(STOPPED);
    tell(Event::Warning(format!(
        "{why}; finished working sets are kept"
    )));
    match why {
        NO_SPACE => Exit::Share,
        _ => Exit::Interrupted,
    }
}

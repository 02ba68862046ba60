//! `poolproof sweep`: where caches end, and how fast each is.

use std::sync::Arc;

use jiff::Timestamp;

use super::attend::attend;
use super::mounted::{self, Moved};
use super::screen::Screen;
use super::sitting::{self, Event, NO_SPACE, STOPPED};
use super::test_data::{Asked, lay_down};
use super::{Exit, Failure, owner, print, say};
use crate::judge::{cache_size, levels};
use crate::load::{Assignment, Drive, Share, Watch};
use crate::plan::{Memory, Pattern, Phase, Set, sweep_workload, working_sets};
use crate::record::summarize;
use crate::report;
use crate::store::Writer;
use crate::study::SweepRow;
use crate::units::{Bytes, Nanos};

/// Reads growing parts of the test data again and again: where a cache ends, the rate falls.
///
/// What is found tells later sittings how large the test data has to be. Test data is laid down
/// first where there is none.
#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:\n  poolproof sweep scans\n  poolproof sweep scans --seconds 5")]
pub(super) struct Arguments {
    #[command(flatten)]
    folder: super::StudyFolder,
    /// Seconds for each working set, after it has been read once.
    #[arg(long, value_name = "S", default_value_t = 3, value_parser = clap::value_parser!(u64).range(1..=600))]
    seconds: u64,
    /// Size of the data to read [default: as for measure].
    #[arg(long, value_name = "BYTES")]
    size: Option<Bytes>,
    #[command(flatten)]
    moved: Moved,
}

/// Reading a working set for the first time takes at most so many times as long as measuring it.
const WARMING: u64 = 10;

pub(super) fn run(arguments: &Arguments) -> Result<Exit, Failure> {
    let root = &arguments.folder.study;
    let mut store = Writer::open(root, &owner("sweep"), Timestamp::now())?;
    if store.study().config.simulated {
        let message = format!(
            "{} is a simulated study: it has no share to sweep",
            root.display()
        );
        return Err(Failure::new(Exit::Study, message));
    }
    store.recovered().iter().for_each(|sentence| say(sentence));
    mounted::check(&mut store, &arguments.moved)?;
    let mut share = arguments
        .moved
        .share(&store.study().config, &arguments.folder.study);
    let path = store.study().config.share.clone();
    let (size, seconds) = (arguments.size, arguments.seconds);
    let watch = Arc::new(Watch::default());
    let watched = Arc::clone(&watch);
    let work = move |tell: &mut dyn FnMut(Event)| {
        let mut store = store;
        let swept = sweep(&mut share, &mut store, size, seconds, &watched, tell);
        (swept, store)
    };
    let (swept, store) = attend(path.as_ref(), watch, Screen::new(false), work)?;
    let exit = swept?;
    print(&report::sweep_text(store.study()))?;
    Ok(exit)
}

/// Sweeps `share` into `store`.
pub(super) fn sweep(
    share: &mut dyn Share,
    store: &mut Writer,
    size: Option<Bytes>,
    seconds: u64,
    watch: &Watch,
    tell: &mut dyn FnMut(Event),
) -> Result<Exit, Failure> {
    let memory = Memory {
        client: share.facts().client.memory,
        ..sitting::memory(store.study())
    };
    let data = Asked {
        phase: Phase::Before,
        size,
        brief: false,
    };
    lay_down(share, store, data, memory, watch, tell)?;
    let number = store.study().sweeps.last().map_or(0, |row| row.sweep) + 1;
    let sets = working_sets(store.study().data.bytes(Set::Read));
    tell(Event::Trials {
        count: sets.len(),
        seconds,
        most: false,
    });
    for (index, set) in sets.into_iter().enumerate() {
        tell(Event::Begin {
            index,
            workload: set.iec(),
            counted: None,
        });
        let Some(row) = reread(share, store, set, seconds, number, watch)? else {
            let why = watch.reason().unwrap_or(STOPPED);
            tell(Event::Warning(format!(
                "{why}; finished working sets are kept"
            )));
            return Ok(if why == NO_SPACE {
                Exit::Share
            } else {
                Exit::Interrupted
            });
        };
        store.add_sweep(row.clone())?;
        tell(Event::Swept { row });
    }
    if let Some(cache) = cache_size(&levels(store.study().latest_sweep())) {
        tell(Event::Note(format!(
            "a cache of up to {} serves this share: the next sitting lays down twice as much where there is room",
            cache.iec()
        )));
    }
    Ok(Exit::Done)
}

/// Reads a working set once, then again for so many seconds; `None` when it was stopped.
fn reread(
    share: &mut dyn Share,
    store: &Writer,
    set: Bytes,
    seconds: u64,
    sweep: u64,
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
    for _ in 0..seconds * WARMING {
        if first >= pattern.operations() || watch.stopped() {
            break;
        }
        go(1, &mut first)?;
    }
    let warm = first >= pattern.operations();
    let measured = go(seconds, &mut first)?;
    if measured.interrupted {
        return Ok(None);
    }
    let summary = summarize(&measured.recording, None);
    Ok(Some(SweepRow {
        sweep,
        simulated: study.config.simulated,
        started,
        working_set_bytes: set.0,
        warm,
        rate_bytes_per_s: summary.rate.unwrap_or_default().0,
        p50_ns: (summary.operations >= 20).then(|| summary.latency.value_at_quantile(0.5)),
    }))
}

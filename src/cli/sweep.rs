//! `poolproof sweep`: where memory ends, and how fast each level of it is.

use std::sync::Arc;

use jiff::Timestamp;

use super::attend::attend;
use super::mounted::{self, Moved};
use super::screen::Screen;
use super::sitting::ahead::needed;
use super::sitting::until::size_as_before;
use super::sitting::{self, Event};
use super::test_data::{Asked, lay_down, size_now};
use super::{Exit, Failure, owner, print, say};
use crate::judge::{cache_size, levels};
use crate::load::{Share, Watch};
use crate::plan::{Memory, Phase, Set};
use crate::report;
use crate::store::Writer;
use crate::study::Study;
use crate::units::Bytes;

mod reread;
mod steps;
#[cfg(test)]
mod tests;

use reread::Reread;
use steps::Steps;

/// Finds where memory ends: reads growing parts of the test data again and again.
///
/// Memory serves a part that fits in it, and the rate falls where it ends, be it this machine's, the
/// server's or a fast drive's.
/// What is found tells later sittings how large the test data has to be. Where there is none, or too
/// little, test data is laid down in steps, each of which is read, until one is seen to be twice as large as
/// that memory: with --size all of it at once.
#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:\n  poolproof sweep scans\n  poolproof sweep scans --seconds 5")]
pub(super) struct Arguments {
    #[command(flatten)]
    folder: super::StudyFolder,
    /// Seconds for each working set, after it has been read once.
    #[arg(long, value_name = "S", default_value_t = 3, value_parser = clap::value_parser!(u64).range(1..=600))]
    seconds: u64,
    /// Size of the data to read [default: as sittings before were asked for, else no
    /// more than shows where memory ends].
    #[arg(long, value_name = "BYTES")]
    size: Option<Bytes>,
    #[command(flatten)]
    moved: Moved,
}

pub(super) fn run(arguments: &Arguments) -> Result<Exit, Failure> {
    let root = &arguments.folder.study;
    let mut store = Writer::open(root, &owner("sweep"), Timestamp::now())?;
    if store.study().config.simulated {
        let message = format!(
            "{} is a simulated study: it has no share to read",
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
    let (size, seconds) = (
        arguments.size.or_else(|| size_as_before(store.study())),
        arguments.seconds,
    );
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
    let sizing = size_now(share, store, data, memory)?;
    // What served the latest sitting from all of this data is larger than any end that was seen in it.
    let mut steps = match size.is_none() && sitting::served_test_data(store.study()).is_none() {
        true => Steps::doubling(store.study(), memory, &sizing),
        false => Steps::at_once(store.study(), memory, &sizing),
    };
    let several = steps.may_end_early();
    if several {
        tell(Event::Ahead(steps.ahead()));
    }
    let reread = Reread {
        number: store.study().sweeps.last().map_or(0, |row| row.sweep) + 1,
        seconds,
        read_on: several.then(|| steps.largest_memory()),
    };
    loop {
        // What a step remarks on its size is true of the step alone; the last one is the default.
        let early = steps.may_end_early();
        let mut of_step = |event| match event {
            Event::Note(_) if early => {}
            event => tell(event),
        };
        lay_down(share, store, data, steps.memory(), watch, &mut of_step)?;
        if let Some(exit) = reread.all(share, store, watch, tell)? {
            return Ok(exit);
        }
        if !early {
            break;
        }
        if let Some(end) = steps.end(reread.rows(store.study())) {
            match reread.ends_again(share, store, end, watch, tell)? {
                Ok(true) => break,
                Ok(false) => tell(Event::Note(format!(
                    "memory seemed to end at {}, and no longer does: more is laid down",
                    end.iec()
                ))),
                Err(exit) => return Ok(exit),
            }
        }
        steps.grow(reread.rows(store.study()));
    }
    if several {
        let said = steps.behind(store.study(), reread.rows(store.study()));
        tell(Event::Note(said));
    }
    let said = cache_sentence(store.study(), memory.client);
    said.into_iter().for_each(|said| tell(Event::Note(said)));
    Ok(Exit::Done)
}

/// The cache that the latest sweep shows, and what the next sitting makes of it.
fn cache_sentence(study: &Study, client: Bytes) -> Option<String> {
    let cache = cache_size(&levels(study.latest_sweep()))?;
    let wanted = needed(study, client).0.asks_for();
    let next = match () {
        () if wanted <= study.data.bytes(Set::Read) => {
            "the test data that is there is enough for the next sitting".to_owned()
        }
        () if wanted == cache.times(2) => {
            "the next sitting lays down twice as much where there is room".to_owned()
        }
        () => format!(
            "the next sitting lays down {} to read where there is room, as known memories ask for",
            wanted.iec()
        ),
    };
    Some(format!(
        "memory of up to {} serves this share: {next}",
        cache.iec()
    ))
}

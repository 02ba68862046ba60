//! `poolproof measure`: one sitting on a mounted share.

use std::sync::Arc;

use jiff::Timestamp;

use super::attend::attend;
use super::consent::settle;
use super::mounted::{self, Moved};
use super::screen::Screen;
use super::sitting::{self, Event, Request};
use super::{Exit, Failure, owner, print, say, width};
use crate::judge::judge_all;
use crate::load::Watch;
use crate::plan::Phase;
use crate::report;
use crate::store::Writer;
use crate::study::tables::line;
use crate::study::{FRESH, Place};
use crate::text::unknown;
use crate::units::Bytes;

/// Measures the share once through: a sitting.
///
/// Test data is laid down in a folder of its own on the share, or found there, and kept for later
/// sittings. Then trials of all workloads run interleaved; each is on disk before the next begins.
/// Do not measure at full load for long while an array reshapes: it slows the reshape down.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Examples:\n  poolproof measure scans --phase before\n  poolproof measure scans --phase during --workload small-read --trials 3 --tag hour=quiet\n  poolproof measure scans --phase after --brief\n  poolproof measure scans --phase after --fresh"
)]
pub(super) struct Arguments {
    #[command(flatten)]
    folder: super::StudyFolder,
    /// When this is, relative to the expansion.
    #[arg(long, value_name = "before|during|after", value_parser = parse_phase)]
    phase: Phase,
    /// A remark as KEY=VALUE, kept with every trial of the sitting; may be repeated.
    #[arg(long, value_name = "KEY=VALUE", value_parser = parse_tag)]
    tag: Vec<String>,
    /// Only this workload; may be repeated.
    #[arg(long, value_name = "NAME")]
    workload: Vec<String>,
    /// Trials of each workload [default: 5, brief: 3].
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1000))]
    trials: Option<u16>,
    /// Seconds of each trial [default: 30, brief: 5].
    #[arg(long, value_name = "S", value_parser = clap::value_parser!(u32).range(1..=86_400))]
    seconds: Option<u32>,
    /// Size of the data to read [default: twice the largest memory, at most a quarter of free space].
    #[arg(long, value_name = "BYTES")]
    size: Option<Bytes>,
    /// Reads data that is laid down now, in the phase after, beside the old: as much again as there is to
    /// read, for the workloads that only read. Its trials have the tag data=new and stand apart.
    #[arg(long)]
    fresh: bool,
    /// A first look in about two minutes, with little data: what a cache may serve is said.
    #[arg(long)]
    brief: bool,
    #[command(flatten)]
    moved: Moved,
}

pub(super) fn parse_phase(text: &str) -> Result<Phase, String> {
    let phase = Phase::ALL.into_iter().find(|phase| phase.word() == text);
    phase.ok_or_else(|| unknown("phase", text, Phase::ALL.map(Phase::word)))
}

fn parse_tag(text: &str) -> Result<String, String> {
    let good = |part: &str| !part.is_empty() && !part.contains([';', '=']) && line(part) == part;
    match text.split_once('=') {
        Some(("data", _)) => Err("the key data is set by --fresh alone: choose another".to_owned()),
        Some((key, value)) if good(key) && good(value) && text.len() <= 200 => Ok(text.to_owned()),
        _ => Err("write KEY=VALUE, both without '=', ';' and control characters".to_owned()),
    }
}

/// The commands of a sitting; the reshape is looked at while it runs.
fn commands(phase: Phase) -> &'static [Place] {
    match phase {
        Phase::During => &[Place::Diskstats, Place::EmptyCache, Place::Reshape],
        Phase::Before | Phase::After => &[Place::Diskstats, Place::EmptyCache],
    }
}

pub(super) fn run(arguments: &Arguments) -> Result<Exit, Failure> {
    let (trials, seconds) = if arguments.brief { (3, 5) } else { (5, 30) };
    if arguments.fresh && arguments.phase != Phase::After {
        let message = "--fresh lays down data on the grown pool: it goes with --phase after";
        return Err(Failure::new(Exit::Usage, message));
    }
    let fresh = arguments.fresh.then(|| FRESH.to_owned());
    let request = Request {
        phase: arguments.phase,
        tags: arguments.tag.iter().cloned().chain(fresh).collect(),
        workloads: arguments.workload.clone(),
        trials: arguments.trials.map_or(trials, usize::from),
        seconds: arguments.seconds.map_or(seconds, u64::from),
        size: arguments.size,
        brief: arguments.brief,
        reshape: Some(arguments.folder.study.clone()),
    };
    let root = &arguments.folder.study;
    let mut store = Writer::open(root, &owner("measure"), Timestamp::now())?;
    if store.study().config.simulated {
        let message = format!(
            "{} is a simulated study: it has no share to measure",
            root.display()
        );
        return Err(Failure::new(Exit::Study, message));
    }
    store.recovered().iter().for_each(|sentence| say(sentence));
    mounted::check(&mut store, &arguments.moved)?;
    let settled = settle(&store.study().config, root, commands(arguments.phase))?;
    settled.say_all_but(None);
    store.allow(&settled.allowed);
    let mut share = arguments.moved.share(&store.study().config);
    let path = store.study().config.share.clone();
    let watch = Arc::new(Watch::default());
    let watched = Arc::clone(&watch);
    let work = move |tell: &mut dyn FnMut(Event)| {
        let mut store = store;
        let ended = sitting::hold(&mut share, &mut store, &request, &watched, tell);
        (ended, store)
    };
    let (ended, store) = attend(path.as_ref(), watch, Screen::new(false), work)?;
    let ended = ended?;
    let study = store.study();
    let judgements = judge_all(study);
    print(&report::sitting_text(
        study,
        ended.sitting,
        &judgements,
        width(),
    ))?;
    Ok(ended.exit)
}

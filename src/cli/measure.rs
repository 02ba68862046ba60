//! `poolproof measure`: one sitting on a mounted share.
//!
//! The sitting runs on a thread of its own; tokio waits for it, for signals, for the clock that
//! moves the bar, and for the watch over free space.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use jiff::Timestamp;
use tokio::signal::unix::{Signal, SignalKind, signal};
use tokio::sync::mpsc;
use tokio::task::{JoinError, spawn_blocking};
use tokio::time::{MissedTickBehavior, interval};

use super::screen::Screen;
use super::sitting::{self, Ended, NO_SPACE, Request, STOPPED};
use super::{Exit, Failure, owner, print, say, width};
use crate::load::{LocalShare, Watch};
use crate::plan::{Phase, keep_free};
use crate::store::Writer;
use crate::study::tables::cell;
use crate::units::Bytes;
use crate::{probe, report};

/// Measures the share once through: a sitting.
///
/// Test data is laid down in a folder of its own on the share, or found there, and kept for later
/// sittings. Then trials of all workloads run interleaved; each is on disk before the next begins.
/// Do not measure at full load for long while an array reshapes: it slows the reshape down.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Examples:\n  poolproof measure scans --phase before\n  poolproof measure scans --phase during --workload small-read --trials 3 --tag hour=quiet\n  poolproof measure scans --phase after --brief"
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
    /// A first look in about two minutes, with little data: what a cache may serve is said.
    #[arg(long)]
    brief: bool,
}

fn parse_phase(text: &str) -> Result<Phase, String> {
    let phase = Phase::ALL.into_iter().find(|phase| phase.word() == text);
    phase.ok_or_else(|| "write before, during or after".to_owned())
}

fn parse_tag(text: &str) -> Result<String, String> {
    let good = |part: &str| !part.is_empty() && !part.contains([';', '=']) && cell(part) == part;
    match text.split_once('=') {
        Some((key, value)) if good(key) && good(value) && text.len() <= 200 => Ok(text.to_owned()),
        _ => Err("write KEY=VALUE, both without '=', ';' and control characters".to_owned()),
    }
}

pub(super) fn run(arguments: &Arguments) -> Result<Exit, Failure> {
    let (trials, seconds) = if arguments.brief { (3, 5) } else { (5, 30) };
    let request = Request {
        phase: arguments.phase,
        tags: arguments.tag.clone(),
        workloads: arguments.workload.clone(),
        trials: arguments.trials.map_or(trials, usize::from),
        seconds: arguments.seconds.map_or(seconds, u64::from),
        size: arguments.size,
        brief: arguments.brief,
    };
    let root = &arguments.folder.study;
    let store = Writer::open(root, &owner("measure"), Timestamp::now())?;
    if store.study().config.simulated {
        let message = format!(
            "{} is a simulated study: it has no share to measure",
            root.display()
        );
        return Err(Failure::new(Exit::Study, message));
    }
    store.recovered().iter().for_each(|sentence| say(sentence));
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(1)
        .enable_all()
        .build()?;
    let ended = runtime.block_on(attend(store, request));
    // A guard that hangs on a dead share must not keep the program alive.
    runtime.shutdown_background();
    let (ended, summary) = ended?;
    print(&summary)?;
    Ok(ended.exit)
}

/// Attends a sitting from beginning to end; how it ended and its summary.
async fn attend(mut store: Writer, request: Request) -> Result<(Ended, String), Failure> {
    let watch = Arc::new(Watch::default());
    let share_path = PathBuf::from(&store.study().config.share);
    let mut share = LocalShare::new(&store.study().config);
    let (events, mut happened) = mpsc::unbounded_channel();
    let watched = Arc::clone(&watch);
    let mut sitting = spawn_blocking(move || {
        // Nobody may be listening any more: the sitting goes on all the same.
        let mut tell = |event| drop(events.send(event));
        let ended = sitting::hold(&mut share, &mut store, &request, &watched, &mut tell);
        (ended, store)
    });
    let guard = tokio::spawn(guard_space(share_path, Arc::clone(&watch)));
    let mut screen = Screen::new(false);
    let mut ticks = interval(Duration::from_millis(250));
    ticks.set_missed_tick_behavior(MissedTickBehavior::Delay);
    let mut signals = Signals::new()?;
    let joined: Result<_, JoinError> = loop {
        tokio::select! {
            Some(event) = happened.recv() => screen.event(event),
            joined = &mut sitting => break joined,
            () = signals.next() => {
                if watch.stopped() {
                    say("ended at once; finished trials are kept");
                    std::process::exit(Exit::Interrupted as i32);
                }
                watch.stop(STOPPED);
                say("coming to an end after what is in flight (once more ends at once)");
            }
            _ = ticks.tick() => screen.tick(watch.bytes()),
        }
    };
    guard.abort();
    while let Ok(event) = happened.try_recv() {
        screen.event(event);
    }
    screen.close();
    let (ended, store) = joined.map_err(|error| Failure::new(Exit::Failed, error))?;
    let ended = ended?;
    let study = store.study();
    let judgements = crate::judge::judge_all(study);
    let summary = report::sitting_text(study, ended.sitting, &judgements, width());
    Ok((ended, summary))
}

/// Stops the sitting when the share gets too full, whoever fills it.
async fn guard_space(share: PathBuf, watch: Arc<Watch>) {
    let mut ticks = interval(Duration::from_secs(1));
    ticks.set_missed_tick_behavior(MissedTickBehavior::Delay);
    loop {
        ticks.tick().await;
        let share = share.clone();
        let low = spawn_blocking(move || is_low(&share)).await;
        if low.unwrap_or(false) {
            watch.stop(NO_SPACE);
        }
    }
}

fn is_low(share: &Path) -> bool {
    probe::space(share).is_ok_and(|space| space.available < keep_free(space.total))
}

/// The signals that end a sitting.
struct Signals([Signal; 3]);

impl Signals {
    fn new() -> std::io::Result<Self> {
        Ok(Self([
            signal(SignalKind::interrupt())?,
            signal(SignalKind::terminate())?,
            signal(SignalKind::hangup())?,
        ]))
    }

    async fn next(&mut self) {
        let [interrupt, terminate, hangup] = &mut self.0;
        tokio::select! {
            _ = interrupt.recv() => {}
            _ = terminate.recv() => {}
            _ = hangup.recv() => {}
        }
    }
}

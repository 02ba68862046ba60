//! `poolproof measure`: one sitting on a mounted share.

use std::sync::Arc;
use std::time::Duration;

use jiff::Timestamp;

use super::attend::attend;
use super::consent::settle;
use super::mounted::{self, Moved};
use super::screen::Screen;
use super::sitting::ahead::foresee;
use super::sitting::until::{LEAST, MOST, asked_before, size_as_before};
use super::sitting::{self, Event, Request};
use super::{Exit, Failure, owner, print, say, span, width};
use crate::compare::{Rules, compare};
use crate::judge::judge_all;
use crate::load::{Share, Submission, Watch};
use crate::plan::Phase;
use crate::ready::{next_by, out_of_phase};
use crate::report;
use crate::store::Writer;
use crate::study::tables::line;
use crate::study::{FRESH, Place, Study};
use crate::text::{typed, unknown};
use crate::units::{Bytes, percent};

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
    /// Trials of each workload, with --precision the most of them [default: as study.toml says, 6 of a new
    /// study; brief: 3, with --precision: 40].
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1000))]
    trials: Option<u16>,
    /// Seconds of each trial, with --precision the most of them where it only reads [default: as study.toml
    /// says, 25 of a new study; brief: 6].
    #[arg(long, value_name = "S", value_parser = clap::value_parser!(u32).range(1..=86_400))]
    seconds: Option<u32>,
    /// Ends trials that only read, and the sitting, as soon as they are known so well: half of the 95 % interval
    /// of the sitting's mean, as 3%. `off` for fixed lengths [default: as the sitting before].
    #[arg(long, value_name = "PERCENT|off", value_parser = parse_precision)]
    precision: Option<Wanted>,
    /// After the first round begins no trial that may end later than so long after the sitting began
    /// [default: none, brief: 2m, with --precision: 1h].
    #[arg(long, value_name = "TIME", value_parser = span)]
    within: Option<Duration>,
    /// Size of the data to read [default: twice the largest memory, at most a quarter of free space].
    #[arg(long, value_name = "BYTES")]
    size: Option<Bytes>,
    /// Reads data that is laid down now, in the phase after, beside the old: as much again as there is to
    /// read, for the workloads that only read. Its trials have the tag data=new and stand apart.
    #[arg(long)]
    fresh: bool,
    /// What keeps several blocks in flight: a thread for each, or an io_uring ring [default: what is faster
    /// here, by a short measurement before a workload's first trial; the same from then on].
    #[arg(long, value_name = "threads|ring", value_parser = parse_submission)]
    submit: Option<Submission>,
    /// Only tells what the sitting would take, lay down, read and write; measures and writes nothing.
    #[arg(long)]
    only_plan: bool,
    /// A first look in about two minutes, with little data: what a cache may serve is said.
    #[arg(long)]
    brief: bool,
    #[command(flatten)]
    moved: Moved,
}

/// The time that a sitting takes at most to know enough, unless another is said.
const WITHIN: Duration = Duration::from_secs(3_600);

/// What is said with --precision.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Wanted {
    Off,
    /// A half-width over the mean.
    To(f64),
}

fn parse_precision(text: &str) -> Result<Wanted, String> {
    let advice = || "write off, or a percentage from 0.5% to 50%, as 3%".to_owned();
    if text == "off" {
        return Ok(Wanted::Off);
    }
    let number = text.strip_suffix('%').ok_or_else(advice)?.trim_end();
    let percent: f64 = number.parse().map_err(|_| advice())?;
    let range = 0.5..=50.0;
    range
        .contains(&percent)
        .then_some(Wanted::To(percent / 100.0))
        .ok_or_else(advice)
}

pub(super) fn parse_phase(text: &str) -> Result<Phase, String> {
    let phase = Phase::ALL.into_iter().find(|phase| phase.word() == text);
    phase.ok_or_else(|| unknown("phase", text, Phase::ALL.map(Phase::word)))
}

fn parse_submission(text: &str) -> Result<Submission, String> {
    Submission::from_word(text).ok_or_else(|| "write threads or ring".to_owned())
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

/// Sets what nothing is said of to what the sitting before was asked for, so that their trials match: the size
/// of the data to read, and lengths, by what is to be known where that was asked for.
fn lengths(request: &mut Request, arguments: &Arguments, study: &Study) -> Result<(), Failure> {
    let before = asked_before(study);
    if arguments.size.is_none() && !arguments.brief {
        request.size = size_as_before(study);
    }
    let free = arguments.seconds.is_none() && !arguments.brief;
    let example = before.filter(|_| free);
    let half_width = match (arguments.precision, example.and_then(|of| of.precision)) {
        (Some(Wanted::To(half_width)), _) => Some(half_width),
        (Some(Wanted::Off), _) => None,
        (None, before) => before,
    };
    if let Some(seconds) = example.map(|of| of.seconds) {
        match half_width.filter(|_| arguments.precision.is_none()) {
            Some(half_width) => say(&format!(
                "as in the sitting before: --precision {} --seconds {seconds} (`--precision off` for fixed lengths)",
                percent(half_width, 1).replace(' ', "")
            )),
            None if seconds != request.seconds => {
                say(&format!("as in the sitting before: --seconds {seconds}"));
            }
            None => {}
        }
        request.seconds = seconds;
    }
    let Some(half_width) = half_width else {
        return Ok(());
    };
    request.precision = Some(half_width);
    request.within = arguments.within.or(Some(WITHIN));
    request.trials = arguments.trials.map_or(MOST, usize::from).min(MOST);
    if request.trials < LEAST {
        let message = format!(
            "--precision needs {LEAST} trials to know a spread at all: ask for more with --trials"
        );
        return Err(Failure::new(Exit::Usage, message));
    }
    Ok(())
}

pub(super) fn run(arguments: &Arguments) -> Result<Exit, Failure> {
    if arguments.fresh && arguments.phase != Phase::After {
        let message = "--fresh lays down data on the grown pool: it goes with --phase after";
        return Err(Failure::new(Exit::Usage, message));
    }
    let fresh = arguments.fresh.then(|| FRESH.to_owned());
    let root = &arguments.folder.study;
    let mut store = Writer::open(root, &owner("measure"), Timestamp::now())?;
    let usual = match arguments.brief {
        true => Request::brief(arguments.phase),
        false => Request::usual(arguments.phase, store.study().config.run),
    };
    let said = arguments.trials.is_some() || arguments.seconds.is_some();
    let mut request = Request {
        tags: arguments.tag.iter().cloned().chain(fresh).collect(),
        workloads: arguments.workload.clone(),
        trials: arguments.trials.map_or(usual.trials, usize::from),
        seconds: arguments.seconds.map_or(usual.seconds, u64::from),
        // Whoever says how much is to be measured gets it.
        within: arguments.within.or(usual.within.filter(|_| !said)),
        size: arguments.size,
        submission: arguments.submit,
        reshape: Some(arguments.folder.study.clone()),
        ..usual
    };
    if store.study().config.simulated {
        let message = format!(
            "{} is a simulated study: it has no share to measure",
            root.display()
        );
        return Err(Failure::new(Exit::Study, message));
    }
    if let Some(message) = out_of_phase(store.study(), request.phase, Timestamp::now()) {
        return Err(Failure::new(Exit::Usage, message));
    }
    lengths(&mut request, arguments, store.study())?;
    store.recovered().iter().for_each(|sentence| say(sentence));
    mounted::check(&mut store, &arguments.moved)?;
    let path = store.study().config.share.clone();
    let watch = Arc::new(Watch::default());
    let watched = Arc::clone(&watch);
    if arguments.only_plan {
        let mut share = arguments.moved.share(&store.study().config, root);
        // What the manifest lists is reused only where it is.
        let data = store.study().data.clone();
        let work = move |_: &mut dyn FnMut(Event)| {
            if !data.folder.is_empty() {
                share.ask("looking for test data", &watched, move |share| {
                    share.find(&data)
                })??;
            }
            let facts = share.facts();
            foresee(&mut share, &store, &request, &facts)
        };
        let said = attend(path.as_ref(), watch, Screen::new(false), work)??;
        print(&format!("{}\n", said.join("\n")))?;
        return Ok(Exit::Done);
    }
    let settled = settle(&store.study().config, root, commands(arguments.phase))?;
    settled.say_all_but(None);
    store.allow(&settled.allowed);
    let mut share = arguments.moved.share(&store.study().config, root);
    let work = move |tell: &mut dyn FnMut(Event)| {
        let mut store = store;
        let ended = sitting::hold(&mut share, &mut store, &request, &watched, tell);
        (ended, store)
    };
    let (ended, store) = attend(path.as_ref(), watch, Screen::new(false), work)?;
    let ended = ended?;
    let study = store.study();
    let judgements = judge_all(study);
    let text = report::sitting_text(study, ended.sitting, &judgements, &typed(root), width());
    let comparison = compare(study, &judgements, Rules::of(study));
    let follows = next_by(study, &comparison, None, Timestamp::now()).at(&typed(root));
    print(&(text + &report::now_text(&follows, width())))?;
    Ok(ended.exit)
}

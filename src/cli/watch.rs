//! `poolproof watch`: follows a reshape until it is done.

use std::io::IsTerminal;
use std::path::{Path, PathBuf};
use std::time::Duration;

use jiff::Timestamp;
use jiff::tz::TimeZone;

use super::consent::{refusal, settle};
use super::live::{Show, Showing, Shown};
use super::mounted::Patience;
use super::signals::Signals;
use super::{Exit, Failure, note, owner, print, say, span, width};
use crate::plan::Set;
use crate::report::{self, Over};
use crate::reshape::{Source, assess};
use crate::store::{Follower, StoreError};
use crate::study::{Following, Place, ShellCommand, Study, Windows};
use crate::text::typed;
use crate::units::Bytes;
use crate::watch::{Asking, Ended, Event, Machine, Orders, Prober, Probers, follow};

/// Follows a reshape: where it is, whether it moves, when it will be done, what somebody has to do.
///
/// Asks a command, a file or you at even intervals and keeps each answer in progress.csv. It may be
/// ended at any moment and started again: it goes on from what is there. Meanwhile it reads a little
/// of the test data, in turns with leaving the share alone, and says what that costs the reshape.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Examples:\n  poolproof watch scans --source mdstat --command 'ssh archive cat /proc/mdstat'\n  poolproof watch scans --source btrfs --command 'btrfs balance status /scans'\n  poolproof watch scans --source raidz --command 'ssh archive zpool status scans' --every 15m\n  poolproof watch scans --page 127.0.0.1:8080\n  poolproof watch scans --at 37.5\n  poolproof watch scans --once || echo look at the reshape\n\nEnds with 0 when the reshape is done, with 8 when --once or --at finds an alarm or a balance ended of which only you can tell whether it was done (then: watch STUDY --at 100), with 130 when you end it. While a watch runs, `poolproof report STUDY` shows its state."
)]
pub(super) struct Arguments {
    #[command(flatten)]
    folder: super::StudyFolder,
    /// Time between two readings, as 30s, 5m or 1h.
    #[arg(long, value_name = "TIME", default_value = "5m", value_parser = span)]
    every: Duration,
    /// Whose text it is [default: as in study.toml].
    #[arg(long, value_name = "mdstat|btrfs|raidz|percent")]
    source: Option<Source>,
    /// Prints the text; runs through the shell [default: as in study.toml].
    #[arg(long, value_name = "COMMAND", conflicts_with = "file")]
    command: Option<String>,
    /// Holds the text [default with mdstat: /proc/mdstat].
    #[arg(long, value_name = "PATH")]
    file: Option<PathBuf>,
    /// A reading by hand, in percent; 100 ends the reshape.
    #[arg(long, value_name = "PERCENT", conflicts_with_all = ["source", "command", "file", "array", "every", "once"])]
    at: Option<f64>,
    /// Name of the array, where the text tells of several, as md0.
    #[arg(long, value_name = "NAME")]
    array: Option<String>,
    /// One reading, then all that is known.
    #[arg(long)]
    once: bool,
    /// Leaves the share alone.
    #[arg(long)]
    no_probes: bool,
    #[command(flatten)]
    patience: Patience,
    /// Runs through the shell when an alarm begins; finds it in $POOLPROOF_ALARM and $POOLPROOF_STATE.
    #[arg(long, value_name = "COMMAND")]
    on_alarm: Option<String>,
    #[command(flatten)]
    showing: Showing,
}

pub(super) fn run(arguments: &Arguments) -> Result<Exit, Failure> {
    let root = &arguments.folder.study;
    let store = Follower::open(root, &owner("watch"), Timestamp::now());
    if let Err(error @ StoreError::Locked { .. }) = &store {
        let place = root.display();
        let message = format!(
            "{error}; that watch tells where the reshape is, and `poolproof report {place}` puts it on a page meanwhile"
        );
        return Err(Failure::new(Exit::Study, message));
    }
    let mut store = store?;
    if store.study().config.simulated {
        let message = format!(
            "{} is a simulated study: it has no reshape to follow",
            root.display()
        );
        return Err(Failure::new(Exit::Study, message));
    }
    store.recovered().iter().for_each(|sentence| say(sentence));
    let settled = settle(&store.study().config, root, &commands(arguments))?;
    // Without its source a watch ends, in a sentence of its own.
    settled.say_all_but(Some(Place::Reshape));
    store.allow(&settled.allowed);
    let following = following(arguments, store.study())?;
    let by_hand = arguments.at.is_some();
    let once = arguments.once || by_hand;
    let orders = Orders {
        study: typed(root),
        source: following.source,
        array: following.array.clone(),
        every: arguments.every,
        once,
        zone: TimeZone::system(),
    };
    let config = &store.study().config;
    let mut machine = Machine::new(
        asking(arguments, &following, root)?,
        Duration::from_secs(following.timeout_seconds),
    )
    .with_command_for_alarms(arguments.on_alarm.clone());
    // What the server counts now is no part of a reading that a person brings.
    if !by_hand {
        machine = machine.with_server(config.server.clone().unwrap_or_default());
    }
    if !once && !arguments.no_probes {
        machine = machine.with_probers(probers(store.study(), root, arguments.patience.give_up));
    }
    let zone = orders.zone.clone();
    let now = Timestamp::now();
    let show = arguments.showing.prepare(store.study(), &orders, now)?;
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(1)
        .enable_all()
        .build()?;
    let ended = runtime.block_on(attend(&mut machine, &mut store, &orders, show));
    // A command that hangs must not keep the program alive.
    runtime.shutdown_background();
    let ended = ended?;
    print(&told(store.study(), &zone))?;
    Ok(match ended {
        Some(Ended::Once { alarm: true } | Ended::Unsettled) => Exit::Alarm,
        Some(Ended::Once { alarm: false } | Ended::Finished) => Exit::Done,
        None => Exit::Interrupted,
    })
}

/// The commands of `study.toml` that may be needed: none for a reading by hand.
fn commands(arguments: &Arguments) -> Vec<Place> {
    let asks = arguments.command.is_none() && arguments.file.is_none();
    match arguments.at {
        Some(_) => Vec::new(),
        None if asks => vec![Place::Reshape, Place::Diskstats],
        None => vec![Place::Diskstats],
    }
}

/// Follows until the end, or until the person ends it: `None`.
async fn attend(
    machine: &mut Machine,
    store: &mut Follower,
    orders: &Orders,
    show: Option<Show>,
) -> Result<Option<Ended>, Failure> {
    let mut shown = show.map(Show::begin).transpose()?;
    let ended = listen(machine, store, orders, shown.as_mut()).await?;
    if let Some(shown) = shown {
        let finished = ended == Some(Ended::Finished);
        shown
            .end(if finished {
                Over::Finished
            } else {
                Over::Ended
            })
            .await;
    }
    Ok(ended)
}

/// Follows until the end, saying and showing what happens.
async fn listen(
    machine: &mut Machine,
    store: &mut Follower,
    orders: &Orders,
    mut shown: Option<&mut Shown>,
) -> Result<Option<Ended>, Failure> {
    let mut signals = Signals::new()?;
    let once = orders.once;
    let clock = report::Clock::every(orders.every, &orders.zone);
    let live = std::io::stderr().is_terminal();
    let mut tell = |event: Event<'_>| {
        if let Some(shown) = &mut shown {
            shown.hear(&event);
        }
        match event {
            Event::Read(seen, _) if !once => note(&report::reading_line(seen, clock)),
            Event::Alarm(sentence) if !once => say(&format!("ALARM {sentence}")),
            Event::Calm if !once => note("the alarm is over"),
            Event::Cost(cost) => note(&report::cost_sentence(&cost)),
            Event::Note(text) => note(&text),
            Event::Probed(row) if live => note(&report::probe_line(row)),
            Event::Read(..) | Event::Alarm(_) | Event::Calm | Event::Probed(_) => {}
        }
    };
    tokio::select! {
        ended = follow(machine, store, orders, &mut tell) => Ok(Some(ended)),
        () = signals.next() => {
            say("ended; what was read is kept, and the next watch goes on from it");
            Ok(None)
        }
    }
}

/// How the reshape is followed: as typed, else as in `study.toml`.
fn following(arguments: &Arguments, study: &Study) -> Result<Following, Failure> {
    let configured = study.config.reshape.clone();
    let source = match (arguments.at, arguments.source, &configured) {
        (Some(_), ..) => Source::Percent,
        (None, Some(source), _) => source,
        (None, None, Some(configured)) => configured.source,
        (None, None, None) => {
            let message = "nothing says how the reshape is followed: give --source with --command or --file, or --at with a percentage, or a [reshape] table in study.toml";
            return Err(Failure::new(Exit::Usage, message));
        }
    };
    // A source that was typed has nothing to do with the command of another.
    let same = configured.filter(|configured| configured.source == source);
    let mut following = same.unwrap_or(Following {
        source,
        command: None,
        array: None,
        timeout_seconds: 30,
        zone_ratio: None,
        speed_by_hour: None,
    });
    let typed = arguments.command.clone().map(ShellCommand::typed);
    following.command = typed.or(following.command);
    following.array = arguments.array.clone().or(following.array);
    Ok(following)
}

fn asking(arguments: &Arguments, following: &Following, root: &Path) -> Result<Asking, Failure> {
    if let Some(percent) = arguments.at {
        // Checked as the text of any other source is.
        return match Source::Percent.read(&percent.to_string(), None) {
            Ok(_) => Ok(Asking::Told(percent.to_string())),
            Err(error) => Err(Failure::new(Exit::Usage, error)),
        };
    }
    match (&arguments.file, &following.command, following.source) {
        (Some(file), ..) => Ok(Asking::File(file.clone())),
        (None, Some(command), source) if command.may_run() => {
            Ok(Asking::Command(command.clone(), source))
        }
        (None, Some(command), _) => Err(Failure::new(
            Exit::NotAllowed,
            refusal(Place::Reshape, command, root),
        )),
        (None, None, Source::Mdstat) => Ok(Asking::File(PathBuf::from("/proc/mdstat"))),
        (None, None, source) => Err(Failure::new(
            Exit::Usage,
            format!("nothing says where the text of {source} comes from: give --command or --file"),
        )),
    }
}

/// Probes of the share, where there is test data; that there is none is said.
fn probers(study: &Study, root: &Path, patience: Duration) -> Option<Probers> {
    if study.data.bytes(Set::Read) == Bytes(0) {
        note(&format!(
            "no test data is laid down, so users' latency is not probed: measure the phase before first; if the reshape runs already, this follows it without probes, and `poolproof measure {} --phase during` lays test data down for the next watch",
            typed(root)
        ));
        return None;
    }
    let mut study = study.clone();
    study.windows = Windows::default();
    Some(Probers::new(move |thread| {
        Prober::local(&study, patience, thread)
    }))
}

/// All that is known at the end.
fn told(study: &Study, zone: &TimeZone) -> String {
    let hours = study.config.hours(zone.clone());
    let seen = assess(&study.progress, study.config.zones(), hours.as_ref());
    let made_up = study.progress.iter().any(|row| row.simulated);
    match (study.progress.last(), seen) {
        (Some(mut row), Some(seen)) => {
            row.simulated |= made_up;
            report::watch_text(&study.name, &row, &seen, zone, width())
        }
        _ => String::new(),
    }
}

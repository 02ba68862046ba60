//! What was typed becomes what is meant; one file a command; the only room that prints.
//!
//! Tables and machine-readable output go to standard output; progress, notes and errors go to
//! standard error.
#![expect(
    clippy::disallowed_methods,
    reason = "the command line is an edge: it reads the clock and draws seeds"
)]

mod allow;
mod attend;
mod check;
mod clean;
mod compare;
mod consent;
mod demo;
mod docs;
mod exit;
mod help;
mod live;
mod log;
mod measure;
mod mounted;
mod new;
mod next;
mod plan;
mod removed;
mod report;
mod screen;
mod seal;
mod show;
#[cfg_attr(windows, path = "signals_windows.rs")]
mod signals;
mod sitting;
mod status;
#[cfg_attr(not(target_os = "linux"), path = "supervise_alone.rs")]
mod supervise;
mod sweep;
mod test_data;
mod verify;
mod voice;
mod watch;
mod why;

use std::ffi::OsString;
use std::path::PathBuf;
use std::time::Duration;

use clap::{Parser, Subcommand};
use jiff::SignedDuration;
use jiff::tz::TimeZone;

use crate::study::Study;

pub use exit::{Exit, Failure};

use voice::{Loudness, data, detail, is_quiet, note, print, say, telling_width, width};

/// Measures a shared storage pool before, during and after it grows, and says what changed.
#[derive(Debug, Parser)]
#[command(
    name = "poolproof",
    version,
    after_help = "Examples:\n  poolproof\n  poolproof demo\n  poolproof plan --pool raid6 --drives 4 --drive-size 6TB --adding 1\n  poolproof new scans --share /mnt/scans --pool raid6 --drives 4 --adding 1 --drive-size 6TB\n  poolproof measure scans --phase before\n  poolproof check scans\n  poolproof watch scans\n  poolproof compare scans\n  poolproof next scans\n\n`poolproof` alone, and `poolproof STUDY`, say where a study stands and what is next.\n\nExit codes: 0 done, 1 unexpected failure, 2 usage, 3 study, 4 share or failed trials, 5 check: not yet, 6 check: no, 7 plan: should not be done, 8 watch: alarm, 9 a command of the study was not allowed, 10 verify, measure: damage found, 130, 143 or 129 ended by SIGINT, SIGTERM or SIGHUP.",
    disable_help_subcommand = true
)]
struct Arguments {
    #[command(flatten)]
    loudness: Loudness,
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    Plan(Box<plan::Arguments>),
    New(new::Arguments),
    Check(check::Arguments),
    Measure(measure::Arguments),
    Sweep(sweep::Arguments),
    Watch(watch::Arguments),
    Allow(allow::Arguments),
    Show(show::Arguments),
    Why(why::Arguments),
    Compare(compare::Arguments),
    Next(next::Arguments),
    Report(report::Arguments),
    Seal(seal::Arguments),
    Verify(verify::Arguments),
    Clean(clean::Arguments),
    Demo(demo::Arguments),
    Status(status::Arguments),
    Docs(docs::Arguments),
}

/// The folder of a study.
#[derive(Debug, clap::Args)]
struct StudyFolder {
    /// Folder of the study.
    #[arg(value_name = "STUDY")]
    study: PathBuf,
}

/// Runs the command line `arguments`, the program's name first; the exit code. To be called before any
/// thread is started.
pub fn run(arguments: impl IntoIterator<Item = OsString>) -> u8 {
    crate::sys::give_memory_back();
    let words = status::spelled_out(arguments.into_iter().collect());
    if let Some(sentence) = removed::refusal(&words) {
        say(&format!("error: {sentence}"));
        return Exit::Usage.code();
    }
    let arguments = match help::parsed(words) {
        Ok(arguments) => arguments,
        Err(error) => {
            let wanted = !error.use_stderr();
            // Help that cannot be printed is no reason for another error.
            let _ = error.print();
            let exit = if wanted { Exit::Done } else { Exit::Usage };
            return exit.code();
        }
    };
    arguments.loudness.set();
    if let Err(failure) = log::start() {
        say(&format!("error: {}", failure.message));
        return failure.exit.code();
    }
    match arguments.command.touches_a_share() {
        true => supervise::supervised(|| perform(arguments)),
        false => perform(arguments).code(),
    }
}

fn perform(arguments: Arguments) -> Exit {
    tracing::info!(version = env!("CARGO_PKG_VERSION"), command = ?arguments.command, "begin");
    let done = match arguments.command {
        Command::Plan(arguments) => plan::run(&arguments),
        Command::New(arguments) => new::run(&arguments),
        Command::Check(arguments) => check::run(&arguments),
        Command::Measure(arguments) => measure::run(&arguments),
        Command::Sweep(arguments) => sweep::run(&arguments),
        Command::Watch(arguments) => watch::run(&arguments),
        Command::Allow(arguments) => allow::run(&arguments),
        Command::Show(arguments) => show::run(&arguments),
        Command::Why(arguments) => why::run(&arguments),
        Command::Compare(arguments) => compare::run(&arguments),
        Command::Next(arguments) => next::run(&arguments),
        Command::Report(arguments) => report::run(&arguments),
        Command::Seal(arguments) => seal::run(&arguments),
        Command::Verify(arguments) => verify::run(&arguments),
        Command::Clean(arguments) => clean::run(&arguments),
        Command::Demo(arguments) => demo::run(&arguments),
        Command::Status(arguments) => status::run(&arguments),
        Command::Docs(arguments) => docs::run(&arguments),
    };
    let exit = done.unwrap_or_else(|failure| {
        say(&format!("error: {}", failure.message));
        failure.exit
    });
    tracing::info!(?exit, "end");
    exit
}

impl Command {
    /// Whether it asks anything of a share, which may never answer.
    fn touches_a_share(&self) -> bool {
        !matches!(
            self,
            Self::Plan(_)
                | Self::Show(_)
                | Self::Why(_)
                | Self::Compare(_)
                | Self::Report(_)
                | Self::Demo(_)
                | Self::Status(_)
                | Self::Docs(_)
        )
    }
}

/// A time that a person writes.
fn span(text: &str) -> Result<Duration, String> {
    let advice = || "write a time from 1s to 24h, as 30s, 5m or 1h".to_owned();
    let span: SignedDuration = text.parse().map_err(|_| advice())?;
    let span = Duration::try_from(span).map_err(|_| advice())?;
    let range = Duration::from_secs(1)..=Duration::from_secs(86_400);
    range.contains(&span).then_some(span).ok_or_else(advice)
}

/// Who holds a study's lock, for whoever finds it locked.
fn owner(command: &str) -> String {
    let host = sysinfo::System::host_name().unwrap_or_else(|_| "this machine".to_owned());
    let (process, now) = (std::process::id(), jiff::Timestamp::now());
    format!("`{command}`, process {process} on {host}, since {now:.0}")
}

/// The clock of the place: this machine's, and UTC where the place is made up.
fn clock(study: &Study) -> TimeZone {
    match study.config.simulated {
        true => TimeZone::UTC,
        false => TimeZone::system(),
    }
}

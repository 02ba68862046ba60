//! What was typed becomes what is meant; one file a command; the only room that prints.
//!
//! Tables and machine-readable output go to standard output; progress, notes and errors go to
//! standard error.
#![expect(
    clippy::disallowed_methods,
    reason = "the command line is an edge: it reads the clock and draws seeds"
)]

mod attend;
mod check;
mod clean;
mod compare;
mod demo;
mod exit;
mod measure;
mod mounted;
mod new;
mod next;
mod plan;
mod report;
mod screen;
mod show;
mod sitting;
mod sweep;
mod test_data;
mod watch;
mod why;

use std::ffi::OsString;
use std::io::{self, Write};
use std::path::PathBuf;

use clap::{Parser, Subcommand};
use jiff::tz::TimeZone;

use crate::study::Study;

pub use exit::{Exit, Failure};

/// Measures a shared storage pool before, during and after it grows, and says what changed.
#[derive(Debug, Parser)]
#[command(
    name = "poolproof",
    version,
    after_help = "Examples:\n  poolproof demo\n  poolproof plan --pool raid6 --drives 4 --drive-size 6TB --adding 1\n  poolproof new scans --share /mnt/scans --pool raid6 --drives 4 --adding 1 --drive-size 6TB\n  poolproof measure scans --phase before\n  poolproof check scans\n  poolproof watch scans\n  poolproof compare scans\n  poolproof next scans\n\nExit codes: 0 done, 1 unexpected failure, 2 usage, 3 study, 4 share or failed trials, 5 check: not yet, 6 check: no, 7 plan: should not be done, 8 watch: alarm, 130 interrupted.",
    disable_help_subcommand = true
)]
struct Arguments {
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
    Show(show::Arguments),
    Why(why::Arguments),
    Compare(compare::Arguments),
    Next(next::Arguments),
    Report(report::Arguments),
    Clean(clean::Arguments),
    Demo(demo::Arguments),
}

/// The folder of a study.
#[derive(Debug, clap::Args)]
struct StudyFolder {
    /// Folder of the study.
    #[arg(value_name = "STUDY")]
    study: PathBuf,
}

/// Runs the command line `arguments`, the program's name first.
pub fn run(arguments: impl IntoIterator<Item = OsString>) -> Exit {
    let arguments = match Arguments::try_parse_from(arguments) {
        Ok(arguments) => arguments,
        Err(error) => {
            let wanted = !error.use_stderr();
            // Help that cannot be printed is no reason for another error.
            let _ = error.print();
            return if wanted { Exit::Done } else { Exit::Usage };
        }
    };
    let done = match arguments.command {
        Command::Plan(arguments) => plan::run(&arguments),
        Command::New(arguments) => new::run(&arguments),
        Command::Check(arguments) => check::run(&arguments),
        Command::Measure(arguments) => measure::run(&arguments),
        Command::Sweep(arguments) => sweep::run(&arguments),
        Command::Watch(arguments) => watch::run(&arguments),
        Command::Show(arguments) => show::run(&arguments),
        Command::Why(arguments) => why::run(&arguments),
        Command::Compare(arguments) => compare::run(&arguments),
        Command::Next(arguments) => next::run(&arguments),
        Command::Report(arguments) => report::run(&arguments),
        Command::Clean(arguments) => clean::run(&arguments),
        Command::Demo(arguments) => demo::run(&arguments),
    };
    match done {
        Ok(exit) => exit,
        Err(failure) => {
            say(&format!("error: {}", failure.message));
            failure.exit
        }
    }
}

/// Prints a result on standard output. A reader that has gone away is no error.
fn print(text: &str) -> Result<(), Failure> {
    let mut out = io::stdout().lock();
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        Err(error) if error.kind() != io::ErrorKind::BrokenPipe => Err(error.into()),
        _ => Ok(()),
    }
}

/// Says something on standard error; when nobody listens, nothing is lost.
fn say(text: &str) {
    let _ = writeln!(io::stderr(), "{text}");
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

/// Columns of the terminal, 80 where it does not tell.
fn width() -> usize {
    let columns = rustix::termios::tcgetwinsize(io::stdout()).map_or(0, |size| size.ws_col);
    if columns == 0 {
        80
    } else {
        usize::from(columns).max(80)
    }
}

//! `poolproof allow`: lets commands of a study run on this machine.

use std::io::{stderr, stdin};

use super::consent::{ask, keep, record, terminal};
use super::{Exit, Failure, print};
use crate::store;
use crate::text::path;

/// Shows the commands in study.toml and lets them run on this machine.
///
/// A study may come from somebody else, so its commands run only after you have seen and allowed
/// them, each once; one that changes is asked about again. What you type on the command line is yours
/// and needs no permission.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Examples:\n  poolproof allow scans\n  poolproof allow scans --yes\n\nWithout a terminal and without --yes it only shows them. Ends with 0 when all may run, with 9 when one may not."
)]
pub(super) struct Arguments {
    #[command(flatten)]
    folder: super::StudyFolder,
    /// Allow all that are shown, without asking.
    #[arg(long)]
    yes: bool,
}

pub(super) fn run(arguments: &Arguments) -> Result<Exit, Failure> {
    let root = &arguments.folder.study;
    let config = store::read_config(root)?;
    let mut record = record()?;
    let (mut refused, mut text) = (0, String::new());
    for (place, command) in config.commands() {
        let mut may = record.holds(config.id, place, command);
        if !may && (arguments.yes || terminal()) {
            may = arguments.yes
                || ask(
                    place,
                    command,
                    root,
                    &mut stdin().lock(),
                    &mut stderr().lock(),
                )?;
            if may {
                keep(&mut record, &config, place, command)?;
            }
        }
        refused += usize::from(!may);
        let state = if may { "allowed" } else { "not allowed" };
        text += &format!("{place}: {state}\n    {}\n", command.shown());
    }
    if text.is_empty() {
        text = "study.toml holds no commands\n".to_owned();
    } else {
        let path = path(record.path());
        text += &format!("what is allowed is kept in {path}; strike out a line to take it back\n");
    }
    print(&text)?;
    if refused == 0 {
        return Ok(Exit::Done);
    }
    let message = format!("{refused} of the commands may not run: look at them, then add --yes");
    Err(Failure::new(Exit::NotAllowed, message))
}

//! Lets commands of `study.toml` run, when the person on this machine has allowed them.
//!
//! At a terminal the person is shown each new one and asked once; elsewhere a new one does not run,
//! and it is said how to allow it.

use std::io::{BufRead, IsTerminal, Read, Write, stderr, stdin};
use std::path::Path;

use jiff::Timestamp;

use super::{Exit, Failure, say};
use crate::store::{Allowed, state_folder};
use crate::study::{Config, Place, ShellCommand};
use crate::text::path;

/// What came of looking at the commands of a study.
#[derive(Debug, Default)]
pub(super) struct Settled {
    /// The places whose commands may run.
    pub(super) allowed: Vec<Place>,
    /// The others, each with a sentence.
    refused: Vec<(Place, String)>,
}

impl Settled {
    /// Says which commands do not run, those aside of which an error will tell.
    pub(super) fn say_all_but(&self, told: Option<Place>) {
        let others = self
            .refused
            .iter()
            .filter(|(place, _)| Some(*place) != told);
        others.for_each(|(_, sentence)| say(sentence));
    }
}

/// Settles which commands at `places` of `config`, of the study in the folder `root`, may run.
///
/// # Errors
/// When standard error or input fails while the person is asked, or the answer cannot be kept.
pub(super) fn settle(config: &Config, root: &Path, places: &[Place]) -> Result<Settled, Failure> {
    let mut settled = Settled::default();
    let mut commands = config.commands();
    commands.retain(|(place, _)| places.contains(place));
    if commands.is_empty() {
        return Ok(settled);
    }
    let mut record = match record() {
        Ok(record) => record,
        Err(why) => {
            let sentence = |place| format!("{place} does not run: {}", why.message);
            let refused = commands
                .into_iter()
                .map(|(place, _)| (place, sentence(place)));
            settled.refused.extend(refused);
            return Ok(settled);
        }
    };
    for (place, command) in commands {
        let mut may = record.holds(config.id, place, command);
        if !may && terminal() {
            may = ask(
                place,
                command,
                root,
                &mut stdin().lock(),
                &mut stderr().lock(),
            )?;
            if may {
                keep(&mut record, config, place, command)?;
            }
        }
        match may {
            true => settled.allowed.push(place),
            false => settled.refused.push((place, refusal(place, command, root))),
        }
    }
    Ok(settled)
}

/// Whether somebody can be asked.
pub(super) fn terminal() -> bool {
    stdin().is_terminal() && stderr().is_terminal()
}

/// The record of what was allowed.
pub(super) fn record() -> Result<Allowed, Failure> {
    let folder = state_folder().ok_or_else(|| {
        let why = "neither XDG_STATE_HOME nor HOME says where to keep what you allow: set one";
        Failure::new(Exit::NotAllowed, why)
    })?;
    Allowed::read(&folder).map_err(|error| {
        let folder = folder.display();
        let why = format!("what you allowed, in {folder}, cannot be read: {error}");
        Failure::new(Exit::NotAllowed, why)
    })
}

/// Keeps that a command was allowed.
pub(super) fn keep(
    record: &mut Allowed,
    config: &Config,
    place: Place,
    command: &ShellCommand,
) -> Result<(), Failure> {
    let added = record.add(config.id, place, command, Timestamp::now());
    added.map_err(|error| {
        let path = path(record.path());
        Failure::new(
            Exit::NotAllowed,
            format!("{path} cannot be written: {error}"),
        )
    })
}

/// Why a command does not run, and what to do about it.
pub(super) fn refusal(place: Place, command: &ShellCommand, root: &Path) -> String {
    let (shown, study) = (command.shown(), path(root));
    format!(
        "{place} was not allowed on this machine and does not run (`{shown}`): look at it and allow it with `poolproof allow {study}`"
    )
}

/// Shows a command and asks whether it may run; no answer is no.
pub(super) fn ask(
    place: Place,
    command: &ShellCommand,
    root: &Path,
    answers: &mut impl BufRead,
    screen: &mut impl Write,
) -> Result<bool, Failure> {
    let study = path(root);
    write!(
        screen,
        "{place} of {study} would run on this machine, as you, {}:\n\n    {}\n\nAllow it from now on? It is asked again when it changes. [y/N] ",
        place.purpose(),
        command.shown()
    )?;
    screen.flush()?;
    let mut answer = String::new();
    let mut few = Read::take(answers, 80);
    few.read_line(&mut answer)?;
    Ok(matches!(answer.trim().to_lowercase().as_str(), "y" | "yes"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_a_clear_yes_is_one_and_what_is_shown_hides_nothing() {
        let command = ShellCommand::typed("cat x\u{1b}[1A\u{202E}y");
        for (answer, allowed) in [
            ("y\n", true),
            ("Yes\n", true),
            ("n\n", false),
            ("\n", false),
            ("", false),
            ("sure\n", false),
            ("yy\n", false),
        ] {
            let mut screen = Vec::new();
            let root = Path::new("sc\u{1b}ans");
            let said = ask(
                Place::Reshape,
                &command,
                root,
                &mut answer.as_bytes(),
                &mut screen,
            );
            assert_eq!(said.unwrap(), allowed, "{answer:?}");
            let text = String::from_utf8(screen).unwrap();
            assert!(text.contains("cat x\\u{1b}[1A\\u{202e}y"), "{text}");
            assert!(
                text.chars().all(|c| c == '\n' || !c.is_control()),
                "{text:?}"
            );
        }
    }
}

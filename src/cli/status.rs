//! `poolproof STUDY`, and `poolproof` alone: where a study stands, and what is next.

use std::ffi::OsString;
use std::path::{Path, PathBuf};

use super::check::moment;
use super::help::command;
use super::{Exit, Failure, note, print, width};
use crate::compare::{Rules, compare};
use crate::judge::judge_all;
use crate::ready::next;
use crate::text::{nearest, plain};
use crate::{report, store, text};

/// Tells where a study stands and what is next; of a folder with several, each in a line.
///
/// `poolproof STUDY` is short for it, and `poolproof` alone for this folder. It only reads the study:
/// `next` also looks at the share.
#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:\n  poolproof status scans\n  poolproof scans\n  poolproof")]
pub(super) struct Arguments {
    /// Folder of a study, or of several [default: this one].
    #[arg(value_name = "STUDY")]
    study: Option<PathBuf>,
}

/// What is said where nothing has begun.
const WELCOME: &str = "\
There is no study in this folder.

See the whole job first, on a made-up pool:    poolproof demo
What a drive would give, before you buy it:    poolproof plan
Begin with a share that is mounted:            poolproof new scans --share /mnt/scans
Everything else:                               poolproof --help
";

pub(super) fn run(arguments: &Arguments) -> Result<Exit, Failure> {
    let here = Path::new(".");
    let root = arguments.study.as_deref().unwrap_or(here);
    if store::is_study(root) {
        // As it would be typed from here.
        let typed = match root == here {
            true => ".".to_owned(),
            false => text::typed(root),
        };
        print(&one(root, &typed)?)?;
        return Ok(Exit::Done);
    }
    let studies = store::studies(root);
    match (studies.is_empty(), &arguments.study) {
        (true, None) => print(WELCOME)?,
        (true, Some(root)) => return Err(store::StoreError::NoStudy(root.clone()).into()),
        (false, _) => {
            for name in &studies {
                print(&line(&root.join(name), name))?;
            }
            note("`poolproof NAME` tells more of one of them");
        }
    }
    Ok(Exit::Done)
}

/// The words of a command line, the program's name first, with `status` where it was left out: where no
/// command was named, or a folder in its place. A folder that has the name of a command is written
/// `./NAME`.
pub(super) fn spelled_out(words: Vec<OsString>) -> Vec<OsString> {
    let typed: Vec<&OsString> = words.iter().skip(1).collect();
    let is_flag = |word: &&&OsString| word.to_string_lossy().starts_with('-');
    let loudness =
        |word: &&OsString| ["-q", "--quiet", "-v", "--verbose"].contains(&&*word.to_string_lossy());
    let missing = match typed
        .iter()
        .filter(|word| !is_flag(word))
        .collect::<Vec<_>>()[..]
    {
        [] => typed.iter().all(loudness),
        [word] => {
            let beside = |other: &&OsString| loudness(other) || asks_for_help(other);
            typed.iter().all(|other| other == word || beside(other)) && is_meant(word)
        }
        _ => false,
    };
    match missing {
        true => {
            let mut words = words;
            words.insert(1.min(words.len()), "status".into());
            words
        }
        false => words,
    }
}

fn asks_for_help(word: &OsString) -> bool {
    ["-h", "--help"].contains(&&*word.to_string_lossy())
}

/// Whether a single word means a folder: there is one, and no command of that name; or it is closer to
/// the name of a study here than to that of a command.
fn is_meant(word: &OsString) -> bool {
    let command = command();
    let names: Vec<&str> = command
        .get_subcommands()
        .map(clap::Command::get_name)
        .collect();
    let text = word.to_string_lossy();
    if names.contains(&&*text) {
        return false;
    }
    let studies = store::studies(Path::new("."));
    let near = nearest(&text, studies.iter().map(String::as_str));
    Path::new(word).is_dir() || (near.is_some() && nearest(&text, names).is_none())
}

fn one(root: &Path, typed: &str) -> Result<String, Failure> {
    let study = store::read(root)?;
    study.remarks.iter().for_each(|remark| super::say(remark));
    let judgements = judge_all(&study);
    let comparison = compare(&study, &judgements, Rules::of(&study));
    let follows = next(&study, None, moment(&study)).at(typed);
    Ok(report::status_text(
        &study,
        &judgements,
        &comparison,
        &follows,
        width(),
    ))
}

/// A study among several; one that cannot be read does not hide the others.
fn line(root: &Path, name: &str) -> String {
    match store::read(root) {
        Ok(study) => report::status_line(&next(&study, None, moment(&study)), name, width()),
        Err(error) => format!("{}: {error}\n", plain(name)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_command_line_without_a_command_asks_for_the_status() {
        let out = |line: &str| -> String {
            let words = line.split(' ').map(OsString::from).collect();
            let words: Vec<String> = spelled_out(words)
                .into_iter()
                .map(|word| word.into_string().unwrap())
                .collect();
            words.join(" ")
        };
        assert_eq!(out("poolproof"), "poolproof status");
        assert_eq!(out("poolproof -q"), "poolproof status -q");
        // Tests run in the folder of the package, which has this one.
        assert_eq!(out("poolproof src"), "poolproof status src");
        assert_eq!(
            out("poolproof ./src --verbose"),
            "poolproof status ./src --verbose"
        );
        // Help about a study is help about what its name alone does.
        assert_eq!(out("poolproof src --help"), "poolproof status src --help");
        assert_eq!(out("poolproof -h src"), "poolproof status -h src");
        for whole in [
            "poolproof show --help",
            "poolproof --help",
            "poolproof src --help tests",
            "poolproof show",
            "poolproof shwo",
            "poolproof src --csv",
            "poolproof src tests",
            "poolproof --version",
        ] {
            assert_eq!(out(whole), whole);
        }
    }
}

//! `poolproof docs`: man pages and shell completions.

use std::path::PathBuf;

use clap::Command;
use clap_complete::Shell;
use clap_mangen::Man;
use clap_mangen::roff::{Roff, bold, roman};

use super::help::{command, examples};
use super::{Exit, Failure, print};
use crate::store::publish;
use crate::text::path;

/// Writes man pages and shell completions.
///
/// DIR/man1 has a page for the program and one for each command: read them with `man -M DIR poolproof`,
/// or put the folder where man looks (/usr/local/share/man). DIR/completions has one file each for
/// bash, zsh and fish; README says where they go. Packages bring both along.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Examples:\n  poolproof docs handbook\n  poolproof docs /usr/local/share/man"
)]
pub(super) struct Arguments {
    /// Folder to write into, made when it is missing.
    #[arg(value_name = "DIR")]
    folder: PathBuf,
}

/// The shells that have completions, each with the name of its file, as it looks for it.
const SHELLS: [(Shell, &str); 3] = [
    (Shell::Bash, "poolproof.bash"),
    (Shell::Zsh, "_poolproof"),
    (Shell::Fish, "poolproof.fish"),
];

pub(super) fn run(arguments: &Arguments) -> Result<Exit, Failure> {
    let mut files = pages()?;
    let count = files.len();
    for (shell, name) in SHELLS {
        let mut text = Vec::new();
        clap_complete::generate(shell, &mut command(), "poolproof", &mut text);
        files.push((format!("completions/{name}"), text));
    }
    publish(&arguments.folder, &files)?;
    let folder = path(&arguments.folder);
    print(&format!(
        "{count} man pages in {folder}/man1; completions for bash, zsh and fish in {folder}/completions\n"
    ))?;
    Ok(Exit::Done)
}

/// The man pages with their names, the program's own first.
fn pages() -> Result<Vec<(String, Vec<u8>)>, Failure> {
    let mut whole = command();
    // What holds for the whole reaches its commands.
    whole.build();
    let mut pages = vec![("man1/poolproof.1".to_owned(), page(whole.clone(), &[])?)];
    let names: Vec<&str> = whole.get_subcommands().map(Command::get_name).collect();
    for command in whole.get_subcommands() {
        let name = format!("poolproof-{}", command.get_name());
        let shown = command
            .clone()
            .bin_name(format!("poolproof {}", command.get_name()))
            .display_name(name.clone());
        pages.push((format!("man1/{name}.1"), page(shown, &names)?));
    }
    Ok(pages)
}

/// The page of a command; `others` are its siblings, none of the whole.
fn page(command: Command, others: &[&str]) -> Result<Vec<u8>, Failure> {
    let whole = others.is_empty();
    let explanation = command.get_after_long_help().map(ToString::to_string);
    let name = command
        .get_display_name()
        .unwrap_or(command.get_name())
        .to_owned();
    let man = Man::new(command)
        .title(name.as_str())
        .section("1")
        .source(concat!("poolproof ", env!("CARGO_PKG_VERSION")))
        .manual("poolproof");
    let mut text = Vec::new();
    man.render_title(&mut text)?;
    man.render_name_section(&mut text)?;
    man.render_synopsis_section(&mut text)?;
    man.render_description_section(&mut text)?;
    man.render_options_section(&mut text)?;
    if whole {
        man.render_subcommands_section(&mut text)?;
    }
    explained(&explanation.unwrap_or_default()).to_writer(&mut text)?;
    if whole {
        surroundings().to_writer(&mut text)?;
    }
    let mut seen = Roff::new();
    seen.control("SH", ["SEE ALSO"]);
    match whole {
        true => seen.text([roman("The page of each command: poolproof-COMMAND(1).")]),
        false => seen.text([bold("poolproof"), roman("(1)")]),
    };
    seen.to_writer(&mut text)?;
    Ok(text)
}

/// The examples of an explanation and what else it says.
fn explained(explanation: &str) -> Roff {
    let mut roff = Roff::new();
    roff.control("SH", ["EXAMPLES"]);
    for example in examples(explanation) {
        roff.control("PP", []).text([bold(example)]);
    }
    let is_example = |line: &str| examples(line).next().is_some();
    let rest: Vec<&str> = explanation
        .lines()
        .map(str::trim)
        .filter(|line| !is_example(line) && !line.starts_with("Example"))
        .filter(|line| !line.is_empty())
        .collect();
    if !rest.is_empty() {
        roff.control("SH", ["NOTES"]);
    }
    for line in rest {
        roff.control("PP", []).text([roman(line)]);
    }
    roff
}

/// What the program reads of its surroundings.
fn surroundings() -> Roff {
    let mut roff = Roff::new();
    let mut section = |title: &str, entries: &[(&str, &str)]| {
        roff.control("SH", [title]);
        for (name, meaning) in entries {
            roff.control("TP", [])
                .text([bold(*name)])
                .text([roman(*meaning)]);
        }
    };
    section(
        "ENVIRONMENT",
        &[
            (
                "RUST_LOG",
                "Logs on standard error: a level (error, warn, info, debug, trace), or levels by room, as poolproof::store=trace,warn. Unset or empty: none.",
            ),
            (
                "XDG_STATE_HOME",
                "Where it is kept which commands of a study may run on this machine (poolproof/allowed.csv); else ~/.local/state.",
            ),
            (
                "LC_ALL, LC_CTYPE, LANG",
                "Where they name a locale without UTF-8, results for people are in ASCII.",
            ),
        ],
    );
    section(
        "FILES",
        &[(
            "STUDY/study.toml",
            "What you said of pool, share and limits; trials.csv and the other tables stand beside it.",
        )],
    );
    roff
}

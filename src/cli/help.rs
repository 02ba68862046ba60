//! The command line as it explains itself: short with `-h`, long with `--help` and in the man pages.

use clap::{Command, CommandFactory, FromArgMatches};

use super::Arguments;

/// The command line. Each command declares its examples with what else there is to say of it; the
/// short help has the first of them.
pub(super) fn command() -> Command {
    shortened(Arguments::command().mut_subcommands(shortened))
}

fn shortened(command: Command) -> Command {
    let Some(long) = command.get_after_help().map(ToString::to_string) else {
        return command;
    };
    let first = examples(&long).next().unwrap_or_default();
    let short = format!("Example:\n  {first}\n\nMore is said with --help.");
    command.after_help(short).after_long_help(long)
}

/// The command lines in an explanation.
pub(super) fn examples(explanation: &str) -> impl Iterator<Item = &str> {
    let lines = explanation.lines().map(str::trim);
    lines.filter(|line| *line == "poolproof" || line.starts_with("poolproof "))
}

/// What the words of a command line mean, the program's name first.
pub(super) fn parsed(words: Vec<std::ffi::OsString>) -> Result<Arguments, clap::Error> {
    let matches = command().try_get_matches_from(words)?;
    Arguments::from_arg_matches(&matches)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Words as a shell takes them apart: blanks, and quotes without anything special inside.
    fn words(line: &str) -> Vec<std::ffi::OsString> {
        let mut words = vec![String::new()];
        let mut quoted = false;
        for c in line.chars() {
            match c {
                '\'' => quoted = !quoted,
                ' ' if !quoted => words.push(String::new()),
                c => words.last_mut().unwrap().push(c),
            }
        }
        words.into_iter().map(Into::into).collect()
    }

    #[test]
    fn every_command_has_examples_that_are_understood() {
        let whole = command();
        let mut count = 0;
        for command in whole.get_subcommands().chain([&whole]) {
            let name = command.get_name();
            let long = command.get_after_long_help().map(ToString::to_string);
            let long = long.unwrap_or_else(|| panic!("{name} has no examples"));
            let short = command.get_after_help().unwrap().to_string();
            let first = examples(&long).next().unwrap();
            assert!(
                short.contains(first) && short.len() < 300,
                "{name}: {short}"
            );
            for example in examples(&long) {
                // What follows is the shell's.
                let line = ["||", ">"].iter().fold(example, |line, end| {
                    line.split_once(end).map_or(line, |(line, _)| line)
                });
                if line.trim() == "poolproof" || line.trim() == "poolproof scans" {
                    continue;
                }
                if let Err(error) = parsed(words(line.trim())) {
                    panic!("{example}: {error}");
                }
                count += 1;
            }
        }
        assert!(count > 30, "{count}");
        whole.debug_assert();
    }
}

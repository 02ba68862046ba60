//! Options of earlier versions: refused, with what is typed in their place.

use std::ffi::OsString;

/// An option that is no more.
struct Removed {
    /// The command that had it.
    command: &'static str,
    /// As it was typed.
    option: &'static str,
    /// What is typed in its place.
    now: &'static str,
}

const REMOVED: [Removed; 2] = [
    Removed {
        command: "measure",
        option: "--engine",
        now: "--submit, as --submit threads or --submit ring",
    },
    Removed {
        command: "plan",
        option: "--priority",
        now: "--reshape-share, the part of the drives' time that the reshape gets while people work, as --reshape-share 20%",
    },
];

/// A sentence on the first option of `words`, the program's name first, that is no more.
pub(super) fn refusal(words: &[OsString]) -> Option<String> {
    let words: Vec<_> = words
        .iter()
        .skip(1)
        .map(|word| word.to_string_lossy())
        .collect();
    let command = words.iter().find(|word| !word.starts_with('-'))?;
    let options = words.iter().take_while(|word| *word != "--");
    let is_removed = |removed: &&Removed| {
        let is_it = |word: &str| {
            let value = word.strip_prefix(removed.option);
            value.is_some_and(|value| value.is_empty() || value.starts_with('='))
        };
        removed.command == command && options.clone().any(|word| is_it(word))
    };
    let removed = REMOVED.iter().find(is_removed)?;
    Some(format!("{} is now {}", removed.option, removed.now))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cli::help::command;

    fn refused(line: &str) -> Option<String> {
        let words: Vec<OsString> = line.split(' ').map(Into::into).collect();
        refusal(&words)
    }

    #[test]
    fn an_option_that_is_no_more_is_refused_with_the_new_one() {
        for (line, now) in [
            ("poolproof measure scans --engine ring", "--submit"),
            ("poolproof -q measure --engine=ring scans", "--submit"),
            ("poolproof plan --priority low", "--reshape-share"),
        ] {
            let sentence = refused(line).unwrap();
            assert!(
                sentence.contains("is now") && sentence.contains(now),
                "{sentence}"
            );
        }
        for line in [
            "poolproof",
            "poolproof measure scans --submit ring",
            "poolproof plan -- --priority",
            "poolproof measure scans --priority low",
            "poolproof plan --priorities",
        ] {
            assert_eq!(refused(line), None, "{line}");
        }
    }

    #[test]
    fn what_is_typed_in_its_place_is_there_and_the_old_one_is_not() {
        let whole = command();
        for removed in &REMOVED {
            let command = whole.find_subcommand(removed.command).unwrap();
            let has = |option: &str| {
                let name = option.trim_start_matches('-');
                command
                    .get_arguments()
                    .any(|of| of.get_long() == Some(name))
            };
            let now = removed.now.split([',', ' ']).next().unwrap();
            assert!(has(now) && !has(removed.option), "{}", removed.option);
        }
    }
}

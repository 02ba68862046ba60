//! A bare percentage, from whatever prints one: the last line that says anything counts.

use super::{decimal, quote};
use crate::reshape::reading::{Reported, Word};

/// No source is known to go further past its end than this.
const MOST: f64 = 200.0;

pub(super) fn read(text: &str) -> Result<Reported, String> {
    let line = text
        .lines()
        .map(str::trim)
        .rfind(|line| !line.is_empty())
        .ok_or("there is no text: print a percentage, as 37.5")?;
    let (number, word) = match line.split_once(char::is_whitespace) {
        Some((number, rest)) if decimal(number.trim_end_matches('%')).is_some() => {
            (number, rest.trim().trim_start_matches('%').trim())
        }
        _ if decimal(line.trim_end_matches('%')).is_some() => (line, ""),
        _ => ("", line),
    };
    let percent = decimal(number.trim_end_matches('%'));
    let word = match (word, percent) {
        ("", Some(percent)) if percent >= 100.0 => Word::Finished,
        ("" | "running", Some(_)) => Word::Running,
        ("paused", _) => Word::Paused,
        ("finished", _) => Word::Finished,
        _ => {
            return Err(format!(
                "{} is no percentage: print a number, as 37.5, and behind it paused or finished where that is so",
                quote(line)
            ));
        }
    };
    if percent.is_some_and(|percent| percent > MOST) {
        return Err(format!("{} is past all bounds", quote(line)));
    }
    Ok(Reported {
        fraction: percent.map(|percent| percent / 100.0),
        ..Reported::bare(word, "")
    })
}

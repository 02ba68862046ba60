//! `btrfs balance status`: chunks, of which the total is an estimate that may change.
//!
//! Format: `cmds/balance.c` of btrfs-progs.

use super::{decimal, quote};
use crate::reshape::reading::{CANCELLED, Extent, Reported, Word};

/// The printed remainder is rounded to a whole percent, and both counts may move while it is made.
const ROUNDING: f64 = 1.5;

pub(super) fn read(text: &str) -> Result<Reported, String> {
    let lines = || text.lines().map(str::trim);
    if lines().any(|line| line.starts_with("No balance found on")) {
        return Ok(Reported::bare(Word::Absent, "no balance runs"));
    }
    if let Some(line) = lines().find(|line| line.starts_with("Done, had to relocate")) {
        return Ok(Reported::bare(Word::Finished, line));
    }
    let state = lines()
        .filter(|line| line.starts_with("Balance on '"))
        .find_map(|line| Some(line.rsplit_once("' is ")?.1))
        .ok_or_else(|| {
            format!(
                "this is no text of `btrfs balance status`: it begins with {}",
                quote(text.lines().next().unwrap_or_default())
            )
        })?;
    let (word, note) = match state {
        "running" => (Word::Running, ""),
        "paused" => (Word::Paused, ""),
        "running, pause requested" => (Word::Running, "a pause was requested"),
        "running, cancel requested" => (Word::Running, CANCELLED),
        _ => {
            return Err(format!(
                "the balance is in an unknown state: {}",
                quote(state)
            ));
        }
    };
    let counts = lines().find(|line| line.contains("out of about"));
    match counts {
        Some(line) => {
            let (done, expected) = counted(line)
                .ok_or_else(|| format!("the line is cut off or damaged: {}", quote(line)))?;
            let fraction = (expected > 0.0).then(|| done / expected);
            contradiction(line, fraction)?;
            Ok(Reported {
                fraction,
                done: Some(done),
                total: Some(expected),
                extent: Some(Extent::Chunks),
                ..Reported::bare(word, note)
            })
        }
        None if word == Word::Running => {
            Err("the balance runs, but the line that counts its chunks is missing".to_owned())
        }
        None => Ok(Reported::bare(word, note)),
    }
}

/// `1 out of about 27 chunks balanced (5 considered),  96% left`.
fn counted(line: &str) -> Option<(f64, f64)> {
    let (done, rest) = line.split_once(" out of about ")?;
    let (expected, rest) = rest.split_once(" chunks balanced")?;
    rest.contains(" considered)").then_some(())?;
    let count = |text: &str| text.trim().parse::<u64>().ok().map(|count| count as f64);
    Some((count(done)?, count(expected)?))
}

/// The remainder stands beside the counts; where it belongs to others, the text is damaged.
fn contradiction(line: &str, fraction: Option<f64>) -> Result<(), String> {
    let left = line
        .rsplit_once(',')
        .and_then(|(_, left)| left.trim().strip_suffix("% left"))
        .and_then(|left| decimal(left.trim()));
    match (left, fraction) {
        (Some(left), Some(fraction)) if (100.0 * (1.0 - fraction) - left).abs() > ROUNDING => {
            Err(format!("the line contradicts itself: {}", quote(line)))
        }
        _ => Ok(()),
    }
}

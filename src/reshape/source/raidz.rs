//! The `expand:` lines of `zpool status`.
//!
//! Format: `print_raidz_expand_status()` of OpenZFS, `cmd/zpool/zpool_main.c`. Sizes have three
//! digits, so the printed percentage is the better position; it goes past 100, because more than the
//! expected total may be copied. The printed speed is a mean since the start and so no speed of just
//! now; it is left out.

use super::{after, decimal, quote};
use crate::reshape::reading::{Extent, Reported, Word};

/// Three digits in each of two sizes, and a total that grows while users write, in points.
const ROUNDING: f64 = 2.0;

pub(super) fn read(text: &str) -> Result<Reported, String> {
    let Some((line, rest)) = after(text, "expand:") else {
        let is_status = ["pool:", "state:", "scan:"]
            .iter()
            .any(|word| text.lines().any(|line| line.trim().starts_with(word)));
        return match is_status {
            true => Ok(Reported::bare(Word::Absent, "no expansion is mentioned")),
            false => Err(format!(
                "this is no text of `zpool status`: it begins with {}",
                quote(text.lines().next().unwrap_or_default())
            )),
        };
    };
    let rest = rest.trim();
    if rest.starts_with("expanded ") {
        // Cut off before the date it may be anything.
        return match rest.contains(" copied ") && rest.contains(", on ") {
            true => Ok(Reported::bare(Word::Finished, rest)),
            false => Err(format!("the line is cut off: {}", quote(line))),
        };
    }
    if !(rest.starts_with("expansion of ") && rest.contains(" in progress")) {
        return Err(format!("the line is cut off or unknown: {}", quote(line)));
    }
    let counts = text
        .lines()
        .skip_while(|other| *other != line)
        .nth(1)
        .ok_or("the line that follows 'expand:' is missing")?;
    let damaged = || format!("the line is cut off or damaged: {}", quote(counts));
    let (sizes, rest) = counts.split_once(" copied at ").ok_or_else(damaged)?;
    let (done, total) = sizes.split_once(" / ").ok_or_else(damaged)?;
    let (done, total) = size(done).zip(size(total)).ok_or_else(damaged)?;
    let percent = rest
        .split(", ")
        .find_map(|part| part.strip_suffix("% done"))
        .and_then(decimal)
        .ok_or_else(damaged)?;
    // Early on, an interval of three digits says little; a ratio out of place says that the text is
    // damaged.
    if total > 0.0 && (100.0 * done / total - percent).abs() > ROUNDING {
        return Err(format!("the line contradicts itself: {}", quote(counts)));
    }
    // What follows says whether it is held.
    if rest
        .split(", ")
        .filter(|part| !part.trim().is_empty())
        .count()
        < 3
    {
        return Err(damaged());
    }
    let held = rest.contains("paused for");
    Ok(Reported {
        fraction: Some(percent / 100.0),
        done: Some(done),
        total: Some(total),
        extent: Some(Extent::Array),
        ..Reported::bare(
            if held { Word::Paused } else { Word::Running },
            if held {
                "held for a resilver or a clear"
            } else {
                ""
            },
        )
    })
}

/// `12.8T`, powers of 1024.
fn size(text: &str) -> Option<f64> {
    let text = text.trim();
    let digits = text.trim_end_matches(|c: char| c.is_ascii_alphabetic());
    let power = match &text[digits.len()..] {
        "" | "B" => 0,
        "K" => 1,
        "M" => 2,
        "G" => 3,
        "T" => 4,
        "P" => 5,
        "E" => 6,
        _ => return None,
    };
    Some(decimal(digits)? * 1024f64.powi(power))
}

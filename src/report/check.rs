//! The answer to "may the expansion start?" as text and as JSON.

use super::json::json;
use super::layout::{clamp, heading, list, paragraph};
use super::words;
use crate::ready::{CAUTIONS, Line, NEVER, Readiness, State, Verdict, age};
use crate::text::{plain, short};

/// All lines with their evidence and its age, at most `width` characters wide (held between 60 and
/// 110), and both cards; `typed` is the study in a command.
pub fn check_text(readiness: &Readiness, typed: &str, width: usize) -> String {
    let width = clamp(width);
    let banner = words::banner(readiness.simulated);
    let word = match readiness.verdict {
        Verdict::Go => "GO",
        Verdict::NotYet => "NOT YET",
        Verdict::No => "NO",
    };
    let name = plain(&readiness.study);
    let mut text = heading(&short(&format!("{banner}{word}: {name}"), width));
    text += &paragraph(width, "", &sum(readiness));
    if let Some(next) = &readiness.next {
        text += &paragraph(width, "", &format!("Next: {}.", plain(next)));
    }
    text += &format!("\n{banner}Seen from here\n");
    let line = |line: &Line| entry(line, readiness, width);
    text.extend(readiness.seen.iter().map(line));
    text += &format!("\n{banner}Answered for by people\n");
    text.extend(readiness.attested.iter().map(line));
    let missing = |line: &&Line| line.state > State::Holds;
    if readiness.attested.iter().any(|line| missing(&line)) {
        let how = format!(
            "Record an answer: poolproof check {typed} --attest ITEM --by NAME --note TEXT \
             [--on DATE] [--failed]"
        );
        text += &paragraph(width, "", &how);
    }
    text += &list(width, "Before you start", &card(&CAUTIONS));
    text + &list(width, "Never, while it reshapes", &card(&NEVER))
}

/// A card's sentences, for a list.
pub(super) fn card(sentences: &[&str]) -> Vec<String> {
    sentences.iter().map(|text| (*text).to_owned()).collect()
}

/// What the lines come to, in a sentence or two.
fn sum(readiness: &Readiness) -> String {
    let lines = || readiness.seen.iter().chain(&readiness.attested);
    let count = |state: State| lines().filter(|line| line.state == state).count();
    let of = |state: State, several: &str, one: &str| match count(state) {
        1 => format!("1 {one}"),
        number => format!("{number} {several}"),
    };
    let first = match readiness.verdict {
        Verdict::Go => "Everything that must hold holds.".to_owned(),
        Verdict::NotYet => format!(
            "Of {} lines, {} up.",
            lines().count(),
            of(State::NotYet, "hold it", "holds it")
        ),
        Verdict::No => format!(
            "Of {} lines, {} and {} up.",
            lines().count(),
            of(State::No, "forbid it", "forbids it"),
            of(State::NotYet, "hold it", "holds it")
        ),
    };
    let aside = [
        (State::Mind, "To mind"),
        (State::Unknown, "Unknown from here"),
    ];
    let aside = aside.map(|(state, word)| match count(state) {
        0 => String::new(),
        count => format!(" {word}: {count}."),
    });
    first + &aside.concat()
}

fn entry(line: &Line, readiness: &Readiness, width: usize) -> String {
    let indent = " ".repeat(11);
    let age = line
        .at
        .map_or(String::new(), |at| format!(" ({})", age(readiness.now, at)));
    let title = format!("{} ({})", line.title, line.item);
    let first = format!("  {:<9}", line.state.word());
    let mut text = paragraph(width, &first, &title);
    text += &paragraph(width, &indent, &format!("{}{age}", plain(&line.evidence)));
    if !line.advice.is_empty() {
        text += &paragraph(width, &format!("{indent}→ "), &plain(&line.advice));
    }
    text
}

/// The same as JSON.
pub fn check_json(readiness: &Readiness) -> String {
    json(readiness)
}

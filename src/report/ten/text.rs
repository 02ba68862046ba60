//! The verdict and the ten lines for a terminal.

use super::{Line, Standing, Ten};
use crate::report::layout::{clamp, heading, paragraph};
use crate::report::words;

/// The verdict, then a block a line, at most `width` characters wide (held between 60 and 110).
pub(super) fn ten_text(ten: &Ten, width: usize) -> String {
    let width = clamp(width);
    let banner = words::banner(ten.simulated);
    let mut text = heading(&format!("{banner}The expansion in ten lines"));
    text += &paragraph(width, "", &ten.verdict);
    text.push('\n');
    let numbered = (1..).zip(&ten.lines);
    text.extend(numbered.map(|(number, line)| block(number, line, width)));
    text
}

fn block(number: usize, line: &Line, width: usize) -> String {
    let first = format!("{number:>2} {} ", line.standing.sign());
    let standing = line
        .standing
        .word()
        .map_or(String::new(), |word| format!(" [{word}]"));
    let mut text = paragraph(
        width,
        &first,
        &format!("{}:{standing} {}", line.title, line.number),
    );
    let sure = match line.why_sure.as_str() {
        "" => line.sure.to_owned(),
        why => format!("{}: {why}", line.sure),
    };
    let grade = line
        .grade
        .map_or(String::new(), |grade| format!(", grade {grade}"));
    // The sign and the word before the number have said so.
    let sure = match line.standing {
        Standing::Missing => String::new(),
        _ => format!("({sure}{grade})"),
    };
    for told in [&line.comparison, &line.plain, &sure] {
        if !told.is_empty() {
            text += &paragraph(width, "     ", told);
        }
    }
    text
}

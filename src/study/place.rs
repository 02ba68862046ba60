//! Where in a text something stands, for a sentence that says what is wrong there.

use std::ops::Range;

/// `why` with the line and the column, both from 1, in which the bytes `span` of `text` begin.
pub fn placed(text: &str, span: Option<Range<usize>>, why: &str) -> String {
    let why = why.trim();
    let Some(before) = span.and_then(|span| text.get(..span.start)) else {
        return why.to_owned();
    };
    let line = before.matches('\n').count() + 1;
    let column = before.chars().rev().take_while(|c| *c != '\n').count() + 1;
    format!("line {line}, column {column}: {why}")
}

#[cfg(test)]
mod tests {
    use super::placed;

    #[test]
    fn columns_count_characters_from_one() {
        let text = "a = 1\nü = é";
        assert_eq!(placed(text, Some(0..1), "x"), "line 1, column 1: x");
        assert_eq!(placed(text, Some(11..13), " x\n"), "line 2, column 5: x");
        assert_eq!(placed(text, Some(12..13), "x"), "x");
        assert_eq!(placed(text, None, "x"), "x");
    }
}

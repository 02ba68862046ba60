//! Rows as CSV text and back, and what of a damaged table can still be used.
//!
//! Tables are only ever appended to, whole lines at a time. A power cut can leave half a line at
//! the end; it is told apart here and never breaks reading.

use serde::Serialize;
use serde::de::DeserializeOwned;

/// What of a table's bytes is whole.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Whole<'a> {
    /// Lines that end in a line break.
    pub lines: &'a [u8],
    /// Bytes after the last line break: the torn beginning of a line.
    pub torn: &'a [u8],
}

/// Tells whole lines from a torn end. Zero bytes, as some file systems leave at the end of a file
/// after a power cut, belong to the torn end.
pub fn whole(bytes: &[u8]) -> Whole<'_> {
    let text_end = bytes
        .iter()
        .rposition(|byte| *byte != 0)
        .map_or(0, |last| last + 1);
    let end = bytes[..text_end]
        .iter()
        .rposition(|byte| *byte == b'\n')
        .map_or(0, |last| last + 1);
    let (lines, torn) = bytes.split_at(end);
    Whole { lines, torn }
}

/// Why a row cannot be read.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{table} line {line}: {why}; restore the line from a copy, or remove it")]
pub struct TableError {
    /// Name of the table's file.
    pub table: String,
    /// Line, from 1.
    pub line: u64,
    /// What is wrong.
    pub why: String,
}

/// Reads the whole lines of a table. Unknown columns are passed over, so that a table of a newer
/// format is readable where its known columns are.
///
/// # Errors
/// The first row that is not of the table's kind.
pub fn parse<Row: DeserializeOwned>(table: &str, bytes: &[u8]) -> Result<Vec<Row>, TableError> {
    let mut reader = csv::Reader::from_reader(whole(bytes).lines);
    reader
        .deserialize()
        .map(|row| {
            row.map_err(|error: csv::Error| TableError {
                table: table.to_owned(),
                line: error.position().map_or(0, csv::Position::line),
                why: match error.kind() {
                    csv::ErrorKind::Deserialize { err, .. } => err.kind().to_string(),
                    _ => error.to_string(),
                },
            })
        })
        .collect()
}

/// Writes rows as lines, under a header when `header` is set.
pub fn render<Row: Serialize>(rows: &[Row], header: bool) -> String {
    let mut writer = csv::WriterBuilder::new()
        .has_headers(header)
        .from_writer(Vec::new());
    for row in rows {
        writer
            .serialize(row)
            .expect("rows are flat and memory does not fail");
    }
    let bytes = writer.into_inner().expect("memory does not fail");
    String::from_utf8(bytes).expect("rows are text")
}

/// Text as it may stand in a cell: one line, no control characters, at most 500 characters, and
/// never the beginning of a spreadsheet formula.
pub fn cell(text: &str) -> String {
    let clean: String = text
        .chars()
        .map(|c| if c.is_control() { ' ' } else { c })
        .take(500)
        .collect();
    match clean.trim().chars().next() {
        Some('=' | '+' | '-' | '@') => format!("'{}", clean.trim()),
        _ => clean.trim().to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde::Deserialize;

    #[derive(Debug, PartialEq, Serialize, Deserialize)]
    struct Row {
        number: u64,
        text: String,
        rate: Option<f64>,
    }

    fn rows() -> Vec<Row> {
        vec![
            Row {
                number: 1,
                text: "a,\"b\"".into(),
                rate: Some(0.1),
            },
            Row {
                number: 2,
                text: String::new(),
                rate: None,
            },
        ]
    }

    #[test]
    fn a_table_cut_anywhere_reads_its_whole_lines() {
        let text = render(&rows(), true);
        for cut in 0..=text.len() {
            let bytes = &text.as_bytes()[..cut];
            let read: Vec<Row> = parse("t.csv", bytes).unwrap();
            let lines = bytes.iter().filter(|byte| **byte == b'\n').count();
            assert_eq!(read, rows()[..lines.saturating_sub(1)], "cut at {cut}");
            let whole = whole(bytes);
            assert_eq!(whole.lines.len() + whole.torn.len(), cut);
        }
    }

    #[test]
    fn zeros_at_the_end_are_torn() {
        let mut bytes = render(&rows(), true).into_bytes();
        let length = bytes.len();
        bytes.extend([0; 100]);
        assert_eq!(whole(&bytes).lines.len(), length);
        assert_eq!(parse::<Row>("t.csv", &bytes).unwrap(), rows());
    }

    #[test]
    fn a_bad_row_names_its_line() {
        let error = parse::<Row>("t.csv", b"number,text,rate\n1,a,\nx,b,\n").unwrap_err();
        assert_eq!((error.table.as_str(), error.line), ("t.csv", 3));
    }

    #[test]
    fn cells_hold_no_line_breaks_and_no_formulas() {
        assert_eq!(cell("a\nb\u{1b}[31m"), "a b [31m");
        assert_eq!(cell("=1+1"), "'=1+1");
    }
}

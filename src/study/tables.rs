//! Rows as CSV text and back, and what of a damaged table can still be used.
//!
//! Tables are only ever appended to, whole lines at a time. A power cut can leave half a line at
//! the end; it is told apart here and never breaks reading.

use std::borrow::Cow;

use serde::Serialize;
use serde::de::DeserializeOwned;

use super::bounds::{self, Wrong};
use crate::text::short;

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

/// A row of a table.
pub trait Cells: Serialize + DeserializeOwned {
    /// Whether every number, date and text is one that a study may hold.
    ///
    /// # Errors
    /// The first that is not: its column, and why.
    fn check(&self) -> Result<(), Wrong> {
        Ok(())
    }
}

/// Reads the whole lines of a table. Unknown columns are passed over, so that a table of a newer
/// format is readable where its known columns are.
///
/// # Errors
/// The first row that is not of the table's kind, or holds what no study may.
pub fn parse<Row: Cells>(table: &str, bytes: &[u8]) -> Result<Vec<Row>, TableError> {
    let lines = whole(bytes).lines;
    let fail = |line: u64, why: String| TableError {
        table: table.to_owned(),
        line,
        why,
    };
    let mut reader = csv::Reader::from_reader(lines);
    let unreadable = |error: csv::Error| {
        let line = error.position().map_or(1, csv::Position::line);
        fail(line, cause(&error, &csv::StringRecord::new()))
    };
    let head = reader.headers().map_err(unreadable)?.clone();
    if head.len() > bounds::COLUMNS {
        let columns = head.len();
        return Err(fail(
            1,
            format!("{columns} columns are more than {}", bounds::COLUMNS),
        ));
    }
    let mut rows = Vec::new();
    let (mut record, mut begins) = (csv::StringRecord::new(), reader.position().clone());
    while reader
        .read_record(&mut record)
        .map_err(|error| fail(begins.line(), cause(&error, &head)))?
    {
        let line = record.position().map_or(0, csv::Position::line);
        let length = reader.position().byte() - begins.byte();
        begins = reader.position().clone();
        if length > bounds::LINE as u64 {
            return Err(fail(
                line,
                format!("{length} bytes are more than a row has"),
            ));
        }
        if let Some(index) = record.iter().position(|cell| cell.len() > bounds::CELL) {
            let why = format!("more than {} bytes in a cell", bounds::CELL);
            return Err(fail(line, in_column(head.get(index), &why)));
        }
        let row: Row = record
            .deserialize(Some(&head))
            .map_err(|error| fail(line, cause(&error, &head)))?;
        row.check()
            .map_err(|(column, why)| fail(line, in_column(Some(column), &why)))?;
        rows.push(row);
    }
    Ok(rows)
}

fn in_column(column: Option<&str>, why: &str) -> String {
    match column {
        Some(column) => format!("column {}: {why}", short(column, 40)),
        None => why.to_owned(),
    }
}

/// Why a record cannot be read, with its column where that is known.
fn cause(error: &csv::Error, head: &csv::StringRecord) -> String {
    match error.kind() {
        csv::ErrorKind::Deserialize { err, .. } => {
            let column = err.field().and_then(|field| head.get(field as usize));
            in_column(column, &short(&err.kind().to_string(), 200))
        }
        csv::ErrorKind::UnequalLengths {
            expected_len, len, ..
        } => format!("{len} cells where the head has {expected_len}"),
        csv::ErrorKind::Utf8 { err, .. } => {
            in_column(head.get(err.field()), "it is not UTF-8 text")
        }
        _ => error.to_string(),
    }
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

/// Outside text as a study keeps it: one line, no control characters, at most 500 characters.
pub fn line(text: &str) -> String {
    let clean: String = text
        .chars()
        .map(|c| if c.is_control() { ' ' } else { c })
        .take(500)
        .collect();
    clean.trim().to_owned()
}

/// [`line()`], as it may stand in a cell of a table that people open: see [`guard`].
pub fn cell(text: &str) -> String {
    guard(&line(text)).into_owned()
}

/// Whether a spreadsheet would take a cell with this text for a formula: what is before the first
/// visible character does not count, and full-width signs count as their like (common practice, no
/// source).
fn is_formula(text: &str) -> bool {
    let seen = text.trim_start_matches(|c: char| c == APOSTROPHE || c.is_whitespace());
    seen.starts_with(['=', '+', '-', '@', '＝', '＋', '－', '＠']) || text.starts_with(['\t', '\r'])
}

const APOSTROPHE: char = '\'';

/// Text as it stands in a cell: an apostrophe before what a spreadsheet would take for a formula,
/// and before what begins with apostrophes and such a formula, so that [`unguard`] gives back each
/// text as it was. Numbers do not pass here: a column of numbers has no text.
pub fn guard(text: &str) -> Cow<'_, str> {
    match is_formula(text) {
        true => Cow::Owned(format!("{APOSTROPHE}{text}")),
        false => Cow::Borrowed(text),
    }
}

/// The text that [`guard`] made a cell of.
pub fn unguard(cell: &str) -> &str {
    match cell.strip_prefix(APOSTROPHE) {
        Some(text) if is_formula(text) => text,
        _ => cell,
    }
}

/// A field of text in a row: guarded on the way out, with control characters as spaces so that a
/// row is a line, and as it was on the way in.
pub mod guarded {
    use serde::{Deserialize, Deserializer, Serializer};

    /// Writes a text.
    ///
    /// # Errors
    /// Those of the serializer.
    pub fn serialize<S: Serializer>(text: &str, serializer: S) -> Result<S::Ok, S::Error> {
        let line = text.replace(char::is_control, " ");
        serializer.serialize_str(&super::guard(&line))
    }

    /// Reads a text.
    ///
    /// # Errors
    /// Those of the deserializer.
    pub fn deserialize<'de, D: Deserializer<'de>>(deserializer: D) -> Result<String, D::Error> {
        let cell = String::deserialize(deserializer)?;
        Ok(super::unguard(&cell).to_owned())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde::Deserialize;

    #[derive(Debug, PartialEq, Serialize, Deserialize)]
    struct Row {
        number: u64,
        #[serde(with = "guarded")]
        text: String,
        rate: Option<f64>,
    }

    impl Cells for Row {
        fn check(&self) -> Result<(), Wrong> {
            bounds::figures([("rate", self.rate)])
        }
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
    fn a_bad_row_names_its_line_and_column() {
        let long = "x".repeat(bounds::CELL + 1);
        let wide = "c,".repeat(bounds::COLUMNS) + "c\n";
        let huge = format!("number,text,rate\n1,\"{}\",\n", "a,".repeat(bounds::LINE));
        for (text, expected) in [
            (
                "number,text,rate\n1,a,\nx,b,\n",
                "t.csv line 3: column number: invalid digit",
            ),
            (
                "number,text,rate\n1,a,NaN\n",
                "t.csv line 2: column rate: NaN is not a number",
            ),
            (
                "number,text,rate\n1,a,1e400\n",
                "t.csv line 2: column rate: inf is not a number",
            ),
            (
                "number,text,rate\n1,a,-1\n",
                "t.csv line 2: column rate: -1 is not a number",
            ),
            (
                "number,text,rate\n-1,a,\n",
                "t.csv line 2: column number: invalid digit",
            ),
            (
                "number,text,rate\n1,a\n",
                "t.csv line 2: 2 cells where the head has 3",
            ),
            ("number,rate\n1,\n", "t.csv line 2: missing field"),
            (&wide, "t.csv line 1: 257 columns are more than 256"),
            (
                &format!("number,text,rate\n1,{long},\n"),
                "t.csv line 2: column text: more than",
            ),
            (&huge, "t.csv line 2: "),
        ] {
            let error = parse::<Row>("t.csv", text.as_bytes())
                .unwrap_err()
                .to_string();
            assert!(error.starts_with(expected), "{error:.200} for {text:.60}");
        }
        let error = parse::<Row>("t.csv", b"number,text,rate\n1,\xff,\n").unwrap_err();
        assert_eq!(
            (error.line, error.why.as_str()),
            (2, "column text: it is not UTF-8 text")
        );
        assert!(parse::<Row>("t.csv", b"\xff,text\n1,a\n").is_err());
    }

    /// The characters after which a spreadsheet calculates (common practice, no source).
    #[test]
    fn no_cell_is_a_formula_and_each_text_comes_back() {
        let starts = [
            "=", "+", "-", "@", "\t=", "\r=", " =", "＝", "＋", "－", "＠", "'=", "''-", "\t",
        ];
        for start in starts {
            let text = format!("{start}1+1");
            let guarded = guard(&text);
            assert!(guarded.starts_with(APOSTROPHE), "{guarded}");
            assert_eq!(unguard(&guarded), text);
        }
        for text in ["", "'", "'tis", "a=b", "5", "'' x"] {
            assert_eq!((guard(text).as_ref(), unguard(text)), (text, text));
        }
        assert_eq!(unguard("=1"), "=1");
        let row = Row {
            number: 1,
            text: "=1,\n\"x\"".into(),
            rate: Some(1.5),
        };
        let text = render(&[row], true);
        assert_eq!(text, "number,text,rate\n1,\"'=1, \"\"x\"\"\",1.5\n");
    }

    proptest::proptest! {
        #[test]
        fn any_text_comes_back(text in "['=+@\\-＝ \\PC]{0,12}") {
            let cell = guard(&text);
            proptest::prop_assert!(cell.starts_with(APOSTROPHE) || !is_formula(&cell));
            proptest::prop_assert_eq!(unguard(&cell), text.as_str());
        }
    }

    #[test]
    fn lines_hold_no_line_breaks() {
        assert_eq!(line("a\nb\u{1b}[31m"), "a b [31m");
        assert_eq!(
            (line("=1+1"), cell("=1+1")),
            ("=1+1".into(), "'=1+1".into())
        );
    }
}

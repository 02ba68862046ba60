//! Rows as CSV text and back, and what of a damaged table can still be used.
//!
//! Tables are only ever appended to, whole lines at a time. A power cut can leave half a line at
//! the end; it is told apart here and never breaks reading.

use std::borrow::Cow;
use std::io::{self, BufRead, Read};

use serde::Serialize;
use serde::de::DeserializeOwned;

use super::bounds::{self, Wrong};
use super::lines::{Plain, WholeLines};
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

/// Why a table cannot be read.
#[derive(Debug, thiserror::Error)]
pub enum ReadError {
    /// A row is not of the table's kind.
    #[error(transparent)]
    Table(#[from] TableError),
    /// Its bytes did not come.
    #[error(transparent)]
    Io(#[from] io::Error),
}

/// A row of a table.
pub trait Cells: Serialize + DeserializeOwned {
    /// The head under which [`Cells::plain`] may take rows: all columns in their order.
    const HEAD: &str = "";

    /// Whether the first column is the number of a trial.
    const BY_TRIAL: bool = false;

    /// That number.
    fn trial(&self) -> Option<u64> {
        None
    }

    /// A row of plain cells, for tables with very many; `None` leaves the row to serde, which takes
    /// whatever this takes, to the same value.
    fn plain(_cells: &mut Plain<'_>) -> Option<Self> {
        None
    }

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
    let mut rows = Vec::new();
    match read(table, bytes, &|_| true, |row| rows.push(row)) {
        Ok(_) => Ok(rows),
        Err(ReadError::Table(error)) => Err(error),
        Err(ReadError::Io(error)) => unreachable!("bytes in memory are there: {error}"),
    }
}

/// Hands `each` row of the whole lines of a table on, as [`parse`] reads them, and keeps none: a table
/// may be larger than memory. Of tables whose rows begin with the number of a trial, only rows are handed
/// on, and read at all, whose trial is `wanted`. The length of the torn end, in bytes.
///
/// # Errors
/// As [`parse`], and when `source` fails. Rows before that were handed on.
pub fn read<Row: Cells>(
    table: &str,
    source: impl Read,
    wanted: &dyn Fn(u64) -> bool,
    mut each: impl FnMut(Row),
) -> Result<usize, ReadError> {
    let mut each = |row: Row| {
        if row.trial().is_none_or(wanted) {
            each(row);
        }
    };
    let mut lines = WholeLines::new(source);
    match plain_rows(&mut lines, wanted, &mut each)? {
        None => Ok(lines.torn()),
        Some(0) => rows(table, &mut lines, 0, &mut each).map(|()| lines.torn()),
        // The CSV reader goes by the head; its second line is the first of the rest.
        Some(passed) => {
            let head = format!("{}\n", Row::HEAD);
            let rest = head.as_bytes().chain(&mut lines);
            rows(table, rest, passed - 1, &mut each)?;
            Ok(lines.torn())
        }
    }
}

/// Hands plain rows on, under the head of their kind. The lines that were passed when another row
/// came; `None` at the end of the table.
fn plain_rows<Row: Cells>(
    lines: &mut WholeLines<impl Read>,
    wanted: &dyn Fn(u64) -> bool,
    each: &mut impl FnMut(Row),
) -> Result<Option<u64>, ReadError> {
    let head = lines.fill_buf()?.strip_prefix(Row::HEAD.as_bytes());
    if Row::HEAD.is_empty() || head.is_none_or(|rest| !rest.starts_with(b"\n")) {
        return Ok(Some(0));
    }
    lines.consume(Row::HEAD.len() + 1);
    let mut passed = 1;
    loop {
        let block = lines.fill_buf()?;
        if block.is_empty() {
            return Ok(None);
        }
        let mut taken = 0;
        // Rows of a trial stand together.
        let mut passed_over = None;
        while taken < block.len() {
            if Row::BY_TRIAL
                && let Some(trial) = Plain::new(&block[taken..]).count()
                && (passed_over == Some(trial) || !wanted(trial))
                && let Some(length) = block[taken..].iter().position(|byte| *byte == b'\n')
            {
                passed_over = Some(trial);
                taken += length + 1;
                passed += 1;
                continue;
            }
            let mut cells = Plain::new(&block[taken..]);
            let row = Row::plain(&mut cells).filter(|row| row.check().is_ok());
            let Some((row, length)) = row.zip(cells.end()) else {
                lines.consume(taken);
                return Ok(Some(passed));
            };
            each(row);
            taken += length;
            passed += 1;
        }
        lines.consume(taken);
    }
}

/// Hands the rows of a table on, whatever stands in them; `passed` lines of it stand before.
fn rows<Row: Cells>(
    table: &str,
    source: impl Read,
    passed: u64,
    each: &mut impl FnMut(Row),
) -> Result<(), ReadError> {
    let fail = |line: u64, why: String| TableError {
        table: table.to_owned(),
        line: line + passed,
        why,
    };
    let mut reader = csv::Reader::from_reader(source);
    let head = match reader.headers() {
        Ok(head) => head.clone(),
        Err(error) => {
            let line = error.position().map_or(1, csv::Position::line);
            return Err(failed(error, &csv::StringRecord::new(), |why| {
                fail(line, why)
            }));
        }
    };
    if head.len() > bounds::COLUMNS {
        let columns = head.len();
        let why = format!("{columns} columns are more than {}", bounds::COLUMNS);
        return Err(fail(1, why).into());
    }
    let (mut record, mut begins) = (csv::StringRecord::new(), reader.position().clone());
    while reader
        .read_record(&mut record)
        .map_err(|error| failed(error, &head, |why| fail(begins.line(), why)))?
    {
        let line = record.position().map_or(0, csv::Position::line);
        let length = reader.position().byte() - begins.byte();
        begins = reader.position().clone();
        if length > bounds::LINE as u64 {
            let why = format!("{length} bytes are more than a row has");
            return Err(fail(line, why).into());
        }
        if let Some(index) = record.iter().position(|cell| cell.len() > bounds::CELL) {
            let why = format!("more than {} bytes in a cell", bounds::CELL);
            return Err(fail(line, in_column(head.get(index), &why)).into());
        }
        let row: Row = record
            .deserialize(Some(&head))
            .map_err(|error| fail(line, cause(&error, &head)))?;
        row.check()
            .map_err(|(column, why)| fail(line, in_column(Some(column), &why)))?;
        each(row);
    }
    Ok(())
}

/// Tells a failed source from a bad row.
fn failed(
    error: csv::Error,
    head: &csv::StringRecord,
    bad: impl FnOnce(String) -> TableError,
) -> ReadError {
    match error.is_io_error() {
        false => bad(cause(&error, head)).into(),
        true => match error.into_kind() {
            csv::ErrorKind::Io(error) => error.into(),
            other => io::Error::other(format!("{other:?}")).into(),
        },
    }
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

    /// A row with a plain way, beside one like it without.
    #[derive(Debug, PartialEq, Serialize, Deserialize)]
    #[serde(transparent)]
    struct Fast(Row);

    impl Cells for Fast {
        const HEAD: &str = "number,text,rate";

        fn plain(cells: &mut Plain<'_>) -> Option<Self> {
            Some(Self(Row {
                number: cells.count()?,
                text: cells.guarded()?.to_owned(),
                rate: cells.some_figure()?,
            }))
        }

        fn check(&self) -> Result<(), Wrong> {
            self.0.check()
        }
    }

    /// Whatever stands in a table, the plain way reads it as the CSV reader does, and finds the same
    /// wrong with it on the same line.
    #[test]
    fn the_plain_way_is_no_other_way() {
        let parts = [
            "number,text,rate\n",
            "1,a,2.5\n",
            "22,,\n",
            "3,\"b,\n\",1\n",
            "4,'=x,1e3\n",
            "\n",
            "5,c\n",
            "x,c,\n",
            "6,é,-1\n",
            "7,d,0.5\r\n",
            "0x8,e,\n",
            "9,f,1,2\n",
            "text,number\n",
            "8,g,3",
        ];
        let mut rng = crate::seed::Seed(31).child("tables", 0).rng();
        for round in 0..4_000 {
            let mut text = String::new();
            for _ in 0..rng.usize(0..6) {
                text += parts[if rng.bool() {
                    rng.usize(..3)
                } else {
                    rng.usize(..parts.len())
                }];
            }
            if rng.u8(..4) > 0 {
                text.insert_str(0, parts[0]);
            }
            let plain = parse::<Fast>("t.csv", text.as_bytes());
            let plain = plain.map(|rows| rows.into_iter().map(|row| row.0).collect::<Vec<_>>());
            assert_eq!(
                plain,
                parse::<Row>("t.csv", text.as_bytes()),
                "seed 31, round {round}: {text:?}"
            );
        }
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

//! A row of `checks.csv`: what a person answers for, before the expansion and after it.

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use super::bounds::{self, Wrong};
use super::tables::{Cells, line};

/// When an answer is asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Side {
    /// It lets the expansion start.
    Before,
    /// It follows the expansion.
    After,
}

/// How it came out.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Outcome {
    /// It was done, and is good.
    Passed,
    /// It was done, and found something bad.
    Failed,
}

/// One answer. A later one about the same item takes the place of an earlier one.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct CheckRow {
    /// When it was written down.
    pub noted: Timestamp,
    /// When it was done.
    pub done: Timestamp,
    /// Before or after the expansion.
    pub side: Side,
    /// The item's word.
    #[serde(with = "super::tables::guarded")]
    pub item: String,
    /// How it came out.
    pub result: Outcome,
    /// Who says so.
    #[serde(with = "super::tables::guarded")]
    pub by: String,
    /// What they say.
    #[serde(with = "super::tables::guarded")]
    pub note: String,
}

impl CheckRow {
    /// The row with texts of one line, without control characters.
    pub fn in_lines(self) -> Self {
        Self {
            item: line(&self.item),
            by: line(&self.by),
            note: line(&self.note),
            ..self
        }
    }
}

impl Cells for CheckRow {
    fn check(&self) -> Result<(), Wrong> {
        bounds::moment("noted", self.noted)?;
        bounds::moment("done", self.done)
    }
}

#[cfg(test)]
mod tests {
    use super::super::tables::{parse, render};
    use super::*;

    #[test]
    fn hostile_text_stays_in_its_cell_and_reads_back() {
        let row = CheckRow {
            noted: "2026-03-02T08:00:00Z".parse().unwrap(),
            done: "2026-03-01T00:00:00Z".parse().unwrap(),
            side: Side::Before,
            item: "scrub".into(),
            result: Outcome::Passed,
            by: "@SUM(A1)".into(),
            note: "=1+1\r\n\"x\",<b>\u{1b}[31m".into(),
        }
        .in_lines();
        assert_eq!(
            (row.by.as_str(), row.note.as_str()),
            ("@SUM(A1)", "=1+1  \"x\",<b> [31m")
        );
        let text = render(std::slice::from_ref(&row), true);
        assert_eq!(text.lines().count(), 2, "{text}");
        assert!(
            text.contains(",'@SUM") && text.contains("\"'=1+1"),
            "{text}"
        );
        assert_eq!(
            text.lines().next(),
            Some("noted,done,side,item,result,by,note")
        );
        assert_eq!(
            parse::<CheckRow>("checks.csv", text.as_bytes()),
            Ok(vec![row])
        );
    }
}

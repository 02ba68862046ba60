//! How much is read, and which numbers, dates and texts a study may hold.
//!
//! A study may come from somebody else, or be damaged. What is larger than any real study is refused
//! in one sentence before memory is taken for it, and numbers have room to be added up. The limits
//! are far from what the program writes: a hundred days of windows, a trillion trials.

use jiff::Timestamp;

/// The most bytes of `study.toml`.
pub const CONFIG: u64 = 1 << 20;
/// The most bytes of a file of facts.
pub const FACTS: u64 = 1 << 20;
/// The most files of facts.
pub const FACTS_FILES: usize = 10_000;
/// The most bytes of a table or of the latency log.
pub const TABLE: u64 = 512 << 20;
/// The most bytes of a line of a table, line breaks within quotes included.
pub const LINE: usize = 1 << 20;
/// The most bytes of a cell.
pub const CELL: usize = 64 << 10;
/// The most columns of a table.
pub const COLUMNS: usize = 256;
/// The most bytes of a text in `study.toml`: as long as a path of Linux may be.
pub const TEXT: usize = 4096;
/// The largest number of a trial, a sitting, a window or a file.
pub const NUMBER: u64 = 1 << 40;
/// The largest amount of bytes, operations or nanoseconds: what a double counts exactly.
pub const AMOUNT: u64 = 1 << 53;
/// The largest of other numbers.
pub const FIGURE: f64 = 1e18;

/// What is wrong with a value: its column, and why.
pub type Wrong = (&'static str, String);

/// Each number is at most `most`.
///
/// # Errors
/// The first that is larger.
pub fn counts<const N: usize>(most: u64, cells: [(&'static str, u64); N]) -> Result<(), Wrong> {
    let larger = cells.into_iter().find(|(_, value)| *value > most);
    larger.map_or(Ok(()), |(column, value)| {
        Err((column, format!("{value} is more than {most}")))
    })
}

/// As [`counts`], where there may be no number.
///
/// # Errors
/// The first that is larger.
pub fn some_counts<const N: usize>(
    most: u64,
    cells: [(&'static str, Option<u64>); N],
) -> Result<(), Wrong> {
    counts(
        most,
        cells.map(|(column, value)| (column, value.unwrap_or(0))),
    )
}

/// Each number is finite, not negative and not above [`FIGURE`].
///
/// # Errors
/// The first that is not.
pub fn figures<const N: usize>(cells: [(&'static str, Option<f64>); N]) -> Result<(), Wrong> {
    let fits = |value: Option<f64>| value.is_none_or(|value| (0.0..=FIGURE).contains(&value));
    let other = cells.into_iter().find(|(_, value)| !fits(*value));
    other.map_or(Ok(()), |(column, value)| {
        let value = value.unwrap_or_default();
        Err((
            column,
            format!("{value} is not a number from 0 to {FIGURE:e}"),
        ))
    })
}

/// A moment from 1970 to 2199.
///
/// # Errors
/// When it is none.
pub fn moment(column: &'static str, moment: Timestamp) -> Result<(), Wrong> {
    // 2200-01-01T00:00:00Z.
    match (0..7_258_118_400).contains(&moment.as_second()) {
        true => Ok(()),
        false => Err((column, format!("{moment} is not from 1970 to 2199"))),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_first_value_out_of_range_is_named() {
        assert_eq!(counts(5, [("a", 5), ("b", 0)]), Ok(()));
        let wrong = counts(5, [("a", 5), ("b", 6)]).unwrap_err();
        assert_eq!(wrong, ("b", "6 is more than 5".to_owned()));
        assert_eq!(some_counts(5, [("a", None)]), Ok(()));
        for bad in [f64::NAN, f64::INFINITY, -1.0, 2e18] {
            assert_eq!(
                figures([("a", None), ("b", Some(bad))]).unwrap_err().0,
                "b",
                "{bad}"
            );
        }
        for (good, text) in [
            (true, "1970-01-01T00:00:00Z"),
            (true, "2199-12-31T23:59:59Z"),
            (false, "1969-12-31T23:59:59Z"),
            (false, "2200-01-01T00:00:00Z"),
        ] {
            assert_eq!(moment("at", text.parse().unwrap()).is_ok(), good, "{text}");
        }
    }
}

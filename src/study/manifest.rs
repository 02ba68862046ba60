//! The manifest of test data: what happened to it, a row a step.
//!
//! Rows are only ever added. A file is planned here before it is made on the share and removed here
//! after it is gone from there, so that at every moment the manifest names all that may be there.

use serde::{Deserialize, Serialize};

use super::bounds::{self, AMOUNT, NUMBER, Wrong};
use super::tables::{Cells, TableError};
use crate::plan::{DataFile, Phase, Set, TestData};
use crate::units::Bytes;

/// What happened.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum DataEvent {
    /// The folder may be on the share from now on.
    Folder,
    /// A file may be on the share from now on.
    Planned,
    /// A file is written to its end and flushed.
    Complete,
    /// A file is about to be removed, and may be gone from the share from now on.
    Removing,
    /// A file is gone from the share.
    Removed,
    /// The folder is gone from the share, with all that was in it.
    FolderRemoved,
    /// Everything is lost for good, as the person said.
    Forgotten,
}

/// A row of the manifest.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct DataRow {
    /// What happened.
    pub event: DataEvent,
    /// Name of the folder on the share.
    #[serde(with = "super::tables::guarded")]
    pub folder: String,
    /// Number of the file that it happened to; `None` when it happened to the folder.
    pub number: Option<u64>,
    /// What a planned file is for.
    pub set: Option<Set>,
    /// Size of a planned file.
    pub bytes: Option<u64>,
    /// Phase in which a file was planned.
    pub phase: Option<Phase>,
}

impl DataRow {
    /// Something that happened to the folder.
    pub fn folder(event: DataEvent, folder: &str) -> Self {
        Self {
            event,
            folder: folder.to_owned(),
            number: None,
            set: None,
            bytes: None,
            phase: None,
        }
    }

    /// `file` is about to be laid down.
    pub fn planned(folder: &str, file: &DataFile) -> Self {
        Self {
            number: Some(file.number),
            set: Some(file.set),
            bytes: Some(file.bytes.0),
            phase: Some(file.phase),
            ..Self::folder(DataEvent::Planned, folder)
        }
    }

    /// Something that happened to the file with this number.
    pub fn file(event: DataEvent, folder: &str, number: u64) -> Self {
        Self {
            number: Some(number),
            ..Self::folder(event, folder)
        }
    }
}

impl Cells for DataRow {
    fn check(&self) -> Result<(), Wrong> {
        bounds::some_counts(NUMBER, [("number", self.number)])?;
        bounds::some_counts(AMOUNT, [("bytes", self.bytes)])
    }
}

/// The rows that lead to `data`.
pub fn rows(data: &TestData) -> Vec<DataRow> {
    let mut rows = Vec::new();
    if !data.folder.is_empty() {
        rows.push(DataRow::folder(DataEvent::Folder, &data.folder));
    }
    for file in &data.files {
        rows.push(DataRow::planned(&data.folder, file));
        if file.complete {
            let event = DataEvent::Complete;
            rows.push(DataRow::file(event, &data.folder, file.number));
        }
    }
    if let Some(last) = data.next_number.checked_sub(1)
        && data.file(last).is_none()
    {
        rows.push(DataRow::file(DataEvent::Removed, &data.folder, last));
    }
    rows
}

/// What all `rows` of the table `name` come to.
///
/// # Errors
/// The first row that does not fit to those before it.
pub fn fold(name: &str, rows: &[DataRow]) -> Result<TestData, TableError> {
    let mut data = TestData::default();
    for (index, row) in rows.iter().enumerate() {
        apply(&mut data, row).map_err(|why| TableError {
            table: name.to_owned(),
            line: index as u64 + 2,
            why: why.to_owned(),
        })?;
    }
    Ok(data)
}

/// Adds what `row` tells to `data`.
///
/// # Errors
/// When it does not fit: why not.
pub fn apply(data: &mut TestData, row: &DataRow) -> Result<(), &'static str> {
    match (row.event, row.number) {
        (DataEvent::Folder, _) => data.folder.clone_from(&row.folder),
        (DataEvent::FolderRemoved | DataEvent::Forgotten, _) => {
            data.folder.clear();
            data.files.clear();
        }
        (DataEvent::Planned, Some(number)) => {
            let (Some(set), Some(bytes), Some(phase)) = (row.set, row.bytes, row.phase) else {
                return Err("a planned file needs set, bytes and phase");
            };
            if number < data.next_number {
                return Err("the number of a planned file was used before");
            }
            data.next_number = number + 1;
            data.files.push(DataFile {
                number,
                set,
                bytes: Bytes(bytes),
                phase,
                complete: false,
            });
        }
        (DataEvent::Complete, Some(number)) => {
            let planned = data.files.iter_mut().find(|file| file.number == number);
            planned.ok_or("a complete file was never planned")?.complete = true;
        }
        (DataEvent::Removing, Some(number)) => {
            let doomed = data.files.iter_mut().find(|file| file.number == number);
            doomed
                .ok_or("a file to be removed was never planned")?
                .complete = false;
        }
        (DataEvent::Removed, Some(number)) => {
            data.files.retain(|file| file.number != number);
            // What was removed before an older manifest became this one still counts as used.
            data.next_number = data.next_number.max(number + 1);
        }
        (_, None) => return Err("it names no file"),
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::study::tables::{parse, render};

    fn laid() -> TestData {
        let mut data = TestData {
            folder: "poolproof-1".into(),
            next_number: 7,
            files: Vec::new(),
        };
        for (set, complete) in [(Set::Read, true), (Set::Write, false)] {
            let file = data.next_file(set, Bytes::MIB.times(3), Phase::During);
            data.next_number += 1;
            data.files.push(DataFile { complete, ..file });
        }
        data
    }

    #[test]
    fn rows_lead_back_to_the_data_they_were_made_of() {
        for next_number in [9, 20] {
            let data = TestData {
                next_number,
                ..laid()
            };
            let text = render(&rows(&data), true);
            let read = parse("testdata.csv", text.as_bytes()).unwrap();
            assert_eq!(fold("testdata.csv", &read), Ok(data), "{text}");
        }
        assert_eq!(rows(&TestData::default()), []);
    }

    /// A removal that is cut off leaves nothing that counts as whole.
    #[test]
    fn a_file_that_is_about_to_go_is_listed_and_incomplete() {
        let mut data = laid();
        let event = DataEvent::Removing;
        apply(&mut data, &DataRow::file(event, "poolproof-1", 7)).unwrap();
        assert_eq!((data.files.len(), data.files[0].complete), (2, false));
        assert!(apply(&mut data, &DataRow::file(event, "poolproof-1", 3)).is_err());
    }

    #[test]
    fn numbers_are_never_used_twice() {
        let mut data = laid();
        for number in [7, 8] {
            apply(
                &mut data,
                &DataRow::file(DataEvent::Removed, "poolproof-1", number),
            )
            .unwrap();
        }
        assert_eq!((data.files.len(), data.folder.as_str()), (0, "poolproof-1"));
        apply(
            &mut data,
            &DataRow::folder(DataEvent::FolderRemoved, "poolproof-1"),
        )
        .unwrap();
        assert_eq!((data.next_number, data.folder.as_str()), (9, ""));
        let mut again = rows(&laid());
        again.push(DataRow::planned("poolproof-1", &laid().files[0]));
        let error = fold("testdata.csv", &again).unwrap_err().to_string();
        assert!(error.contains("testdata.csv line 6: the number"), "{error}");
    }

    #[test]
    fn a_row_that_does_not_fit_names_its_line() {
        let row = DataRow::file(DataEvent::Complete, "poolproof-1", 3);
        let error = fold("testdata.csv", &[row]).unwrap_err();
        assert_eq!(
            (error.line, error.why.as_str()),
            (2, "a complete file was never planned")
        );
        let row = DataRow::folder(DataEvent::Planned, "poolproof-1");
        assert!(fold("testdata.csv", &[row]).is_err());
    }
}

//! What all who write to a study do: claim it, mend its tables, append to them.

use std::collections::BTreeSet;

use jiff::Timestamp;
use serde::Serialize;

use super::reader::bytes;
use super::{Disk, StoreError, names};
use crate::study::tables::{render, whole};
use crate::study::{Config, FORMAT};

/// Takes the lock `file` for `owner`. A newer study is not touched at all, not even its lock.
pub(super) fn claim(
    disk: &mut impl Disk,
    config: &Config,
    file: &str,
    owner: &str,
) -> Result<(), StoreError> {
    if !config.writable() {
        return Err(StoreError::Newer {
            found: config.format,
            known: FORMAT,
        });
    }
    match disk.lock(file, owner) {
        Ok(Ok(())) => Ok(()),
        Ok(Err(owner)) => Err(StoreError::Locked { owner }),
        Err(error) => Err(StoreError::io("locking", file, error)),
    }
}

/// Sets the torn ends of `tables` aside. Those that have begun, and a sentence for each torn end.
pub(super) fn mend(
    disk: &mut impl Disk,
    tables: &[&'static str],
    now: Timestamp,
) -> Result<(BTreeSet<&'static str>, Vec<String>), StoreError> {
    let (mut begun, mut recovered) = (BTreeSet::new(), Vec::new());
    for &table in tables {
        recovered.extend(set_aside(disk, table, now)?);
        if bytes(disk, table)?.is_some_and(|bytes| !bytes.is_empty()) {
            begun.insert(table);
        }
    }
    Ok((begun, recovered))
}

/// Gives a table of an earlier version, whose `rows` are these, the columns that it has not: rows that
/// are appended have them all. Whether it has a head then: one without rows is begun anew.
pub(super) fn widen<Row: Serialize>(
    disk: &mut impl Disk,
    table: &str,
    rows: &[Row],
) -> Result<bool, StoreError> {
    let content = bytes(disk, table)?.unwrap_or_default();
    let head = |text: &[u8]| text.split(|byte| *byte == b'\n').next().map(<[u8]>::to_vec);
    let text = render(rows, true);
    if head(&content) != head(text.as_bytes()) {
        let written = disk.replace(table, text.as_bytes());
        written.map_err(|error| StoreError::io("adding columns to", table, error))?;
    }
    Ok(!rows.is_empty())
}

/// Appends whole lines to a table; when this returns, they are on disk to stay.
pub(super) fn append(disk: &mut impl Disk, table: &str, lines: &[u8]) -> Result<(), StoreError> {
    let fail = |doing| move |error| StoreError::io(doing, table, error);
    disk.append(table, lines).map_err(fail("writing"))?;
    disk.sync(table).map_err(fail("flushing"))
}

/// Moves the torn end of a table into a file of its own; a sentence about it.
pub(super) fn set_aside(
    disk: &mut impl Disk,
    table: &str,
    now: Timestamp,
) -> Result<Option<String>, StoreError> {
    let content = bytes(disk, table)?.unwrap_or_default();
    let parts = whole(&content);
    if parts.torn.is_empty() {
        return Ok(None);
    }
    let aside = format!(
        "{}/{table}-{}",
        names::ASIDE,
        now.strftime("%Y%m%dT%H%M%SZ")
    );
    let fail = |name: &str| {
        let name = name.to_owned();
        move |error| StoreError::io("setting aside the torn end of", &name, error)
    };
    disk.replace(&aside, parts.torn).map_err(fail(&aside))?;
    disk.replace(table, parts.lines).map_err(fail(table))?;
    let length = parts.torn.len();
    Ok(Some(format!(
        "{table} ended in a torn line of {length} bytes; it is now in {aside}"
    )))
}

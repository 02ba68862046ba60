//! Which files a study is read from, and what they hold.

use std::path::Path;

use super::reader::open;
use super::{Disk, FolderDisk, StoreError, names};
use crate::study::RawFile;

/// The tables of a study, in the order of README.
const TABLES: [&str; 15] = [
    names::CONFIG,
    names::TRIALS,
    names::WINDOWS,
    names::OBSERVATIONS,
    names::LATENCY,
    names::SWEEP,
    names::PROGRESS,
    names::PROBES,
    names::CHECKS,
    names::DATA,
    names::PASSES,
    names::VERIFIED,
    names::DAMAGE,
    names::SEALS,
    names::SEALED_CHECKS,
];

/// The files of the study in the folder `root` that are there, with their digests as they are now.
///
/// # Errors
/// When one cannot be read.
pub fn raw_files(root: &Path) -> Result<Vec<RawFile>, StoreError> {
    let disk = FolderDisk::new(root);
    let facts = disk
        .list(names::FACTS)
        .map_err(|error| StoreError::io("listing", names::FACTS, error))?;
    let facts = facts
        .into_iter()
        .map(|name| format!("{}/{name}", names::FACTS));
    let all = TABLES.into_iter().map(str::to_owned).chain(facts);
    let mut files = Vec::new();
    for name in all {
        if let Some(content) = open(&disk, &name)? {
            let file = RawFile::of(&name, content);
            files.push(file.map_err(|error| StoreError::io("reading", &name, error))?);
        }
    }
    Ok(files)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::fs;

    #[test]
    fn files_that_are_there_are_listed_with_what_they_hold() {
        let place = tempfile::tempdir().unwrap();
        let root = place.path();
        fs::create_dir(root.join("facts")).unwrap();
        for (name, content) in [("trials.csv", "a\n"), ("facts/1.toml", ""), ("notes", "x")] {
            fs::write(root.join(name), content).unwrap();
        }
        let files = raw_files(root).unwrap();
        let told: Vec<_> = files.iter().map(|f| (f.name.as_str(), f.bytes)).collect();
        assert_eq!(told, [("trials.csv", 2), ("facts/1.toml", 0)]);
    }
}

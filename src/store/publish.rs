//! Puts rendered pages where people look for them.
//!
//! Pages are made of a snapshot and no part of the study, so they are written without its lock,
//! beside a sitting that runs, and anywhere else when the study cannot be written to.

use std::path::Path;

use super::{Disk, FolderDisk, StoreError};

/// Writes `files`, names with at most one slash and their content, into `folder`, which is made when
/// it is missing. Each takes the place of an older one in one step.
///
/// # Errors
/// When one cannot be written.
pub fn publish(folder: &Path, files: &[(String, Vec<u8>)]) -> Result<(), StoreError> {
    let put = || {
        std::fs::create_dir_all(folder)?;
        let mut disk = FolderDisk::unlocked(folder);
        files
            .iter()
            .try_for_each(|(name, content)| disk.replace(name, content))
    };
    put().map_err(|source| StoreError::Unpublished {
        folder: folder.to_owned(),
        source,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::fs;

    #[test]
    fn pages_take_the_place_of_older_ones_and_leave_nothing_beside() {
        let place = tempfile::tempdir().unwrap();
        let folder = place.path().join("deep/reports");
        for round in ["first", "second"] {
            let files = ["page.html", "charts/one.svg"].map(|name| (name.into(), round.into()));
            publish(&folder, &files).unwrap();
            for name in ["page.html", "charts/one.svg"] {
                assert_eq!(fs::read_to_string(folder.join(name)).unwrap(), round);
            }
        }
        assert_eq!(fs::read_dir(&folder).unwrap().count(), 2);
        assert_eq!(fs::read_dir(folder.join("charts")).unwrap().count(), 1);
    }

    #[test]
    fn where_it_cannot_go_is_said_with_what_to_do() {
        let place = tempfile::tempdir().unwrap();
        fs::write(place.path().join("taken"), "").unwrap();
        let files = [("page.html".to_owned(), Vec::new())];
        let error = publish(&place.path().join("taken"), &files).unwrap_err();
        let text = error.to_string();
        assert!(
            text.contains("taken cannot be written to") && text.contains("--to"),
            "{text}"
        );
    }
}

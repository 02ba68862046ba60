//! Puts rendered pages where people look for them.
//!
//! Pages are made of a snapshot and no part of the study, so they are written without its lock,
//! beside a sitting that runs, and anywhere else when the study cannot be written to.

use std::io;
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

/// Puts `content` into the file at `path`, whose folder is there, in one step: who reads it finds the old
/// content or the new, each whole.
///
/// # Errors
/// When the old content is still there.
pub fn put(path: &Path, content: &[u8]) -> Result<(), StoreError> {
    let unput = |source| StoreError::Unput {
        path: path.to_owned(),
        source,
    };
    let name = path.file_name().and_then(|name| name.to_str());
    let name = name.ok_or_else(|| unput(io::Error::from(io::ErrorKind::InvalidInput)))?;
    let folder = match path.parent() {
        Some(folder) if folder.as_os_str().is_empty() => Path::new("."),
        Some(folder) => folder,
        None => Path::new("/"),
    };
    FolderDisk::unlocked(folder)
        .replace(name, content)
        .map_err(unput)
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
    fn a_linked_folder_in_it_is_refused() {
        let place = tempfile::tempdir().unwrap();
        let (reports, outside) = (place.path().join("reports"), place.path().join("outside"));
        for folder in [&reports, &outside] {
            fs::create_dir(folder).unwrap();
        }
        std::os::unix::fs::symlink(&outside, reports.join("charts")).unwrap();
        let files = [("charts/one.svg".to_owned(), Vec::new())];
        assert!(publish(&reports, &files).is_err());
        assert_eq!(fs::read_dir(&outside).unwrap().count(), 0);
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

    #[test]
    fn a_file_is_put_in_one_step_where_its_folder_is() {
        let place = tempfile::tempdir().unwrap();
        let file = place.path().join("reshape.prom");
        for round in ["first", "second"] {
            put(&file, round.as_bytes()).unwrap();
            assert_eq!(fs::read_to_string(&file).unwrap(), round);
        }
        assert_eq!(fs::read_dir(place.path()).unwrap().count(), 1);
        for bad in [place.path().join("no/such.prom"), place.path().join("..")] {
            let error = put(&bad, b"x").unwrap_err().to_string();
            assert!(
                error.contains("cannot be written") && error.contains("name another file"),
                "{error}"
            );
        }
    }
}

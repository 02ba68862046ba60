//! The folder among what others may have put in its place.

use super::*;
use crate::plan::{Phase, Set};
use crate::units::Bytes;
use std::fs;
use std::os::unix::fs::{PermissionsExt, symlink};
use std::path::PathBuf;

use rustix::fs::{CWD, mknodat};
use tempfile::TempDir;

const STUDY: Identity = Identity(5);

fn file(number: u64) -> DataFile {
    let (set, bytes, phase) = (Set::Read, Bytes::MIB, Phase::Before);
    DataFile {
        number,
        set,
        bytes,
        phase,
        complete: true,
    }
}

/// A share, and beside it a folder with a file that nobody may touch.
struct Place {
    share: TempDir,
    outside: TempDir,
}

impl Place {
    fn new() -> Self {
        let (share, outside) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
        fs::write(outside.path().join("precious"), "precious").unwrap();
        Self { share, outside }
    }

    fn precious(&self) -> PathBuf {
        self.outside.path().join("precious")
    }

    fn data(&self) -> PathBuf {
        self.share.path().join("data")
    }

    fn folder(&self) -> Result<Folder, LoadError> {
        Folder::open_or_make(self.share.path(), "data", STUDY)
    }

    fn find(&self) -> Result<Found, LoadError> {
        Folder::find(self.share.path(), "data", STUDY)
    }

    /// Everything that may be planted at `path`, one after another: what it is, and how it is put
    /// there.
    fn plant(&self, kind: &str, path: &Path) {
        match kind {
            "link to a file" => symlink(self.precious(), path).unwrap(),
            "link to a folder" => symlink(self.outside.path(), path).unwrap(),
            "link to nothing" => symlink(self.outside.path().join("new"), path).unwrap(),
            "hard link" => fs::hard_link(self.precious(), path).unwrap(),
            "pipe" => mknodat(CWD, path, FileType::Fifo, Mode::RUSR | Mode::WUSR, 0).unwrap(),
            "folder" => {
                fs::create_dir(path).unwrap();
                fs::write(path.join("kept"), "kept").unwrap();
            }
            _ => unreachable!("{kind}"),
        }
    }

    /// Nothing beside the share was made, changed or removed, and what was planted is there.
    fn is_untouched(&self, kind: &str, planted: &Path) {
        assert_eq!(fs::read_to_string(self.precious()).unwrap(), "precious");
        assert_eq!(fs::read_dir(self.outside.path()).unwrap().count(), 1);
        assert!(fs::symlink_metadata(planted).is_ok(), "{kind} was removed");
        if kind == "folder" {
            assert_eq!(fs::read_to_string(planted.join("kept")).unwrap(), "kept");
        }
    }
}

const KINDS: [&str; 6] = [
    "link to a file",
    "link to a folder",
    "link to nothing",
    "hard link",
    "pipe",
    "folder",
];

fn is_foreign<T: std::fmt::Debug>(kind: &str, result: Result<T, LoadError>) {
    match result {
        Err(LoadError::Foreign { .. }) => {}
        other => panic!("{kind}: {other:?}"),
    }
}

#[test]
fn a_folder_is_made_for_its_owner_alone_found_again_and_removed() {
    let place = Place::new();
    assert!(matches!(place.find().unwrap(), Found::Nothing));
    let folder = place.folder().unwrap();
    let mode = fs::metadata(place.data()).unwrap().permissions().mode();
    assert_eq!(mode & 0o777, 0o700);
    drop(folder.make(&file(0).name(), OFlags::RDWR).unwrap());
    fs::write(place.data().join("other"), "x").unwrap();
    let Found::Ours(folder) = place.find().unwrap() else {
        panic!("the folder is not found again");
    };
    folder
        .remove_files(&[file(0), file(1)], &Watch::default())
        .unwrap();
    assert!(!place.data().join(file(0).name()).exists());
    assert!(!folder.remove().unwrap(), "something foreign is left alone");
    fs::remove_file(place.data().join("other")).unwrap();
    assert!(place.folder().unwrap().remove().unwrap());
    assert!(!place.data().exists());
}

#[test]
fn a_removed_file_that_is_open_yet_is_waited_for() {
    let place = Place::new();
    let folder = place.folder().unwrap();
    let closing = place.data().join(".fuse_hidden0000000100000001");
    fs::write(&closing, "x").unwrap();
    let closed = std::thread::spawn(move || {
        sleep(2 * PAUSE);
        fs::remove_file(closing).unwrap();
    });
    assert!(folder.remove().unwrap());
    closed.join().unwrap();
    assert!(!place.data().exists());
}

#[test]
fn what_belongs_to_others_is_refused() {
    let place = Place::new();
    place.folder().unwrap();
    let other = Folder::open_or_make(place.share.path(), "data", Identity(6));
    is_foreign("another study", other);
    fs::create_dir(place.share.path().join("full")).unwrap();
    fs::write(place.share.path().join("full/precious"), "x").unwrap();
    let full = Folder::open_or_make(place.share.path(), "full", STUDY);
    is_foreign("a folder without marker", full);
}

#[test]
fn a_name_that_leads_elsewhere_is_refused() {
    let place = Place::new();
    for name in ["..", ".", "a/b", "/tmp", "../data"] {
        is_foreign(name, Folder::open_or_make(place.share.path(), name, STUDY));
    }
    assert_eq!(fs::read_dir(place.share.path()).unwrap().count(), 0);
}

#[test]
fn whatever_stands_in_place_of_the_folder_is_refused() {
    for kind in KINDS {
        let place = Place::new();
        place.plant(kind, &place.data());
        is_foreign(kind, place.folder());
        is_foreign(kind, place.find());
        place.is_untouched(kind, &place.data());
    }
}

#[test]
fn whatever_stands_in_place_of_a_file_is_refused() {
    for kind in KINDS {
        let place = Place::new();
        let folder = place.folder().unwrap();
        let name = file(0).name();
        let planted = place.data().join(&name);
        place.plant(kind, &planted);
        for access in [OFlags::RDONLY, OFlags::RDWR] {
            let opened = folder.file(&name, access);
            is_foreign(kind, opened.map_err(Refusal::error));
        }
        assert!(folder.make(&name, OFlags::RDWR).is_err(), "{kind}");
        is_foreign(kind, folder.discard(&name));
        is_foreign(kind, folder.remove_files(&[file(0)], &Watch::default()));
        place.is_untouched(kind, &planted);
    }
}

#[test]
fn whatever_stands_in_place_of_the_marker_is_refused() {
    for kind in KINDS {
        let place = Place::new();
        place.folder().unwrap();
        let marker = place.data().join(MARKER);
        fs::remove_file(&marker).unwrap();
        place.plant(kind, &marker);
        is_foreign(kind, place.folder());
        place.is_untouched(kind, &marker);
    }
}

/// The kernel may not know how to confine: the name alone has to do it then.
#[test]
fn by_name_alone_nothing_is_followed_either() {
    for kind in ["link to a file", "link to a folder", "link to nothing"] {
        let place = Place::new();
        place.plant(kind, &place.data());
        let share = open_share(place.share.path()).unwrap();
        let more = [
            OFlags::empty(),
            OFlags::DIRECTORY,
            OFlags::CREATE | OFlags::EXCL,
        ];
        for more in more {
            let flags = OFlags::RDONLY | OFlags::NOFOLLOW | more;
            assert!(
                by_name_alone(&share, "data", flags, Mode::RUSR).is_err(),
                "{kind}"
            );
        }
        for name in ["..", "../data", "/etc"] {
            let opened = by_name_alone(&share, name, OFlags::RDONLY, Mode::empty());
            assert_eq!(opened.unwrap_err(), Errno::XDEV);
        }
        place.is_untouched(kind, &place.data());
    }
}

/// A start can be cut off when the folder is made, and at any byte of the marker.
#[test]
fn a_start_that_was_cut_off_is_begun_anew_and_can_be_removed() {
    let text = marker_text(STUDY);
    for length in [None, Some(0), Some(1), Some(50), Some(text.len())] {
        for clean in [false, true] {
            let place = Place::new();
            fs::create_dir(place.data()).unwrap();
            fs::set_permissions(place.data(), fs::Permissions::from_mode(0o777)).unwrap();
            if let Some(length) = length {
                fs::write(place.data().join(MARKER), &text[..length]).unwrap();
            }
            let whole = length == Some(text.len());
            match place.find().unwrap() {
                Found::Ours(folder) if whole && clean => assert!(folder.remove().unwrap()),
                Found::CutOff(folder) if !whole && clean => folder.remove_empty().unwrap(),
                Found::Ours(_) if whole => {}
                Found::CutOff(_) if !whole => {
                    place.folder().unwrap();
                    let mode = fs::metadata(place.data()).unwrap().permissions().mode();
                    assert_eq!(mode & 0o777, 0o700, "it is ours alone");
                    assert!(matches!(place.find().unwrap(), Found::Ours(_)));
                }
                found => panic!("{length:?}: {found:?}"),
            }
            assert_eq!(place.data().exists(), !clean);
        }
    }
}

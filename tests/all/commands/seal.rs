//! Files of the person's own: sealed, changed in every way, and looked at again.

use std::ffi::OsStr;
use std::fs::{self, File, FileTimes};
use std::os::unix::ffi::OsStrExt as _;
use std::os::unix::fs::{FileTypeExt as _, MetadataExt as _, symlink};
use std::path::{Path, PathBuf};
use std::time::{Duration, SystemTime};

use poolproof::integrity::escaped;
use poolproof::seed::Seed;
use rustix::fs::{CWD, FileType, Mode, mknodat};

use super::{NEW, Place, SHORT, stderr};

/// A folder of the person's, with files of content that is easily found again.
fn archive(place: &Place) -> PathBuf {
    let folder = place.share().join("archive");
    fs::create_dir_all(folder.join("lenses")).unwrap();
    for (name, length) in [
        ("log", 300_000),
        ("lenses/first", 70_000),
        ("lenses/second", 5),
        ("empty", 0),
    ] {
        write(&folder.join(name), length);
    }
    folder
}

fn write(path: &Path, length: usize) {
    let mut bytes = vec![0; length];
    Seed(length as u64).rng().fill(&mut bytes);
    let front = b"the lamp was lit at dusk";
    let kept = length.min(front.len());
    bytes[..kept].copy_from_slice(&front[..kept]);
    fs::write(path, bytes).unwrap();
    // An hour ago, so that any later write has another time.
    let past = SystemTime::now() - Duration::from_secs(3_600);
    let times = FileTimes::new().set_modified(past).set_accessed(past);
    File::options()
        .write(true)
        .open(path)
        .unwrap()
        .set_times(times)
        .unwrap();
}

/// Changes one byte and puts the times back.
fn flip(path: &Path, at: usize) {
    let before = fs::metadata(path).unwrap();
    let mut bytes = fs::read(path).unwrap();
    bytes[at] ^= 1;
    fs::write(path, bytes).unwrap();
    let times = FileTimes::new()
        .set_modified(before.modified().unwrap())
        .set_accessed(before.accessed().unwrap());
    File::options()
        .write(true)
        .open(path)
        .unwrap()
        .set_times(times)
        .unwrap();
}

impl Place {
    /// How each sealed file was found by the latest pass.
    fn found(&self) -> Vec<(String, String)> {
        let rows = self.rows("sealed-checks.csv");
        let pass = rows.last().unwrap()["pass"].clone();
        let rows = rows.into_iter().filter(|row| row["pass"] == pass);
        let mut found: Vec<_> = rows
            .map(|row| {
                let name = row["path"].rsplit("archive/").next().unwrap().to_owned();
                (name, row["state"].clone())
            })
            .collect();
        found.sort();
        found
    }
}

fn states(expected: &[(&str, &str)]) -> Vec<(String, String)> {
    let own = |(name, state): &(&str, &str)| (name.to_string(), state.to_string());
    expected.iter().map(own).collect()
}

#[test]
fn changes_are_told_from_silent_changes() {
    for how in ["", " --all"] {
        let place = Place::new();
        place.ok(NEW);
        let folder = archive(&place);
        let said = place.ok(&format!("seal scans share/archive{how}"));
        assert!(said.contains("4 files"), "{said}");
        let table = fs::read(place.study().join("seals.csv")).unwrap();
        assert!(
            !String::from_utf8(table).unwrap().contains("lamp"),
            "no content is kept"
        );
        let said = place.ok("verify scans");
        assert!(said.contains("Seal 1, 4 files: 4 unchanged."), "{said}");

        flip(&folder.join("log"), 200_001);
        let second = folder.join("lenses/second");
        fs::write(&second, "other").unwrap();
        fs::remove_file(folder.join("empty")).unwrap();
        let output = place.run("verify scans");
        assert_eq!(output.status.code(), Some(10), "{how}: {}", stderr(&output));
        let said = stderr(&output);
        assert!(
            said.contains("DAMAGE: ") && said.contains("silently changed"),
            "{said}"
        );
        // Writing the byte moved the inode's own time, which is said.
        assert!(said.contains("put the old time back"), "{said}");
        let expected = [
            ("empty", "gone"),
            ("lenses/first", "unchanged"),
            ("lenses/second", "changed"),
            ("log", "silent"),
        ];
        assert_eq!(place.found(), states(&expected), "{how}");

        // A folder on the way that became a link is not gone through.
        let lenses = folder.join("lenses");
        fs::rename(&lenses, place.folder.path().join("moved")).unwrap();
        symlink(place.folder.path().join("moved"), &lenses).unwrap();
        place.fails("verify scans", 10);
        assert_eq!(
            place.found()[1..3],
            states(&[("lenses/first", "replaced"), ("lenses/second", "replaced")])
        );

        // What is sealed anew counts from then on.
        fs::remove_file(&lenses).unwrap();
        fs::rename(place.folder.path().join("moved"), &lenses).unwrap();
        fs::write(folder.join("empty"), "").unwrap();
        place.ok(&format!("seal scans share/archive{how}"));
        let said = place.ok("verify scans");
        assert!(said.contains("Seal 2, 4 files: 4 unchanged."), "{said}");
    }
}

#[test]
fn a_sample_says_what_it_proves() {
    let place = Place::new();
    place.ok(NEW);
    let folder = place.share().join("archive");
    fs::create_dir(&folder).unwrap();
    write(&folder.join("large"), 40 << 20);
    // 640 blocks, of which 300 are drawn: 3/300 is 1 %, exactly 1 - 0.05^(1/300) = 0.994 %.
    let said = place
        .ok("seal scans share/archive --sample 300")
        .replace("\n    ", " ");
    let proof = "0 of 300 blocks differ: with 95 % confidence fewer than 1 % of all do (rule of three; exactly, after Clopper and Pearson, fewer than 0.994 %)";
    assert!(said.contains(proof), "{said}");
    let rows = place.rows("seals.csv");
    let blocks: Vec<u64> = rows
        .iter()
        .flat_map(|row| row["hashes"].split(';'))
        .map(|block| block.split_once(':').unwrap().0.parse().unwrap())
        .collect();
    assert_eq!(blocks.len(), 300);
    assert!(blocks.is_sorted_by(|a, b| a < b) && *blocks.last().unwrap() < 640);
    let said = place.ok("verify scans").replace("\n    ", " ");
    assert!(said.contains(proof), "{said}");
    // A block that was drawn differs, and one that was not.
    flip(&folder.join("large"), (blocks[100] * 65_536 + 17) as usize);
    place.fails("verify scans", 10);
    let row = place.rows("sealed-checks.csv").pop().unwrap();
    assert_eq!(
        (row["blocks"].as_str(), row["differing"].as_str()),
        ("300", "1")
    );
    let at = format!("the block at offset {} differs", blocks[100] * 65_536);
    assert!(row["found"].starts_with(&at), "{}", row["found"]);
    flip(&folder.join("large"), (blocks[100] * 65_536 + 17) as usize);
    let other = (0..640).find(|block| !blocks.contains(block)).unwrap();
    flip(&folder.join("large"), (other * 65_536) as usize);
    place.ok("verify scans");
}

#[test]
fn nothing_but_plain_files_is_opened_and_access_times_stay() {
    let place = Place::new();
    place.ok(NEW);
    let folder = archive(&place);
    let mode = Mode::RUSR | Mode::WUSR;
    mknodat(CWD, folder.join("pipe"), FileType::Fifo, mode, 0).unwrap();
    drop(std::os::unix::net::UnixListener::bind(folder.join("socket")).unwrap());
    // Only root makes devices; /dev/null stands for one all the same.
    let device = rustix::fs::makedev(1, 3);
    let has_device = mknodat(
        CWD,
        folder.join("device"),
        FileType::CharacterDevice,
        mode,
        device,
    );
    let outside = place.folder.path().join("outside");
    fs::create_dir(&outside).unwrap();
    write(&outside.join("secret"), 100);
    symlink(&outside, folder.join("away")).unwrap();
    symlink(outside.join("secret"), folder.join("alias")).unwrap();
    let accessed = |path: &Path| fs::metadata(path).unwrap().atime();
    let files = ["log", "lenses/first", "lenses/second"].map(|name| folder.join(name));
    let before = files.clone().map(|file| accessed(&file));
    let said = place.ok("seal scans share/archive");
    let special = if has_device.is_ok() { 3 } else { 2 };
    assert!(said.contains("4 files"), "{said}");
    assert!(
        said.contains(&format!(
            "Passed over: {special} devices, pipes and sockets"
        )),
        "{said}"
    );
    assert!(said.contains("Passed over: 2 links"), "{said}");
    place.ok("verify scans");
    assert_eq!(files.map(|file| accessed(&file)), before);
    assert!(
        fs::metadata(folder.join("pipe"))
            .unwrap()
            .file_type()
            .is_fifo()
    );
    for named in [
        "share/archive/alias",
        "share/archive/away",
        "share/archive/pipe",
        "nowhere",
    ] {
        let said = place.fails(&format!("seal scans {named}"), 2);
        assert!(said.contains(named.rsplit('/').next().unwrap()), "{said}");
    }
    // A file that becomes a pipe is not opened either; that would wait for ever.
    fs::remove_file(folder.join("log")).unwrap();
    mknodat(CWD, folder.join("log"), FileType::Fifo, mode, 0).unwrap();
    place.ok("verify scans");
    assert!(place.found().contains(&("log".into(), "replaced".into())));
}

#[test]
fn hostile_names_lose_nothing_and_obey_nobody() {
    let place = Place::new();
    place.ok(NEW);
    let folder = place.share().join("archive");
    fs::create_dir(&folder).unwrap();
    let names: [&[u8]; 4] = [b"a\nb", b"\xff\xfe", b"\x1b[31mred", b"=1+1,\"x\""];
    let path = |name: &[u8]| folder.join(OsStr::from_bytes(name));
    names.iter().for_each(|name| write(&path(name), 100));
    place.ok("seal scans share/archive");
    let rows = place.rows("seals.csv");
    let mut listed: Vec<&str> = rows
        .iter()
        .map(|row| row["path"].rsplit('/').next().unwrap())
        .collect();
    listed.sort();
    let mut expected = names.map(escaped);
    expected.sort();
    assert_eq!(listed, expected);
    place.ok("verify scans");
    names.iter().for_each(|name| flip(&path(name), 50));
    let output = place.run("verify scans");
    assert_eq!(output.status.code(), Some(10));
    let all = [output.stdout, output.stderr].concat();
    assert!(!all.contains(&0x1b) && String::from_utf8(all).is_ok());
    assert!(place.found().iter().all(|(_, state)| state == "silent"));
}

/// The study's own folders are not the person's files; test data and seals are read in one pass.
#[test]
fn own_folders_are_passed_over_and_both_are_read_back() {
    let place = Place::new();
    place.ok(NEW);
    place.ok(&format!("{SHORT} --phase before --workload small-read"));
    archive(&place);
    let said = place.ok("seal scans share");
    assert!(
        said.contains("4 files") && said.contains("Passed over: 1 folders of this study"),
        "{said}"
    );
    let said = place.ok("verify scans");
    // Wherever the lines are broken.
    let said: Vec<&str> = said.split_whitespace().collect();
    let said = said.join(" ");
    assert!(
        said.contains("0 blocks differ") && said.contains("4 unchanged"),
        "{said}"
    );
    let verified = place.rows("verified.csv");
    let checks = place.rows("sealed-checks.csv");
    assert_eq!((verified.len(), checks.len()), (24, 4));
    assert!(verified.iter().chain(&checks).all(|row| row["pass"] == "1"));
}

#[test]
fn a_table_of_seals_that_makes_no_sense_is_refused() {
    let place = Place::new();
    place.ok(NEW);
    archive(&place);
    place.ok("seal scans share/archive");
    let table = place.study().join("seals.csv");
    let text = fs::read_to_string(&table).unwrap();
    for (from, to) in [
        ("/archive/log", "/archive/l\\q"),
        (",65536,", ",7,"),
        ("0:", "9000:"),
    ] {
        let changed = text.replacen(from, to, 1);
        assert_ne!(changed, text);
        fs::write(&table, changed).unwrap();
        let said = place.fails("verify scans", 3);
        assert!(said.contains("seals.csv line "), "{said}");
    }
}

//! The commands as a person types them, on real directories.

mod allow;
mod demo;
mod ending;
mod handy;
mod kills;
mod meddling;
mod new;
mod planted;
mod reading;
mod seal;
mod share;
mod sitting;
mod verify;

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::thread::sleep;
use std::time::Duration;

use poolproof::plan::DataFile;
use poolproof::store;
use tempfile::TempDir;

/// A directory that stands for a share, and the name of a study beside it.
struct Place {
    folder: TempDir,
}

impl Place {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        fs::create_dir(folder.path().join("share")).unwrap();
        Self { folder }
    }

    fn share(&self) -> PathBuf {
        self.folder.path().join("share")
    }

    fn study(&self) -> PathBuf {
        self.folder.path().join("scans")
    }

    /// Runs the program beside the share; the study is called `scans` there.
    fn run(&self, words: &str) -> Output {
        self.command(words).output().unwrap()
    }

    fn command(&self, words: &str) -> Command {
        let mut command = crate::support::program();
        command
            .args(words.split_whitespace())
            .current_dir(self.folder.path());
        command
    }

    /// Runs the program, which has to succeed; what it printed.
    #[track_caller]
    fn ok(&self, words: &str) -> String {
        let output = self.run(words);
        assert_eq!(
            output.status.code(),
            Some(0),
            "{words}: {}",
            stderr(&output)
        );
        String::from_utf8(output.stdout).unwrap()
    }

    /// Runs the program, which has to end with `code`; what it said.
    #[track_caller]
    fn fails(&self, words: &str, code: i32) -> String {
        let output = self.run(words);
        assert_eq!(
            output.status.code(),
            Some(code),
            "{words}: {}",
            stderr(&output)
        );
        stderr(&output)
    }

    fn rows(&self, table: &str) -> Vec<BTreeMap<String, String>> {
        let mut reader = csv::Reader::from_path(self.study().join(table)).unwrap();
        reader.deserialize().map(Result::unwrap).collect()
    }

    /// The folder with test data on the share, as the manifest names it.
    fn data_folder(&self) -> PathBuf {
        self.share()
            .join(store::read(&self.study()).unwrap().data.folder)
    }

    /// Names of all files in the test-data folder, and of those that the manifest lists.
    fn laid_down(&self) -> (BTreeSet<String>, BTreeSet<String>) {
        let data = store::read(&self.study()).unwrap().data;
        let found = fs::read_dir(self.data_folder())
            .map(|entries| {
                entries
                    .map(|e| e.unwrap().file_name().into_string().unwrap())
                    .collect()
            })
            .unwrap_or_default();
        (found, data.files.iter().map(DataFile::name).collect())
    }
}

fn stderr(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

const NEW: &str = "new scans --share share";
/// A sitting that lasts longer than any test.
const LONG: &str = "measure scans --size 64MiB --seconds 1 --trials 50 --phase before";
/// A watch that lasts as long, of a file with a percentage.
const WATCH: &str = "watch scans --source percent --file percent --every 1s";
const SHORT: &str = "measure scans --size 64MiB --seconds 1 --trials 1";

/// All files below a folder but locks, by name.
fn contents(folder: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let mut found = BTreeMap::new();
    let mut folders = vec![folder.to_owned()];
    while let Some(next) = folders.pop() {
        for entry in fs::read_dir(next).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else if !path.ends_with("lock") && !path.ends_with("watch-lock") {
                found.insert(
                    path.strip_prefix(folder).unwrap().to_owned(),
                    fs::read(&path).unwrap(),
                );
            }
        }
    }
    found
}

fn start(place: &Place, words: &str) -> Child {
    place
        .command(words)
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap()
}

fn wait_for_rows(place: &Place, rows: usize) {
    wait_for_lines(place, "trials.csv", rows + 1);
}

fn wait_for_lines(place: &Place, table: &str, lines: usize) {
    for _ in 0..1200 {
        let table = fs::read_to_string(place.study().join(table)).unwrap_or_default();
        if table.lines().count() >= lines {
            return;
        }
        sleep(Duration::from_millis(50));
    }
    panic!("no {lines} lines in {table} after a minute");
}

fn signal(child: &Child, name: &str) {
    let process = child.id().to_string();
    assert!(
        Command::new("kill")
            .args(["-s", name, &process])
            .status()
            .unwrap()
            .success()
    );
}

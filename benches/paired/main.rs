//! The engines beside bare loops that make the same system calls and nothing else: whether the
//! instrument can be told from its absence.
//!
//! `cargo bench --bench paired [-- FOLDER...]` lays down test data in each folder and lets poolproof
//! and the bare loop take turns on it, pair after pair, over directions, orders, block sizes and
//! depths. It prints, for each of them, the medians over the pairs of two ratios: the rate of
//! poolproof over that of the loop, and its processor time for an operation over that of the loop.
//! Ratios within a pair are all that tells anything on a shared machine. Without a folder it takes one
//! below `/var/tmp`, on a drive, and one below `/dev/shm`, in memory.
#![expect(
    clippy::disallowed_methods,
    clippy::disallowed_types,
    clippy::print_stdout,
    clippy::print_stderr,
    reason = "a benchmark reads clocks and files as the engines do, and prints what it found"
)]

mod bare;
mod cell;

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use jiff::Timestamp;
use poolproof::load::{LocalShare, Share, Watch};
use poolproof::plan::{DataFile, Phase, Set, TestData};
use poolproof::seed::Seed;
use poolproof::study::{Config, Identity};
use poolproof::units::Bytes;

use cell::Cell;

/// Of each of the two sets.
const DATA: Bytes = Bytes::GIB;
const PAIRS: usize = 5;
/// What is asked for: the rate of poolproof over that of the loop, at least.
const RATE: f64 = 0.98;
/// Its processor time for an operation over that of the loop, at most.
const CPU: f64 = 1.15;

fn main() -> ExitCode {
    let folders: Vec<PathBuf> = std::env::args()
        .skip(1)
        .filter(|argument| !argument.starts_with("--"))
        .map(PathBuf::from)
        .collect();
    let folders = match folders.is_empty() {
        true => ["/var/tmp", "/dev/shm"].map(PathBuf::from).to_vec(),
        false => folders,
    };
    for folder in folders {
        if let Err(why) = compare_in(&folder) {
            eprintln!("{}: {why}", folder.display());
            return ExitCode::FAILURE;
        }
    }
    ExitCode::SUCCESS
}

type Anyhow = Box<dyn std::error::Error>;

fn compare_in(folder: &Path) -> Result<(), Anyhow> {
    let place = tempfile::tempdir_in(folder)?;
    let id = Identity(7);
    let config = Config::new(
        id,
        Seed(7),
        Timestamp::now(),
        place.path().display().to_string(),
    );
    let mut share = LocalShare::new(&config);
    let data = laid_down(&mut share)?;
    println!(
        "\n{}: medians of {PAIRS} pairs; goals: rate {RATE} or more, processor time {CPU} or less\n",
        folder.display()
    );
    println!("| load | block | depth | engine | direct | rate | processor time | |");
    println!("| --- | --- | --- | --- | --- | --- | --- | --- |");
    for cell in Cell::all() {
        let found = cell.compare(&mut share, &data, &place.path().join(&data.folder), PAIRS)?;
        let miss = match (found.rate >= RATE, found.cpu <= CPU) {
            (true, true) => "",
            (false, true) => "rate",
            (true, false) => "processor",
            (false, false) => "both",
        };
        println!("{found} {miss} |");
    }
    Ok(())
}

/// One file to read and one to write.
fn laid_down(share: &mut LocalShare) -> Result<TestData, Anyhow> {
    let mut data = TestData {
        folder: "paired".to_owned(),
        ..TestData::default()
    };
    share.open_folder(&data)?;
    for set in [Set::Read, Set::Write] {
        let file = data.next_file(set, DATA, Phase::Before);
        share.lay_down(&file, &Watch::default())?;
        data.files.push(DataFile {
            complete: true,
            ..file
        });
    }
    Ok(data)
}

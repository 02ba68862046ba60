//! Threads and rings beside bare loops that make the same system calls and nothing else: whether the
//! instrument can be told from its absence.
//!
//! `cargo bench --bench paired [-- --brief --made --only=TEXT FOLDER...]` lays down test data in each folder and lets poolproof
//! and the bare loop take turns on it, pair after pair, over directions, orders, block sizes and
//! depths. It prints, for each of them, the medians over the pairs of two ratios: the rate of
//! poolproof over that of the loop, and its processor time for an operation over that of the loop.
//! Ratios within a pair are all that tells anything on a shared machine. It takes some 20 minutes, with
//! `--brief` (fewer and shorter turns, wider of the mark) five; with `--only` the loads that have the text
//! in their first three cells, as `--only='random read | 4.00 KiB | 1'`; with `--made` the loop makes unique content for
//! each write, one after another, so that what is left is not that of content. Laying down is compared with a loop that
//! writes as much from the same memory over and over. Without a folder it takes one
//! below `/var/tmp`, on a drive, and one below `/dev/shm`, in memory.
#![expect(
    clippy::disallowed_methods,
    clippy::disallowed_types,
    clippy::print_stdout,
    clippy::print_stderr,
    reason = "a benchmark reads clocks and files as trials do, and prints what it found"
)]

mod bare;
mod cell;

use std::fs::{File, OpenOptions};
use std::os::unix::fs::OpenOptionsExt as _;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::time::Instant;

use jiff::Timestamp;
use poolproof::load::{LocalShare, Share, Watch};
use poolproof::plan::{DataFile, Phase, Set, TestData};
use poolproof::seed::Seed;
use poolproof::stats::describe::median;
use poolproof::study::{Config, Identity};
use poolproof::units::{Bytes, Nanos};

use cell::{Cell, Extent};

/// Of each file.
const DATA: Bytes = Bytes::GIB;
/// Even numbers of pairs: each side is first as often as the other, and what is first may find less in
/// caches below this machine.
const FULL: Extent = Extent {
    length: Nanos::SECOND,
    pairs: 6,
    makes: false,
};
const BRIEF: Extent = Extent {
    length: Nanos(300_000_000),
    pairs: 4,
    makes: false,
};
/// Times that each side lays down.
const LAID: u64 = 3;
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
    let brief = std::env::args().any(|argument| argument == "--brief");
    let makes = std::env::args().any(|argument| argument == "--made");
    let extent = Extent {
        makes,
        ..if brief { BRIEF } else { FULL }
    };
    let only =
        std::env::args().find_map(|argument| Some(argument.strip_prefix("--only=")?.to_owned()));
    let only = only.unwrap_or_default();
    for folder in folders {
        if let Err(why) = compare_in(&folder, extent, &only) {
            eprintln!("{}: {why}", folder.display());
            return ExitCode::FAILURE;
        }
    }
    ExitCode::SUCCESS
}

type Anyhow = Box<dyn std::error::Error>;

fn compare_in(folder: &Path, extent: Extent, only: &str) -> Result<(), Anyhow> {
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
        "\n{}: medians of {} pairs of {}; goals: rate {RATE} or more, processor time {CPU} or less; the loop {}\n",
        folder.display(),
        extent.pairs,
        extent.length,
        match extent.makes {
            true => "makes unique content for each write",
            false => "writes the same over and over",
        }
    );
    warm(&place.path().join(&data.folder), &data)?;
    let laying = laying(&mut share, &place.path().join(&data.folder))?;
    println!("laying down beside a bare loop: {laying:.3} of its rate\n");
    println!("| load | block | depth | submission | direct | rate | processor time | |");
    println!("| --- | --- | --- | --- | --- | --- | --- | --- |");
    // Of reads and of writes: cells, and those that met the goal of the rate, of the processor time, and both.
    let mut met = [[0_usize; 4]; 2];
    for cell in Cell::all().filter(|cell| cell.to_string().contains(only)) {
        let found = cell.compare(&mut share, &data, &place.path().join(&data.folder), extent)?;
        let (rate, cpu) = (found.rate >= RATE, found.cpu <= CPU);
        for (count, goal) in
            met[usize::from(cell.writes())]
                .iter_mut()
                .zip([true, rate, cpu, rate && cpu])
        {
            *count += usize::from(goal);
        }
        let miss = match (rate, cpu) {
            (true, true) => "",
            (false, true) => "rate",
            (true, false) => "processor",
            (false, false) => "both",
        };
        println!("{found} {miss} |");
    }
    for (what, [cells, rate, cpu, both]) in ["reads", "writes"].into_iter().zip(met) {
        println!(
            "\n{what}: of {cells} cells {rate} meet the goal of the rate, {cpu} that of the processor time, {both} both"
        );
    }
    Ok(())
}

/// Reads all data once, so that caches below this machine have what they can hold before the first pair:
/// else whoever is first reads it in for the other.
fn warm(folder: &Path, data: &TestData) -> Result<(), Anyhow> {
    for file in &data.files {
        std::io::copy(
            &mut File::open(folder.join(file.name()))?,
            &mut std::io::sink(),
        )?;
    }
    Ok(())
}

/// The rate at which poolproof lays a file down over that of a bare loop: the median of some pairs.
fn laying(share: &mut LocalShare, folder: &Path) -> Result<f64, Anyhow> {
    let mut ratios = Vec::new();
    for pair in 0..LAID {
        let file = DataFile {
            number: 100 + pair,
            set: Set::Write,
            bytes: DATA,
            complete: false,
            phase: Phase::Before,
        };
        let path = folder.join(file.name());
        let mut ours = || -> Result<f64, Anyhow> {
            let begun = Instant::now();
            share.lay_down(&file, &Watch::default())?;
            let took = begun.elapsed();
            std::fs::remove_file(&path)?;
            Ok(took.as_secs_f64())
        };
        // As poolproof makes its files: for direct I/O.
        let bare = || -> Result<f64, Anyhow> {
            let file = OpenOptions::new()
                .write(true)
                .create_new(true)
                .custom_flags(libc::O_DIRECT)
                .open(&path)?;
            let took = bare::lay_down(&file, DATA.0)?;
            std::fs::remove_file(&path)?;
            Ok(took.as_secs_f64())
        };
        let (ours, bare) = match pair % 2 {
            0 => (ours()?, bare()?),
            _ => {
                let bare = bare()?;
                (ours()?, bare)
            }
        };
        ratios.push(bare / ours);
    }
    Ok(median(&ratios).ok_or("nothing was laid down")?)
}

/// One file to read, one to write, and one for the loop to write, whose content is none of poolproof's.
fn laid_down(share: &mut LocalShare) -> Result<TestData, Anyhow> {
    let mut data = TestData {
        folder: "paired".to_owned(),
        ..TestData::default()
    };
    share.open_folder(&data)?;
    for set in [Set::Read, Set::Write, Set::Fresh] {
        let file = data.next_file(set, DATA, Phase::Before);
        data.next_number += 1;
        share.lay_down(&file, &Watch::default())?;
        data.files.push(DataFile {
            complete: true,
            ..file
        });
    }
    Ok(data)
}

//! `poolproof clean`: takes the test data off the share and proves that its space came back.

use std::thread::sleep;
use std::time::Duration;

use jiff::Timestamp;

use super::mounted::{self, Moved};
use super::{Exit, Failure, owner, print};
use crate::load::{Share, Watch};
use crate::plan::DataFile;
use crate::store::Writer;
use crate::study::{DataEvent, DataRow};
use crate::units::Bytes;

/// Removes the test data of a study from the share; the study stays.
///
/// Only files that the study's manifest lists are removed, from the study's own folder.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  poolproof clean scans")]
pub(super) struct Arguments {
    #[command(flatten)]
    folder: super::StudyFolder,
    /// The test data is lost for good: forget it, without touching the share.
    #[arg(long, conflicts_with = "share_moved")]
    forget: bool,
    #[command(flatten)]
    moved: Moved,
}

/// Some file systems give space back a little later; so long it is waited for.
const PATIENCE: u32 = 120;
const PAUSE: Duration = Duration::from_millis(500);

pub(super) fn run(arguments: &Arguments) -> Result<Exit, Failure> {
    let mut store = Writer::open(&arguments.folder.study, &owner("clean"), Timestamp::now())?;
    let data = store.study().data.clone();
    if store.study().config.simulated || data.folder.is_empty() {
        print("no test data lies on the share\n")?;
        return Ok(Exit::Done);
    }
    if arguments.forget {
        let (files, size) = (data.files.len(), data.total().iec());
        store.add_data(&[DataRow::folder(DataEvent::Forgotten, &data.folder)])?;
        print(&format!(
            "forgot {files} files, {size} of test data; nothing was removed\n"
        ))?;
        return Ok(Exit::Done);
    }
    mounted::check(&mut store, &arguments.moved)?;
    let config = &store.study().config;
    let mut share = arguments.moved.share(config, &arguments.folder.study);
    let before = share.space()?.available;
    let (watch, listed) = (Watch::default(), data.clone());
    let watched = watch.clone();
    let sought = data.clone();
    share.ask("looking for test data", &watch, move |share| {
        share.find(&sought)
    })??;
    // Once it is begun, no file counts as whole: a removal that is cut off leaves nothing to read.
    let rows = |event| -> Vec<DataRow> {
        let row = |file: &DataFile| DataRow::file(event, &data.folder, file.number);
        data.files.iter().map(row).collect()
    };
    store.add_data(&rows(DataEvent::Removing))?;
    share.ask("removing test data", &watch, move |share| {
        share.remove_files(&listed, &watched)
    })??;
    // Files before the folder, so that a folder that is gone is never taken for one not mounted.
    store.add_data(&rows(DataEvent::Removed))?;
    let left = store.study().data.clone();
    let gone = share.ask("removing the folder", &watch, move |share| {
        share.remove_folder(&left)
    })??;
    if gone {
        store.add_data(&[DataRow::folder(DataEvent::FolderRemoved, &data.folder)])?;
    }
    let expected = data.total();
    let back = came_back(&mut share, before, expected)?;
    let files = data.files.len();
    let folder = if gone {
        "its folder is gone"
    } else {
        "its folder stays, since something else is in it, or a file that was removed is open somewhere yet"
    };
    let proof = proof(back, expected);
    let size = expected.iec();
    print(&format!(
        "removed {files} files, {size} of test data; {folder}; {proof}\n"
    ))?;
    Ok(Exit::Done)
}

/// How much more is free than before, once what was removed is back, most of it is and no more comes, or
/// patience ends.
fn came_back(share: &mut dyn Share, before: Bytes, expected: Bytes) -> Result<Bytes, Failure> {
    let mut back = Bytes(0);
    for _ in 0..PATIENCE {
        let latest = share.space()?.available.saturating_sub(before);
        let no_more = latest <= back && is_most(latest, expected);
        back = latest;
        if back >= expected || no_more {
            break;
        }
        sleep(PAUSE);
    }
    Ok(back)
}

/// Nine tenths: what lacks then is what a busy share gives and takes.
fn is_most(back: Bytes, expected: Bytes) -> bool {
    back.0 >= expected.share(9, 10).0
}

/// Whether the space of what was removed is back, and why less than that may be.
fn proof(back: Bytes, expected: Bytes) -> String {
    let (told, lacking) = (back.iec(), expected.saturating_sub(back).iec());
    match (
        is_most(back, expected),
        told == expected.iec() || back >= expected,
    ) {
        (true, true) => format!("the share has {told} more free space than before"),
        (true, false) => format!(
            "the share has {told} more free space than before; the other {lacking} were taken by what others, or \
             this machine, wrote meanwhile, or the file system gives them back later"
        ),
        (false, _) => format!(
            "the share has only {told} more free space than before: snapshots may hold the data, or others have \
             written meanwhile"
        ),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn less_space_than_was_removed_is_told_with_what_may_have_taken_it() {
        let removed = Bytes::GIB.times(5).share(1, 4);
        let told = |back: Bytes| proof(back, removed);
        assert_eq!(
            told(removed),
            "the share has 1.25 GiB more free space than before"
        );
        assert!(!told(Bytes::GIB.times(2)).contains("other"));
        let most = told(Bytes(removed.0 - (82 << 20)));
        assert!(
            most.contains("1.17 GiB more free") && most.contains("the other 82.0 MiB"),
            "{most}"
        );
        let little = told(Bytes::GIB.share(1, 4));
        assert!(
            little.contains("only 256 MiB more") && little.contains("snapshots"),
            "{little}"
        );
    }
}

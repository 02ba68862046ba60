//! `poolproof report`: the page.

use jiff::Timestamp;

use super::{Exit, Failure, owner, print};
use crate::compare::{Rules, compare};
use crate::report;
use crate::store::Writer;

/// Writes STUDY/reports/report.html, one page that needs nothing beside it, and its charts as files.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  poolproof report scans")]
pub(super) struct Arguments {
    #[command(flatten)]
    folder: super::StudyFolder,
}

pub(super) fn run(arguments: &Arguments) -> Result<Exit, Failure> {
    let root = &arguments.folder.study;
    let now = Timestamp::now();
    let mut store = Writer::open(root, &owner("report"), now)?;
    let written = write(&mut store, now)?;
    let lines = written
        .iter()
        .map(|name| format!("{}/{name}\n", root.display()));
    print(&lines.collect::<String>())?;
    Ok(Exit::Done)
}

/// Renders the page and its charts into the study; their names.
pub(super) fn write(store: &mut Writer, now: Timestamp) -> Result<Vec<String>, Failure> {
    let study = store.study();
    let comparison = compare(study, Rules::of(study));
    let files = report::files(study, &comparison, now);
    let put = |(name, content): &(String, String)| Ok(store.put_report(name, content)?);
    files.iter().map(put).collect()
}

//! `poolproof report`: the page.

use std::path::Path;

use jiff::Timestamp;

use super::{Exit, Failure, owner, print};
use crate::compare::{Rules, compare};
use crate::judge::judge_all;
use crate::report;
use crate::store::{Writer, names};

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
    print(&told(root, &written))?;
    Ok(Exit::Done)
}

/// Where the page is, and how many charts lie beside it.
pub(super) fn told(root: &Path, written: &[String]) -> String {
    let (page, charts) = (
        written.first().map_or("", String::as_str),
        written.len().max(1) - 1,
    );
    let root = root.display();
    format!(
        "{root}/{page} and {charts} charts in {root}/{}/charts\n",
        names::REPORTS
    )
}

/// Renders the page and its charts into the study; their names.
pub(super) fn write(store: &mut Writer, now: Timestamp) -> Result<Vec<String>, Failure> {
    let study = store.study();
    let judgements = judge_all(study);
    let comparison = compare(study, &judgements, Rules::of(study));
    let files = report::files(study, &comparison, &judgements, now);
    let put = |(name, content): &(String, String)| Ok(store.put_report(name, content)?);
    files.iter().map(put).collect()
}

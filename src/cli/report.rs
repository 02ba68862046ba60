//! `poolproof report`: the page.

use std::path::{Path, PathBuf};

use jiff::Timestamp;

use super::{Exit, Failure, print, say};
use crate::compare::{Account, Rules, compare};
use crate::judge::judge_all;
use crate::report;
use crate::store::{self, names};
use crate::study::Study;
use crate::text::path;

/// Writes STUDY/reports/report.html, one page that needs nothing beside it, and its charts as files.
///
/// The study is only read: a page can be had while a sitting runs, and of a study that cannot be
/// written to.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Examples:\n  poolproof report scans\n  poolproof report /archive/scans --to /tmp/page"
)]
pub(super) struct Arguments {
    #[command(flatten)]
    folder: super::StudyFolder,
    /// Folder to write into, made when it is missing [default: reports in the study].
    #[arg(long, value_name = "DIR")]
    to: Option<PathBuf>,
}

pub(super) fn run(arguments: &Arguments) -> Result<Exit, Failure> {
    let root = &arguments.folder.study;
    let study = store::read(root)?;
    study.remarks.iter().for_each(|remark| say(remark));
    let own = root.join(names::REPORTS);
    // In somebody else's study it might be a link to a folder of the person's.
    if arguments.to.is_none() && own.is_symlink() {
        let message = format!("{} is a link: name a folder with --to DIR", path(&own));
        return Err(Failure::new(Exit::Study, message));
    }
    let folder = arguments.to.clone().unwrap_or(own);
    print(&write(&study, &folder, Timestamp::now())?)?;
    Ok(Exit::Done)
}

/// Renders the page and its charts into `folder`; where they are.
pub(super) fn write(study: &Study, folder: &Path, now: Timestamp) -> Result<String, Failure> {
    let judgements = judge_all(study);
    let comparison = compare(study, &judgements, Rules::of(study));
    let account = Account::of(study, &comparison, &judgements, super::clock(study));
    let files = report::files(study, &comparison, &judgements, &account, now);
    store::publish(folder, &files)?;
    let page = files.first().map_or("", |(name, _)| name);
    let (charts, folder) = (files.len().max(1) - 1, path(folder));
    Ok(format!(
        "{folder}/{page} and {charts} charts in {folder}/charts\n"
    ))
}

//! `poolproof show`: what a study holds.

use super::{Exit, Failure, print};
use crate::{report, store};

/// Lists sittings, facts and test data of a study.
///
/// Of a study with more than 20 sittings the latest 20 are listed, and the others counted; --all lists
/// them with the grades of their trials, which takes longer.
#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:\n  poolproof show scans\n  poolproof show scans --all")]
pub(super) struct Arguments {
    #[command(flatten)]
    folder: super::StudyFolder,
    /// All sittings, however many there are.
    #[arg(long)]
    all: bool,
}

pub(super) fn run(arguments: &Arguments) -> Result<Exit, Failure> {
    let root = &arguments.folder.study;
    let study = match arguments.all {
        true => store::read(root)?,
        false => store::read_latest(root, report::LATEST)?,
    };
    let listed = if arguments.all {
        usize::MAX
    } else {
        report::LATEST
    };
    print(&report::study_text(
        &study,
        &crate::judge::judge_some(&study, study.first_of_latest(listed)),
        listed,
        super::width(),
    ))?;
    Ok(Exit::Done)
}

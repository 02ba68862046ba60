//! `poolproof show`: what a study holds.

use super::{Exit, Failure, print};
use crate::{report, store};

/// Lists sittings, facts and test data of a study.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  poolproof show scans")]
pub(super) struct Arguments {
    #[command(flatten)]
    folder: super::StudyFolder,
}

pub(super) fn run(arguments: &Arguments) -> Result<Exit, Failure> {
    let study = store::read(&arguments.folder.study)?;
    print(&report::study_text(
        &study,
        &crate::judge::judge_all(&study),
        super::width(),
    ))?;
    Ok(Exit::Done)
}

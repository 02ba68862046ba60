//! `poolproof compare`: what changed.

use super::{Exit, Failure, print};
use crate::compare::{Rules, compare};
use crate::judge::judge_all;
use crate::{report, store};

/// Compares the phases of a study, workload by workload.
///
/// A gain or a loss is said only when the 95 % interval of the ratio excludes 1 and the change
/// reaches the study's threshold (3 % unless study.toml says otherwise).
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Examples:\n  poolproof compare scans\n  poolproof compare scans --csv > comparison.csv"
)]
pub(super) struct Arguments {
    #[command(flatten)]
    folder: super::StudyFolder,
    /// As CSV, a row a workload.
    #[arg(long, conflicts_with = "json")]
    csv: bool,
    /// As JSON, with every method's figures.
    #[arg(long)]
    json: bool,
}

pub(super) fn run(arguments: &Arguments) -> Result<Exit, Failure> {
    let study = store::read(&arguments.folder.study)?;
    study.remarks.iter().for_each(|remark| super::say(remark));
    let judgements = judge_all(&study);
    let comparison = compare(&study, &judgements, Rules::of(&study));
    print(&match (arguments.csv, arguments.json) {
        (true, _) => report::comparison_csv(&comparison, &judgements),
        (_, true) => report::comparison_json(&study, &comparison, &judgements),
        _ => report::comparison_text(&comparison, &judgements, super::width()),
    })?;
    Ok(Exit::Done)
}

//! `poolproof why`: the evidence behind a trial's grade.

use super::{Exit, Failure, data, print};
use crate::judge::judge_all;
use crate::{report, store};

/// Lays out why a trial has its grade: what was expected, what was seen, what it proves, what limits.
///
/// A holds at the wire or the drives, B where what was looked at would have shown a cache, U
/// was not looked at, C is suspect, X is rejected. What no observation would have shown counts as possible. Of a trial that was cut short it tells the cause, what
/// that means for the pool, and what to do.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Examples:\n  poolproof why scans\n  poolproof why scans 12\n  poolproof why scans --csv > grades.csv"
)]
pub(super) struct Arguments {
    #[command(flatten)]
    folder: super::StudyFolder,
    /// Number of the trial [default: the latest that is complete].
    #[arg(value_name = "TRIAL")]
    trial: Option<u64>,
    /// Grades and limits of all complete trials as CSV, a row a trial.
    #[arg(long, conflicts_with_all = ["json", "trial"])]
    csv: bool,
    /// The trial's evidence as JSON.
    #[arg(long)]
    json: bool,
}

pub(super) fn run(arguments: &Arguments) -> Result<Exit, Failure> {
    let study = store::read(&arguments.folder.study)?;
    study.remarks.iter().for_each(|remark| super::say(remark));
    let judgements = judge_all(&study);
    let trial = arguments.trial;
    let refused = |message| Failure::new(Exit::Study, message);
    match (arguments.csv, arguments.json) {
        (true, _) => data(&report::why_csv(&study, &judgements))?,
        (_, true) => {
            data(&report::why_json(&study, trial, &judgements).map_err(refused)?)?;
        }
        _ => {
            let text = report::why_text(&study, trial, &judgements, super::width());
            print(&text.map_err(refused)?)?;
        }
    }
    Ok(Exit::Done)
}

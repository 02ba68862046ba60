//! `poolproof compare`: what changed, what it cost, what it gave.

use std::thread::scope;

use super::check::moment;
use super::{Exit, Failure, data, print};
use crate::compare::{Account, Rules, compare};
use crate::judge::judge_all;
use crate::ready::next_by;
use crate::text::typed;
use crate::{report, store};

/// Compares the phases of a study, workload by workload.
///
/// A gain or a loss is said only when the 95 % interval of the ratio excludes 1 and the change
/// reaches the study's threshold (3 % unless study.toml says otherwise). Below stand what the reshape
/// cost its users, how the limits of study.toml were kept, forecasts against the actual end, what the
/// gains are made of, and what was expected of them.
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
    let mut study = store::read(&arguments.folder.study)?;
    study.remarks.iter().for_each(|remark| super::say(remark));
    let judgements = judge_all(&study);
    // Once they are judged, trials speak by their judgements.
    (study.windows, study.latency) = Default::default();
    let comparison = compare(&study, &judgements, Rules::of(&study));
    // What follows is found beside the account: both go through all readings of the reshape.
    let next = || next_by(&study, &comparison, None, moment(&study));
    let tables = arguments.csv || arguments.json;
    let (account, follows) = scope(|scope| {
        let follows = (!tables).then(|| scope.spawn(next));
        let account = Account::of(&study, &comparison, &judgements, super::clock(&study));
        let follows = follows.map(|next| next.join().expect("what follows is found"));
        (account, follows)
    });
    match (arguments.csv, arguments.json) {
        (true, _) => data(&report::comparison_csv(&comparison, &judgements, &account))?,
        (_, true) => data(&report::comparison_json(
            &study,
            &comparison,
            &judgements,
            &account,
        ))?,
        _ => {
            let width = super::width();
            let text = report::comparison_text(&comparison, &judgements, width);
            let account = report::account_text(&account, width);
            let follows = follows.map(|next| next.at(&typed(&arguments.folder.study)));
            let follows = follows.map_or(String::new(), |next| report::now_text(&next, width));
            print(&(text + &account + &follows))?;
        }
    }
    Ok(Exit::Done)
}

//! `poolproof next`: what must follow now.

use super::check::{Answer, moment, record};
use super::mounted::{self, Patience};
use super::{Exit, Failure, data, print, say, width};
use crate::ready::next;
use crate::study::{Outcome, Side};
use crate::text::typed;
use crate::{report, store};

/// Tells what must follow now, from the first baseline to the look after 30 days.
///
/// "Done" is four events: the layout is finished, the file system has grown, a scrub is clean, and the
/// speed was measured again. Sizes and settings that can be seen are; the rest is recorded with
/// --done.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Examples:\n  poolproof next scans\n  poolproof next scans --done reshape --by 'the keeper' --on 2026-03-04\n\nItems: started, reshape, grow, alignment, settings, scrub, report, look-7, look-30"
)]
pub(super) struct Arguments {
    #[command(flatten)]
    folder: super::StudyFolder,
    /// Record that this was done, in checks.csv.
    #[arg(long, value_name = "ITEM", requires = "by", conflicts_with = "json")]
    done: Option<String>,
    /// It was done and found something bad.
    #[arg(long, requires = "done")]
    failed: bool,
    #[command(flatten)]
    answer: Answer,
    #[command(flatten)]
    patience: Patience,
    /// As JSON.
    #[arg(long)]
    json: bool,
}

pub(super) fn run(arguments: &Arguments) -> Result<Exit, Failure> {
    let root = &arguments.folder.study;
    if let Some(item) = &arguments.done {
        let outcome = match arguments.failed {
            true => Outcome::Failed,
            false => Outcome::Passed,
        };
        return record(root, Side::After, item, outcome, &arguments.answer);
    }
    let study = store::read(root)?;
    study.remarks.iter().for_each(|remark| say(remark));
    let live =
        (!study.config.simulated).then(|| mounted::facts(&study.config, &arguments.patience));
    let live = live.transpose()?;
    let follows = next(&study, live.as_ref(), moment(&study)).at(&typed(root));
    match arguments.json {
        true => data(&report::next_json(&follows))?,
        false => print(&report::next_text(&follows, width()))?,
    }
    Ok(Exit::Done)
}

#[cfg(test)]
mod tests {
    use clap::Parser;

    use super::super::Arguments as Typed;
    use super::*;
    use crate::report::testing::{Scene, study};

    /// Whatever stands between backticks and begins with the program's name runs as it is printed.
    #[test]
    fn every_command_that_is_suggested_can_be_typed() {
        let mut seen = 0;
        for scene in [Scene::Empty, Scene::BeforeOnly, Scene::BeforeDuring] {
            let study = study(scene);
            let follows = next(&study, None, moment(&study)).at("scans");
            for step in &follows.steps {
                assert!(!step.advice.contains("STUDY"), "{}", step.advice);
                for command in step.advice.split('`').skip(1).step_by(2) {
                    let parsed = Typed::try_parse_from(command.split_whitespace());
                    assert!(parsed.is_ok(), "{command}: {:?}", parsed.err());
                    seen += 1;
                }
            }
        }
        assert!(seen > 20, "{seen}");
    }
}

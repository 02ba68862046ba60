//! `poolproof check`: may the expansion start?

use std::path::Path;

use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;

use super::consent::settle;
use super::mounted::{self, Patience};
use super::{Exit, Failure, data, owner, print, say, width};
use crate::facts::Facts;
use crate::probe::Sources;
use crate::ready::{self, Activity, Look, Readiness, Verdict, readiness};
use crate::reshape::{Reported, Source};
use crate::store::Writer;
use crate::study::{CheckRow, Config, Outcome, Place, Side, Study};
use crate::text::{count, typed};
use crate::units::Rate;
use crate::watch::asked;
use crate::{probe, report, store};

/// Tells whether the expansion may start: go, not yet or no, line by line with the evidence.
///
/// What the program can see itself it looks at; what it cannot, a person answers for with --attest,
/// and answers go stale. Exit code 0 says go, 5 not yet, 6 no.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Examples:\n  poolproof check scans\n  poolproof check scans --attest scrub --by 'the keeper' --note '0 mismatches' --on 2026-03-01\n\nItems: self-test, scrub, restore, power, new-drive, serials, stop-rules, users, freeze, idle, clock-set"
)]
pub(super) struct Arguments {
    #[command(flatten)]
    folder: super::StudyFolder,
    #[command(flatten)]
    patience: Patience,
    /// Answer for this item, and keep the answer in checks.csv.
    #[arg(
        long,
        value_name = "ITEM",
        requires = "by",
        requires = "note",
        conflicts_with = "json"
    )]
    attest: Option<String>,
    /// It was done and found something bad.
    #[arg(long, requires = "attest")]
    failed: bool,
    #[command(flatten)]
    answer: Answer,
    /// As JSON.
    #[arg(long)]
    json: bool,
}

/// Who answers for an item, what they say, and when it was done.
#[derive(Debug, clap::Args)]
pub(super) struct Answer {
    /// Who answers for it.
    #[arg(long, value_name = "NAME", value_parser = parse_name)]
    by: Option<String>,
    /// What was found, in a sentence.
    #[arg(long, value_name = "TEXT")]
    note: Option<String>,
    /// When it was done, as 2026-03-01 or 2026-03-01T14:30:00Z [default: now].
    #[arg(long, value_name = "DATE", value_parser = parse_moment)]
    on: Option<Timestamp>,
}

fn parse_name(text: &str) -> Result<String, String> {
    let blank = text.chars().all(|c| c.is_whitespace() || c.is_control());
    match blank {
        true => Err("write the name of whoever answers for it".to_owned()),
        false => Ok(text.to_owned()),
    }
}

fn parse_moment(text: &str) -> Result<Timestamp, String> {
    let day = || {
        let midnight = text.parse::<Date>().ok()?.at(0, 0, 0, 0);
        TimeZone::UTC.to_timestamp(midnight).ok()
    };
    text.parse()
        .ok()
        .or_else(day)
        .ok_or_else(|| "write a date as 2026-03-01, or a time as 2026-03-01T14:30:00Z".to_owned())
}

pub(super) fn run(arguments: &Arguments) -> Result<Exit, Failure> {
    let root = &arguments.folder.study;
    if let Some(item) = &arguments.attest {
        let outcome = match arguments.failed {
            true => Outcome::Failed,
            false => Outcome::Passed,
        };
        return record(root, Side::Before, item, outcome, &arguments.answer);
    }
    let mut study = store::read(root)?;
    study.remarks.iter().for_each(|remark| say(remark));
    if !study.config.simulated {
        let places = [Place::Reshape, Place::Diskstats];
        let settled = settle(&study.config, root, &places)?;
        settled.say_all_but(None);
        study.config.allow(&settled.allowed);
    }
    let typed = typed(root);
    let look = look(&study, &arguments.patience)?;
    let found = readiness(&study, &look, moment(&study)).at(&typed);
    match arguments.json {
        true => data(&report::check_json(&found))?,
        false => print(&report::check_text(&found, &typed, width()))?,
    }
    Ok(exit(&found))
}

fn exit(found: &Readiness) -> Exit {
    match found.verdict {
        Verdict::Go => Exit::Done,
        Verdict::NotYet => Exit::NotYet,
        Verdict::No => Exit::No,
    }
}

/// Keeps an answer about `item` of `side`.
pub(super) fn record(
    root: &Path,
    side: Side,
    item: &str,
    result: Outcome,
    answer: &Answer,
) -> Result<Exit, Failure> {
    let item = ready::item(side, item).map_err(|why| Failure::new(Exit::Usage, why))?;
    let noted = Timestamp::now();
    let done = answer.on.unwrap_or(noted);
    // Today's date in a zone east of UTC may begin up to 14 hours from now.
    if done.as_second() > noted.as_second() + 14 * 3600 {
        let why = format!("--on {done:.0} has not come yet: give the day on which it was done");
        return Err(Failure::new(Exit::Usage, why));
    }
    let mut store = Writer::open(root, &owner("check"), noted)?;
    store.recovered().iter().for_each(|sentence| say(sentence));
    if result == Outcome::Passed
        && let Some(due) = ready::too_early(store.study(), item.word, done)
    {
        let why = format!(
            "{} counts from {} on: record it when you have looked then",
            item.word,
            due.strftime("%Y-%m-%d")
        );
        return Err(Failure::new(Exit::Usage, why));
    }
    store.add_check(CheckRow {
        noted,
        done: done.min(noted),
        side,
        item: item.word.to_owned(),
        result,
        by: answer.by.clone().unwrap_or_default(),
        note: answer.note.clone().unwrap_or_default(),
    })?;
    let counts = item.days.map_or(String::new(), |days| {
        format!("; it counts for {}", count(days as usize, "day"))
    });
    print(&format!(
        "recorded {}: {}{counts}\n",
        item.word,
        match result {
            Outcome::Passed => item.title,
            Outcome::Failed => "it failed",
        }
    ))?;
    Ok(Exit::Done)
}

/// The time of day; in a made-up study that of its last trial.
pub(super) fn moment(study: &Study) -> Timestamp {
    let config = &study.config;
    let last = study.trials.last().map(|trial| trial.started);
    match config.simulated {
        true => last.unwrap_or(config.created),
        false => Timestamp::now(),
    }
}

/// Looks at machine and share; of a made-up share there is only what was recorded.
fn look(study: &Study, patience: &Patience) -> Result<Look, Failure> {
    let config = &study.config;
    if config.simulated {
        let latest = study.trials.iter().rev();
        let facts = latest
            .filter_map(|trial| study.facts.get(&trial.facts))
            .next();
        return Ok(Look {
            facts: facts.cloned().unwrap_or_default(),
            ..Look::default()
        });
    }
    let share = Path::new(&config.share);
    // Whoever answers now is taken to answer the few questions that follow.
    let facts = mounted::facts(config, patience)?;
    let laid = study.data.files.iter().any(|file| file.complete);
    let address = config
        .server
        .as_ref()
        .and_then(|server| server.address.as_deref());
    let sources = Sources::find(share, address, &[]);
    Ok(Look {
        interface: sources.link().map(|link| link.interface.clone()),
        data_found: laid.then(|| share.join(&study.data.folder).is_dir()),
        activity: activity(config, &facts),
        facts,
    })
}

/// Above this rate on every member drive, something large may be running.
const BUSY: f64 = 5e6;

/// Whether a reshape, a rebuild or a scrub is running, as far as it can be seen from here: by the
/// source of progress in study.toml, by the array under a local share, else by how much every member
/// drive moves.
fn activity(config: &Config, facts: &Facts) -> Activity {
    let told = |reported: Result<Reported, String>, of: Source, source: &str| match reported {
        Ok(reported) => Activity::reported(&reported, of, source),
        Err(why) => Activity::NotSeen(format!("{source} was asked in vain: {why}")),
    };
    if let Some(following) = &config.reshape
        && let Some(reported) = asked(following)
    {
        return told(reported, following.source, "the command of [reshape]");
    }
    let mut devices = facts.devices.iter().map(|device| &device.name);
    let array = devices.find(|name| name.starts_with("md"));
    if let (Some(name), Some(text)) = (array, probe::arrays()) {
        let reported = Source::Mdstat.read(&text, Some(name));
        let source = format!("array {name} of this machine");
        return told(
            reported.map_err(|error| error.to_string()),
            Source::Mdstat,
            &source,
        );
    }
    match config.server.as_ref().and_then(probe::moving) {
        Some(Ok(rate)) if rate < BUSY => Activity::Quiet(format!(
            "a member drive of the server moves {} only: no pass over all drives runs",
            Rate(rate)
        )),
        Some(Ok(rate)) => Activity::Running(format!(
            "every member drive of the server moves {} or more: users, or a pass over all drives",
            Rate(rate)
        )),
        Some(Err(why)) => Activity::NotSeen(format!("the server was asked in vain: {why}")),
        None => Activity::NotSeen("the server's status cannot be seen from here".to_owned()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn days_and_moments_are_read_and_names_are_not_blank() {
        let day = parse_moment("2026-03-01").unwrap();
        assert_eq!(day.to_string(), "2026-03-01T00:00:00Z");
        let moment = parse_moment("2026-03-01T14:30:00+02:00").unwrap();
        assert_eq!(moment.to_string(), "2026-03-01T12:30:00Z");
        for text in ["", "yesterday", "2026-13-01", "03/01/2026"] {
            assert!(parse_moment(text).is_err(), "{text}");
        }
        assert!(parse_name(" \t\u{1b}").is_err());
        assert_eq!(parse_name("the keeper"), Ok("the keeper".to_owned()));
    }
}

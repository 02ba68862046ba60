//! What was forecast against what came.

use super::{Figures, Section, Topic, clock, off_by};
use crate::compare::Account;
use crate::compare::forecasted::{Finish, Forecasted, Moment, Planned, Told};
use crate::report::words::{NONE, lasted, planned};
use crate::units::percent;

const TITLE: &str = "Forecast against actual";

pub(super) fn section(account: &Account) -> Section {
    let bare = |note: &str| Section {
        topic: Topic::Forecast,
        title: TITLE,
        findings: Vec::new(),
        tables: Vec::new(),
        notes: vec![note.to_owned()],
    };
    let Some(found) = &account.forecasts else {
        return bare(&format!(
            "The reshape {}, so there is no forecast to hold against its end.",
            account.unfollowed()
        ));
    };
    let mut notes = vec![
        "The forecast is made again from the readings up to each moment, with the zones and hours that study.toml states now.".to_owned(),
    ];
    if !found.hourly && !super::brief(account) {
        notes.push("Nothing was known of the hours of the day (speed_by_hour in study.toml): where they differ, early forecasts are off by that.".to_owned());
    }
    if let Some(note) = unread(found) {
        notes.push(note);
    }
    Section {
        topic: Topic::Forecast,
        title: TITLE,
        findings: vec![actual(found, account), plan(found, account)],
        tables: vec![Figures {
            caption: "The finish as it would have been told".to_owned(),
            head: vec!["at", "told", "finish", "off by", "80 % range", "95 % range"],
            rows: found
                .moments
                .iter()
                .map(|moment| row(moment, account))
                .collect(),
        }],
        notes,
    }
}

fn unread(found: &Forecasted) -> Option<String> {
    let hours = found.unseen_s? / 3600.0;
    (hours > 0.5).then(|| {
        format!("Nobody read it in the last {hours:.1} h: the end lies somewhere in them, and is taken to be where its latest speed puts it.")
    })
}

fn actual(found: &Forecasted, account: &Account) -> String {
    let began = clock(found.began, account);
    let from = match found.from_fraction {
        fraction if fraction > 0.0 => format!(", at {}", percent(fraction, 1)),
        _ => String::new(),
    };
    let idle = match found.begun.filter(|begun| *begun < found.began) {
        Some(begun) => format!(" (nothing ran at {})", clock(begun, account)),
        None => String::new(),
    };
    match (found.finished, found.hours) {
        (Some(finished), Some(hours)) => format!(
            "Followed from {began}{from}{idle}; done {}, {} later.",
            clock(finished, account),
            lasted(hours)
        ),
        _ => format!("Followed from {began}{from}{idle}; its end has not been read yet."),
    }
}

fn plan(found: &Forecasted, account: &Account) -> String {
    match &found.plan {
        Planned::Unknown(why) => format!("Not held against a plan: {why}."),
        Planned::Hours {
            best,
            likely,
            worst,
            held,
        } => {
            // `plan` reckons with the start that is stated, so its hours of use are others.
            let told = format!(
                "The plan, reckoned with the start that it had ({}), says {} at best, {} likely, {} at worst",
                clock(found.began, account),
                planned(*best),
                planned(*likely),
                planned(*worst)
            );
            match (held, found.hours) {
                (Some(true), Some(actual)) => {
                    format!("{told}: it took {}, as the plan had it.", lasted(actual))
                }
                (Some(false), Some(actual)) => {
                    format!("{told}: it took {}, outside the plan.", lasted(actual))
                }
                _ => format!("{told}."),
            }
        }
    }
}

fn row(moment: &Moment, account: &Account) -> Vec<String> {
    let at = percent(moment.mark, 0);
    match &moment.told {
        Told::Finish(finish) => told(at, finish, account),
        other => {
            let mut row = vec![at, other.without().unwrap_or_default()];
            row.extend([NONE; 4].map(str::to_owned));
            row
        }
    }
}

fn told(at: String, finish: &Finish, account: &Account) -> Vec<String> {
    let clock = |at| clock(at, account);
    let error = finish.error_h.map_or(NONE.to_owned(), |error| {
        let part = finish.error_of_left.map_or(String::new(), |part| {
            format!("\n{} of the rest", percent(part.abs(), 0))
        });
        format!("{}{part}", off_by(error))
    });
    let range = |[early, late]: [jiff::Timestamp; 2], held: Option<bool>| {
        let held = match held {
            Some(true) => "\nheld",
            Some(false) => "\nmissed",
            None => "",
        };
        format!("{}\nto {}{held}", clock(early), clock(late))
    };
    vec![
        at,
        clock(finish.made),
        clock(finish.finish),
        error,
        range(finish.range80, finish.held80),
        range(finish.range95, finish.held95),
    ]
}

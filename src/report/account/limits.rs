//! How long users felt more than they should have.

use super::{Section, Topic, clock};
use crate::compare::Account;
use crate::compare::limits::{Kept, Limited, Minutes};
use crate::report::words::{count, grouped, lasted, minutes};

pub(super) fn section(account: &Account) -> Section {
    let unset: Vec<&str> = account
        .limits
        .iter()
        .filter(|kept| kept.limit.is_none())
        .map(|kept| kept.what.key())
        .collect();
    let mut notes = Vec::new();
    if !unset.is_empty() {
        notes.push(format!(
            "No limit is set by {}: set it under [limits] in study.toml, and the minutes outside it are counted, of this reshape too.",
            unset.join(" and ")
        ));
    }
    let findings = account.limits.iter();
    Section {
        topic: Topic::Limits,
        title: "Minutes outside your limits",
        findings: findings.filter_map(|kept| finding(kept, account)).collect(),
        tables: Vec::new(),
        notes,
    }
}

fn finding(kept: &Kept, account: &Account) -> Option<String> {
    let limit = kept.limit?;
    let promise = match kept.what {
        Limited::SmallRead => format!("Small reads within {limit} ms on average"),
        Limited::Copy => format!("Large reads of one user at {limit} MB/s or more"),
    };
    let Some(Minutes {
        outside,
        within,
        failed,
        unseen,
    }) = kept.minutes
    else {
        return Some(format!(
            "{promise}: not known, since the reshape {}.",
            account.unfollowed()
        ));
    };
    let failed = match failed > 0.0 {
        false => String::new(),
        true => format!(", {} with failed probes", minutes(failed)),
    };
    let (outside, within, unseen) = (minutes(outside), minutes(within), minutes(unseen));
    let looked = match kept.probes {
        0 => "no probe looked".to_owned(),
        some => format!(
            "{} looked for {} in all",
            count(some, "probe"),
            lasted(kept.looked_s / 3600.0)
        ),
    };
    let span = if kept.bin_s < 60.0 {
        "second"
    } else {
        "minute"
    };
    let mut text = format!(
        "{promise}: {outside} outside, {within} within{failed}; {unseen} were not observed, of which nothing is known. A {span} is judged by the probes in it: {looked}."
    );
    if let Some(stretch) = kept.longest {
        text += &format!(
            " Longest stretch: {} outside, as {} in a row found, of which the first began {} and the last ended {} after it.",
            minutes(stretch.observed),
            count(stretch.probes, "probe"),
            clock(stretch.began, account),
            lasted(stretch.minutes() / 60.0)
        );
    }
    if let Some(worst) = kept.worst {
        let unit = match kept.what {
            Limited::SmallRead => "ms in the worst probe",
            Limited::Copy => "MB/s in the slowest",
        };
        text += &format!(" {} {unit}.", grouped(worst));
    }
    Some(text)
}

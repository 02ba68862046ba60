//! What it gave: the gains taken apart, and what was expected of them.

use super::{Figures, Section, Topic};
use crate::compare::expected::{Expectation, Expectations};
use crate::compare::gain::{Gain, Setting};
use crate::compare::{Account, Bounds};
use crate::report::words::{self, NONE, change};
use crate::text::plain;
use crate::units::percent;

pub(super) fn gains(account: &Account) -> Section {
    let row = |gain: &Gain| {
        let place = gain.location.map_or(NONE.to_owned(), |split| {
            format!(
                "{}\n{} to {}",
                change(split.location),
                percent(split.before.mean, 0),
                percent(split.later.mean, 0)
            )
        });
        vec![
            plain(&gain.workload),
            with_interval(gain.ratio, gain.noise),
            place,
            left(gain.rest, gain.rest_noise),
        ]
    };
    let rest = match account.settings.is_empty() {
        true => "left: drives and all else",
        false => "left: drives, settings, all else",
    };
    Section {
        topic: Topic::Gain,
        title: "What the change is made of",
        findings: vec![changed(&account.settings)],
        tables: vec![Figures {
            caption: "After against before; the 95 % intervals are the noise".to_owned(),
            head: vec!["workload", "in all", "by the place of the data", rest],
            rows: account.gains.iter().map(row).collect(),
        }],
        notes: places(&account.gains),
    }
}

fn with_interval(ratio: f64, bounds: Option<Bounds>) -> String {
    let interval = bounds.map_or("no interval".to_owned(), |Bounds { low, high }| {
        format!("{} to {}", change(low), change(high))
    });
    format!("{}\n{interval}", change(ratio))
}

/// What is left, where its interval leaves no doubt that anything is.
fn left(rest: f64, bounds: Option<Bounds>) -> String {
    match bounds {
        Some(Bounds { low, high }) if low <= 1.0 && high >= 1.0 => {
            format!("not seen\n{} to {}", change(low), change(high))
        }
        Some(_) => with_interval(rest, bounds),
        None => "not seen\nno interval".to_owned(),
    }
}

fn changed(settings: &[Setting]) -> String {
    if settings.is_empty() {
        return "No setting that is known changed between before and after.".to_owned();
    }
    let values = |values: &[String]| plain(&values.join(", "));
    let told: Vec<String> = settings
        .iter()
        .map(|setting| {
            let (fact, before) = (plain(&setting.fact), values(&setting.before));
            format!("{fact} ({before} → {})", values(&setting.after))
        })
        .collect();
    format!(
        "Settings that changed too: {}. Their part has no number: nothing was measured with the drives alone.",
        told.join("; ")
    )
}

/// What the places rest on, and why they are not known, the same reason once.
fn places(gains: &[Gain]) -> Vec<String> {
    let unknown = gains.iter().filter_map(|gain| {
        let why = format!("no part for the place: {}", gain.location_unknown?.words());
        Some((plain(&gain.workload), why))
    });
    let mut notes = words::merged(unknown);
    if let Some(split) = gains.iter().find_map(|gain| gain.location) {
        let source = if split.stated {
            "as study.toml states"
        } else {
            "as rotating drives usually are"
        };
        notes.push(format!(
            "The place is that of the test data on the device, with tracks {} times as fast outside as inside, {source}; how far that is off is not in the intervals.",
            words::grouped(1.0 / split.inner)
        ));
    }
    notes
}

/// `None` where there is no workload to expect anything of.
pub(super) fn expected(account: &Account) -> Option<Section> {
    const TITLE: &str = "Expected against measured";
    let known = match &account.expected {
        Expectations::Unknown(_) if account.gains.is_empty() => return None,
        Expectations::Unknown(why) => {
            return Some(Section {
                topic: Topic::Expected,
                title: TITLE,
                findings: Vec::new(),
                tables: Vec::new(),
                notes: vec![format!("Not known: {why}.")],
            });
        }
        Expectations::Known(known) if known.is_empty() => return None,
        Expectations::Known(known) => known,
    };
    let times = |Bounds { low, high }: Bounds| match (format!("×{low:.2}"), format!("×{high:.2}"))
    {
        (low, high) if low == high => low,
        (low, high) => format!("{low} to {high}"),
    };
    let row = |of: &Expectation| {
        let measured = of.measured.map_or("void".to_owned(), |ratio| {
            let interval = of
                .interval
                .map_or(String::new(), |interval| format!("\n{}", times(interval)));
            format!("×{ratio:.2}{interval}")
        });
        let link = if of.capped { "\nlink full" } else { "" };
        vec![
            plain(&of.workload),
            times(of.drives),
            match of.located {
                true => times(of.location),
                false => format!("not known\n{} by plan", times(of.location)),
            },
            format!("{}{link}", times(of.band)),
            measured,
            of.accord.word().to_owned(),
        ]
    };
    let reasons = known.iter().flat_map(|of| {
        let name = plain(&of.workload);
        let told = of.reasons.iter().map(|reason| plain(&reason.sentence));
        told.map(move |sentence| (name.clone(), sentence))
    });
    Some(Section {
        topic: Topic::Expected,
        title: TITLE,
        findings: words::merged(reasons),
        tables: vec![Figures {
            caption: "Expected by textbook models, measured, and how they agree".to_owned(),
            head: vec![
                "workload",
                "by drives",
                "by place",
                "expected here",
                "measured",
                "so",
            ],
            rows: known.iter().map(row).collect(),
        }],
        notes: vec!["Expected is a band between models that disagree; `plan` names them and what they take for granted.".to_owned()],
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_left_is_told_only_where_its_interval_leaves_no_doubt() {
        let of = |rest, low, high| left(rest, Some(Bounds { low, high }));
        assert_eq!(of(1.2, 1.1, 1.3), "+20 %\n+10 % to +30 %");
        assert_eq!(of(0.8, 0.7, 0.9), "−20 %\n−30 % to −10 %");
        assert_eq!(of(1.2, 0.9, 1.5), "not seen\n−10 % to +50 %");
        assert_eq!(left(1.2, None), "not seen\nno interval");
    }
}

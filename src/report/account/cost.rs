//! What it cost users while it ran.

use super::{Figures, Section, Topic, pace};
use crate::compare::cost::{Baseline, During, Feeling, Felt, HourOfDay, Pace, Probing, Together};
use crate::compare::{Account, Bounds};
use crate::report::words::{NONE, change, count, latency};
use crate::stats::describe::median;
use crate::text::plain;
use crate::units::{Bytes, Rate, percent, range};

pub(super) fn section(account: &Account) -> Section {
    let cost = &account.cost;
    let reshape = cost
        .reshape_fraction_per_h
        .map(|speed| format!(" while the reshape went at {}", pace(speed)));
    let beside = reshape.unwrap_or_default();
    let mut findings = Vec::new();
    findings.extend(cost.small.as_ref().map(|felt| small(felt, &beside)));
    findings.extend(cost.large.as_ref().map(|felt| large(felt, &beside)));
    if !super::brief(account) {
        findings.extend(extremes(&cost.by_hour));
    }
    findings.extend(cost.together.iter().map(together));
    findings.extend(cost.probing.map(probing));
    let mut notes = Vec::new();
    if cost.small.is_none() && cost.large.is_none() && !account.waits {
        notes.push("What users felt between trials is not known: no light probes were made; `watch` makes them.".to_owned());
    }
    if cost.small.is_some() && !cost.trials.is_empty() {
        notes.push("Probes and trials need not agree: probes are single cold reads, spread over the whole reshape; trials read one after another, in the hours of their sittings only.".to_owned());
    }
    if account.reshaped.is_none() {
        notes.push(format!(
            "How fast the reshape went is not known: it {}; `watch` follows it.",
            account.unfollowed()
        ));
    }
    if !cost.together.is_empty() {
        notes.push("What went together need not be cause and effect: users slow a reshape as it slows them, and the hour of the day moves both.".to_owned());
    }
    Section {
        topic: Topic::Cost,
        title: "What it cost while it ran",
        findings,
        tables: hours(account).into_iter().chain(trials(account)).collect(),
        notes,
    }
}

fn small(felt: &Felt, beside: &str) -> String {
    let (value, reads) = (
        latency(Some(felt.value)),
        count(felt.operations as usize, "read"),
    );
    let median = felt.p50_ns.map_or(String::new(), |ns| {
        format!("median {}, ", latency(Some(ns)))
    });
    let worst = latency(felt.max_ns.map(|ns| ns as f64));
    let before = match &felt.baseline {
        Some(before) => against(felt, before),
        None => no_match(felt, "at random"),
    };
    format!(
        "By probes a small read took {value} on average ({median}worst {worst}; {reads} of {}){beside}{before}{}{}.",
        count(felt.probes, "probe"),
        failed(felt),
        few(felt)
    )
}

/// What small reads are held against, and how far their paces differ.
fn against(felt: &Felt, before: &Baseline) -> String {
    let value = latency(Some(before.value));
    let median = before.p50_ns.map_or(String::new(), |ns| {
        format!(" (median {})", latency(Some(ns)))
    });
    let of = match before.pace {
        Pace::AsProbes => format!("the probes before it began{median}"),
        Pace::AtOnce | Pace::Alike => format!("{} before{median}", plain(&before.workload)),
    };
    if felt.few() {
        return format!("; {value} was that of {of}");
    }
    let times = felt.value / before.value;
    match (before.bounds_only(), before.pace) {
        (true, _) => format!(
            ", at most {times:.1} times the {value} of {of}, whose reads follow one another at once (a share that \
             answers so fast takes longer for reads that come a second apart, as probes do)"
        ),
        (false, Pace::AtOnce) => format!(
            ", {times:.1} times the {value} of {of}, whose reads follow one another at once"
        ),
        (false, _) => format!(", {times:.1} times the {value} of {of}"),
    }
}

fn large(felt: &Felt, beside: &str) -> String {
    let before = match &felt.baseline {
        Some(Baseline {
            workload, value, ..
        }) => format!(
            ", {} of the {} of {} before",
            percent(felt.value / value, 0),
            Rate(*value),
            plain(workload)
        ),
        None => no_match(felt, "in order"),
    };
    format!(
        "By probes large reads of one user got {} ({}){beside}{before}{}{}.",
        Rate(felt.value),
        count(felt.probes, "probe"),
        failed(felt),
        few(felt)
    )
}

fn no_match(felt: &Felt, how: &str) -> String {
    let block = Bytes(felt.block_bytes);
    format!(
        "; nothing was measured before that reads as the probes do ({block} {how}, one at a time)"
    )
}

fn failed(felt: &Felt) -> String {
    match felt.failed {
        0 => String::new(),
        failed => format!("; {} failed", count(failed, "more probe")),
    }
}

/// What the probes cost the reshape, where there is an interval to say it by.
fn probing(of: Probing) -> String {
    let pairs = count(of.pairs, "pair");
    match of.interval {
        Some(Bounds { low, high }) => format!(
            "Probing itself cost {} of the reshape's speed (95 % interval {} to {}), over all {pairs} of stretches with probes and without; what `watch` says is of its latest pairs.",
            percent(of.loss, 1),
            percent(low, 1),
            percent(high, 1)
        ),
        None => format!(
            "What probing itself cost the reshape is not known: {pairs} of stretches with probes and without tell too little."
        ),
    }
}

/// A caution where a figure rests on few probes.
fn few(felt: &Felt) -> &'static str {
    match felt.few() {
        true => "; so few probes tell little of the whole reshape",
        false => "",
    }
}

/// The hours in which small reads took longest and shortest, where they differ.
fn extremes(hours: &[HourOfDay]) -> Option<String> {
    let known = || {
        hours
            .iter()
            .filter_map(|hour| Some((hour.small_read_mean_ns?, hour)))
    };
    let (worst, at_worst) = known().max_by(|a, b| a.0.total_cmp(&b.0))?;
    let (best, at_best) = known().min_by(|a, b| a.0.total_cmp(&b.0))?;
    let told = |value: f64, hour: &HourOfDay| {
        let speed = hour.reshape_fraction_per_h.map_or(String::new(), |speed| {
            format!(", the reshape {}", pace(speed))
        });
        format!("{} ({}{speed})", span(hour.hour), latency(Some(value)))
    };
    (at_worst.hour != at_best.hour).then(|| {
        format!(
            "Small reads took longest from {} and shortest from {}.",
            told(worst, at_worst),
            told(best, at_best)
        )
    })
}

/// `09:00 to 10:00`.
pub(in crate::report) fn span(hour: u8) -> String {
    format!("{hour:02}:00 to {:02}:00", (hour + 1) % 24)
}

fn together(of: &Together) -> String {
    let (what, more, less) = match of.what {
        Feeling::SmallReadLatency => ("small reads took", "more time", "less time"),
        Feeling::LargeReadRate => ("large reads went", "faster", "slower"),
    };
    let figure = |value: f64| {
        let sign = if value < 0.0 { "−" } else { "" };
        format!("{sign}{:.2}", value.abs())
    };
    let proved = of
        .interval
        .is_some_and(|interval| interval.low > 0.0 || interval.high < 0.0);
    let told = match (proved, of.spearman > 0.0) {
        (false, _) => {
            format!("it is not proved that {what} {more} or {less} in hours of a faster reshape")
        }
        (true, true) => format!("{what} {more} in hours of a faster reshape"),
        (true, false) => format!("{what} {less} in hours of a faster reshape"),
    };
    let interval = match of.interval {
        Some(Bounds { low, high }) => {
            format!(", 95 % interval {} to {}", figure(low), figure(high))
        }
        None => ", too few hours for an interval".to_owned(),
    };
    format!(
        "Over {}, {told} (Spearman {}{interval}; neighbouring hours are alike, so they count as {:.0} independent ones).",
        count(of.hours, "hour"),
        figure(of.spearman),
        of.effective_hours
    )
}

/// Trials of the phase during, a row a workload.
fn trials(account: &Account) -> Option<Figures> {
    let trials = &account.cost.trials;
    (!trials.is_empty()).then(|| Figures {
        caption: "Trials of the phase during, beside the reshape".to_owned(),
        head: vec!["workload", "trials", "against before", "reshape"],
        rows: trials.iter().map(trial).collect(),
    })
}

/// Where the reshape was, of trials beside which its speed is not known.
fn places(during: &During) -> String {
    let pairs = during.pairs.iter();
    let places: Vec<f64> = pairs.filter_map(|pair| pair.reshape_fraction).collect();
    let (least, most) = (
        places.iter().copied().min_by(f64::total_cmp),
        places.iter().copied().max_by(f64::total_cmp),
    );
    match least.zip(most) {
        None => "not known".to_owned(),
        Some((least, most)) if least == most => {
            format!("at {}; speed\nnot known", percent(least, 0))
        }
        Some((least, most)) => format!(
            "at {} to {}; speed\nnot known",
            percent(least, 0),
            percent(most, 0)
        ),
    }
}

fn trial(during: &During) -> Vec<String> {
    let against = during.ratio.map_or(NONE.to_owned(), |ratio| {
        let interval = during
            .interval
            .map_or(String::new(), |Bounds { low, high }| {
                format!("\n{} to {}", change(low), change(high))
            });
        format!("{}{interval}", change(ratio))
    });
    let mut speeds: Vec<f64> = during
        .pairs
        .iter()
        .filter_map(|pair| pair.reshape_fraction_per_h)
        .collect();
    speeds.sort_unstable_by(f64::total_cmp);
    let reshape = median(&speeds).map_or_else(
        || places(during),
        |middle| {
            let ends = speeds.first().zip(speeds.last());
            let ends = ends.map(|(least, most)| (pace(*least), pace(*most)));
            let range = match ends {
                Some((least, most)) if least != most => format!("\n{}", range(&least, &most)),
                _ => String::new(),
            };
            format!("{}{range}", pace(middle))
        },
    );
    vec![
        plain(&during.workload),
        during.pairs.len().to_string(),
        against,
        reshape,
    ]
}

fn hours(account: &Account) -> Option<Figures> {
    let by_hour = &account.cost.by_hour;
    if by_hour.is_empty() || super::brief(account) {
        return None;
    }
    let row = |hour: &HourOfDay| {
        let rate = hour.large_read_bytes_per_s;
        let speed = hour.reshape_fraction_per_h;
        vec![
            span(hour.hour),
            latency(hour.small_read_mean_ns),
            hour.probes.to_string(),
            rate.map_or(NONE.to_owned(), |rate| Rate(rate).to_string()),
            hour.large_probes.to_string(),
            speed.map_or(NONE.to_owned(), pace),
        ]
    };
    let mut rows: Vec<Vec<String>> = by_hour.iter().map(row).collect();
    let small = account.cost.small.as_ref();
    if let Some(baseline) = small.and_then(|felt| felt.baseline.as_ref()) {
        let name = format!("before ({})", plain(&baseline.workload));
        let mut row = vec![name, latency(Some(baseline.value))];
        row.extend([NONE, NONE, NONE, NONE].map(str::to_owned));
        rows.push(row);
    }
    Some(Figures {
        caption: format!("Hour by hour of the day ({})", account.clock),
        head: vec![
            "hour",
            "small read, mean",
            "probes",
            "large read",
            "probes",
            "reshape",
        ],
        rows,
    })
}

//! What people notice: copying, waiting, and what it cost them while it ran.

use super::{Line, Scene, Standing, grade, surety, trials};
use crate::chart::{Family, void};
use crate::compare::cost::Felt;
use crate::compare::limits::{Kept, Limited};
use crate::compare::{Contrast, Group, Quantity, Row, Verdict};
use crate::plan::Phase;
use crate::report::account::{brief, span};
use crate::report::advice::is_local;
use crate::report::{grades, words};
use crate::text::{plain, short};
use crate::units::{self, Bytes, Rate};

const LINK: &str = "What one user on this link sees";
const MACHINE: &str = "What one user on this machine sees";
const RESPONSE: &str = "Responsiveness";
const COST: &str = "What it cost users while it ran";

/// How long `amount` takes at `rate`: `4.1 min`, `2.3 h`.
pub(super) fn minutes(amount: Bytes, rate: f64) -> String {
    let seconds = amount.0 as f64 / rate;
    match seconds {
        s if !s.is_finite() => words::NONE.to_owned(),
        s if s < 90.0 => format!("{s:.0} s"),
        s if s < 5_400.0 => format!("{:.1} min", s / 60.0),
        s => format!("{:.1} h", s / 3600.0),
    }
}

/// `the 100 GB assumed`, `180 GB`.
fn amount(scene: &Scene<'_>) -> (Bytes, String) {
    let (bytes, stated) = scene.audience.copied();
    let assumed = if stated { "" } else { " (assumed amount)" };
    (bytes, format!("{}{assumed}", bytes.si()))
}

/// Groups that are no speed of the drives have no time to copy anything.
fn sound(group: Option<&Group>) -> Option<&Group> {
    group.filter(|group| group.void.is_none())
}

/// The rate that stands for a group, in bytes per second: where it is held against another, the mean of
/// which the ratio is made, so that rates and ratio agree; else the median.
pub(super) fn typical(group: &Group, contrast: Option<&Contrast>) -> f64 {
    let rates = contrast.filter(|contrast| contrast.quantity == Quantity::Rate);
    rates.map_or(group.median_rate, |contrast| match group.phase {
        Phase::Before => contrast.means[0],
        Phase::During | Phase::After => contrast.means[1],
    })
}

/// Line 4: the rate through the link, where there is one, and how long a copy takes.
pub(super) fn link(scene: &Scene<'_>) -> Line {
    let latest = scene.study.trials.last();
    let title = match latest.is_some_and(|trial| is_local(scene.study, trial)) {
        true => MACHINE,
        false => LINK,
    };
    let Some(row) = scene.large() else {
        return Line::missing(title, "not measured", "Measure the standard workloads.");
    };
    let (before, after) = (row.group(Phase::Before), row.group(Phase::After));
    let groups = [before, after];
    let is_void = groups.iter().flatten().any(|group| group.void.is_some());
    let contrast = row.after_before.as_ref().filter(|_| !is_void);
    let told = |group: &Group| {
        let rate = || {
            let rate = typical(group, contrast);
            words::rate(Family::of(row), rate, group.block_bytes)
        };
        void(group).unwrap_or_else(rate)
    };
    let number = match (before, after) {
        (Some(before), Some(after)) => format!("{} → {}", told(before), told(after)),
        (Some(before), None) => format!("{} before", told(before)),
        (None, Some(after)) => format!("{} after", told(after)),
        (None, None) => return Line::missing(title, "not measured", "Measure a sitting before."),
    };
    let (bytes, told) = amount(scene);
    let copy =
        |group: Option<&Group>| sound(group).map(|group| minutes(bytes, typical(group, contrast)));
    let proved = contrast.is_some_and(|contrast| contrast.verdict.is_proved());
    let chance = if proved {
        ""
    } else {
        ": no difference is proved"
    };
    let owner = match (copy(before), copy(after)) {
        (Some(old), Some(new)) => {
            format!("Copying {told} takes {new}; before it took {old}{chance}.")
        }
        (Some(old), None) => format!("Copying {told} took {old} before the expansion."),
        (None, Some(new)) => format!("Copying {told} takes {new}."),
        (None, None) => String::new(),
    };
    let latest = after.or(before).expect("one of them was measured");
    let limiting = grades::limiting(scene.judgements, &latest.trials, &latest.values);
    let change = contrast.map(|contrast| match proved {
        true => format!("{}, both geometric means", words::change(contrast.ratio)),
        false => format!(
            "{}, both geometric means, of which nothing is proved",
            words::change(contrast.ratio)
        ),
    });
    let limit = limiting.map(|(_, limiting)| plain(&limiting.sentence()));
    let parts: Vec<String> = [change, limit].into_iter().flatten().collect();
    let (sure, why_sure) = match (&row.after_before, contrast) {
        (Some(contrast), Some(_)) => surety(contrast, scene.rules()),
        (Some(_), None) => ("void", String::new()),
        (None, _) => ("measured", spread(latest)),
    };
    Line {
        title,
        standing: match (is_void, contrast.map(|contrast| contrast.verdict)) {
            (true, _) => Standing::Void,
            (false, Some(Verdict::Loss)) => Standing::Bad,
            (false, Some(Verdict::Gain)) => Standing::Good,
            _ => Standing::Told,
        },
        number,
        comparison: parts.join("; "),
        plain: owner,
        sure,
        why_sure,
        grade: grade(row, Phase::After),
        rows: trials(groups),
    }
}

fn spread(group: &Group) -> String {
    let median = format!("median of {}", words::count(group.trials.len(), "trial"));
    group.spread.map_or(median.clone(), |spread| {
        format!("{median}, spread {}", words::size(spread))
    })
}

/// Line 5: how long a small read takes, and how many people can be served.
pub(super) fn response(scene: &Scene<'_>) -> Line {
    let Some(row) = scene.small() else {
        return Line::missing(
            RESPONSE,
            "not measured",
            "Measure small reads, one at a time (small-read of the standard set).",
        );
    };
    let groups = [row.group(Phase::Before), row.group(Phase::After)];
    let void = groups.iter().flatten().any(|group| group.void.is_some());
    let percentile = |of: fn(&Group) -> Option<f64>| {
        let told = |group: Option<&Group>| match sound(group) {
            Some(group) => words::latency(of(group)),
            None if group.is_some() => "void".to_owned(),
            None => words::NONE.to_owned(),
        };
        match groups {
            [before, None] => told(before),
            [before, after] => format!("{} → {}", told(before), told(after)),
        }
    };
    let (p95, p99) = (percentile(|g| g.p95_ns), percentile(|g| g.p99_ns));
    let both = sound(groups[0]).zip(sound(groups[1]));
    let change = both.and_then(|(before, after)| {
        let p95 = after.p95_ns? / before.p95_ns?;
        Some(format!("the 95th percentile {}", words::change(p95)))
    });
    let medians = percentile(|g| g.p50_ns);
    let change = change.map_or(String::new(), |change| format!("{change}; "));
    let missing = groups.iter().all(Option::is_none);
    if missing {
        return Line::missing(RESPONSE, "not measured", "Measure a sitting before.");
    }
    Line {
        title: RESPONSE,
        standing: match (void, row.after_before.as_ref().map(|of| of.verdict)) {
            (true, _) => Standing::Void,
            (false, Some(Verdict::Loss)) => Standing::Bad,
            (false, Some(Verdict::Gain)) => Standing::Good,
            _ => Standing::Told,
        },
        number: format!("95 % of small reads within {p95}; the slowest 1 % beyond {p99}"),
        comparison: format!("{change}median {medians}"),
        plain: people(scene),
        sure: if void { "void" } else { "measured" },
        why_sure: "medians over the trials, without an interval".to_owned(),
        grade: grade(row, Phase::After),
        rows: trials(groups),
    }
}

/// How many people are served at once.
fn people(scene: &Scene<'_>) -> String {
    let Some(row) = scene.many() else {
        return String::new();
    };
    let (each, stated) = scene.audience.person();
    let served = |phase: Phase| {
        let group = sound(row.group(phase))?;
        // As all of this line: medians.
        let reads = group.median_rate / group.block_bytes.max(1) as f64;
        Some(units::grouped((reads / each).floor() as u64))
    };
    let assumed = if stated { "" } else { ", which is assumed" };
    let rate = format!(
        "at {} small read{} a second each{assumed}",
        words::grouped(each).trim_end_matches(".00"),
        if each == 1.0 { "" } else { "s" }
    );
    let proved = row
        .after_before
        .as_ref()
        .is_some_and(|contrast| contrast.verdict.is_proved());
    match (served(Phase::Before), served(Phase::After)) {
        (Some(old), Some(new)) => format!(
            "With many reading at once ({}) it serves {new} people, before {old}, {rate}{}.",
            plain(&row.workload),
            if proved {
                ""
            } else {
                "; no change of it is proved"
            }
        ),
        (Some(old), None) => format!("It served {old} people at once before, {rate}."),
        (None, Some(new)) => format!("It serves {new} people at once, {rate}."),
        (None, None) => String::new(),
    }
}

/// Line 6: what users felt meanwhile, and when.
pub(super) fn cost(scene: &Scene<'_>) -> Line {
    let cost = &scene.account.cost;
    match (&cost.small, &cost.large) {
        (None, None) => by_trials(scene),
        (small, large) => by_probes(scene, small.as_ref(), large.as_ref()),
    }
}

/// What small reads took while it ran, what is known best first: trials of the phase during against those
/// before, which load and pace alike, where they prove a change; else probes; else trials that prove none.
/// `None` where neither tells.
pub(super) fn small_reads(scene: &Scene<'_>) -> Option<String> {
    let trials = small_trials(scene);
    let proof = trials.filter(|(_, contrast)| contrast.verdict.is_proved());
    if let Some((_, contrast)) = proof {
        return Some(by_proof(contrast, scene));
    }
    let felt = scene.account.cost.small.as_ref();
    felt.map(by_felt)
        .or_else(|| trials.map(|(row, contrast)| by_means(row, contrast)))
}

/// Small reads measured while it ran, where they are the drives' speed and enough for a verdict.
fn small_trials<'a>(scene: &Scene<'a>) -> Option<(&'a Row, &'a Contrast)> {
    let row = scene.small()?;
    let contrast = row.during_before.as_ref()?;
    let told = match contrast.verdict {
        Verdict::Void { .. }
        | Verdict::NotShown { .. }
        | Verdict::NotBelieved
        | Verdict::NotEnoughTrials { .. } => false,
        Verdict::Gain | Verdict::Loss | Verdict::NoProvableChange { .. } => true,
    };
    told.then_some((row, contrast))
}

/// One at a time, what takes so many times as long has that part of the rate.
fn by_proof(contrast: &Contrast, scene: &Scene<'_>) -> String {
    let times = |ratio: f64| match 1.0 / ratio {
        times if times < 9.95 => format!("{times:.1}"),
        times => units::grouped(times.round() as u64),
    };
    let interval = contrast.welch.map_or(String::new(), |welch| {
        format!(
            " ({} interval {} to {})",
            words::confidence(scene.rules()),
            times(welch.high),
            times(welch.low)
        )
    });
    format!(
        "in trials small reads took {} times as long{interval}",
        times(contrast.ratio)
    )
}

/// What was measured, where it proves nothing: one at a time, a read takes a second over its rate.
fn by_means(row: &Row, contrast: &Contrast) -> String {
    let block = row.groups.iter().flatten().next();
    let block = block.map_or(0.0, |group| group.block_bytes as f64);
    let [before, during] = contrast
        .means
        .map(|rate| words::latency(Some(block / rate * 1e9)));
    format!("in trials small reads took {during} on average, {before} before: no change is proved")
}

/// Probes tell a multiple where there are enough of them, and where it is no matter of their pace. The median
/// stands beside each mean: a few reads that waited long may make most of one.
fn by_felt(felt: &Felt) -> String {
    let both = |mean: f64, median: Option<f64>| {
        let median = median.map_or(String::new(), |ns| {
            format!(", median {}", words::latency(Some(ns)))
        });
        format!("{} on average{median}", words::latency(Some(mean)))
    };
    let (value, probes) = (
        both(felt.value, felt.p50_ns),
        words::count(felt.probes, "probe"),
    );
    let before = felt.baseline.as_ref().map(|baseline| {
        let before = both(baseline.value, baseline.p50_ns);
        (before, baseline.bounds_only())
    });
    match (felt.few(), before, felt.ratio()) {
        (true, Some((before, _)), _) => format!(
            "by {probes} small reads took {value}; before, {before}; so few do not tell how much longer that is"
        ),
        (true, None, _) => format!("by {probes} small reads took {value}; so few tell little"),
        (false, Some((before, false)), Some(times)) => format!(
            "by probes small reads took {times:.1} times as long ({value}; before, {before})"
        ),
        (false, Some((before, _)), _) => format!(
            "by probes small reads took {value}; before, when they followed one another at once, {before}"
        ),
        (false, None, _) => format!("by probes small reads took {value}"),
    }
}

fn by_probes(scene: &Scene<'_>, small: Option<&Felt>, large: Option<&Felt>) -> Line {
    let measured = small_trials(scene);
    let proved = measured.is_some_and(|(_, contrast)| contrast.verdict.is_proved());
    // What probes felt stands beside what trials prove, and what trials do not prove beside what probes felt.
    let beside = match (small, measured) {
        (Some(felt), Some(_)) if proved => Some(by_felt(felt)),
        (Some(_), Some((row, contrast))) => Some(format!(
            "trials of {} prove no change ({})",
            short(&row.workload, 40),
            words::change(contrast.ratio)
        )),
        _ => None,
    };
    let rate = large.map(|felt| {
        let part = felt.ratio().map_or(String::new(), |part| {
            format!(", {} of before", crate::units::percent(part, 0))
        });
        format!("by probes large reads got {}{part}", Rate(felt.value))
    });
    let worst = worst_hour(scene).map(|hour| format!("worst from {hour}"));
    let worst = worst.filter(|_| !brief(scene.account));
    let limits: Vec<String> = scene.account.limits.iter().filter_map(outside).collect();
    let broken = scene
        .account
        .limits
        .iter()
        .filter_map(|kept| kept.minutes)
        .any(|minutes| minutes.outside > 0.0);
    let (bytes, told) = amount(scene);
    let copy = large.map_or(String::new(), |felt| {
        let before = felt.baseline.as_ref().map_or(String::new(), |baseline| {
            format!(" in place of {}", minutes(bytes, baseline.value))
        });
        format!(
            "Copying {told} with one read at a time, as probes read, would have taken {}{before}.",
            minutes(bytes, felt.value)
        )
    });
    let parts = [beside, rate, worst].into_iter().flatten().chain(limits);
    let probes = small.map_or(0, |felt| felt.probes) + large.map_or(0, |felt| felt.probes);
    Line {
        title: COST,
        standing: if broken {
            Standing::Bad
        } else {
            Standing::Told
        },
        number: small_reads(scene).unwrap_or_else(|| "small reads were not probed".to_owned()),
        comparison: parts.collect::<Vec<_>>().join("; "),
        plain: copy,
        sure: "sampled",
        why_sure: match measured {
            Some((row, _)) => format!(
                "{} of {}, and {} now and then",
                words::count(
                    row.group(Phase::During).map_or(0, |of| of.trials.len()),
                    "trial"
                ),
                short(&row.workload, 40),
                words::count(probes, "probe")
            ),
            None => format!("{}, one now and then", words::count(probes, "probe")),
        },
        grade: measured.and_then(|(row, _)| grade(row, Phase::During)),
        rows: match measured {
            Some((row, _)) => format!(
                "{}; probes.csv, progress.csv",
                trials([row.group(Phase::Before), row.group(Phase::During)])
            ),
            None => "probes.csv, progress.csv".to_owned(),
        },
    }
}

/// `large reads below the limit of 60 MB/s for 151 min (4987 min not observed)`.
fn outside(kept: &Kept) -> Option<String> {
    let (limit, minutes) = (kept.limit?, kept.minutes?);
    let beyond = match kept.what {
        Limited::SmallRead => format!("small reads above the limit of {limit} ms"),
        Limited::Copy => format!("large reads below the limit of {limit} MB/s"),
    };
    Some(format!(
        "{beyond} for {} ({} not observed)",
        words::minutes(minutes.outside),
        words::minutes(minutes.unseen)
    ))
}

fn worst_hour(scene: &Scene<'_>) -> Option<String> {
    let hours = scene.account.cost.by_hour.iter();
    let known = hours.filter_map(|hour| Some((hour.small_read_mean_ns?, hour.hour)));
    let (_, hour) = known.max_by(|a, b| a.0.total_cmp(&b.0))?;
    Some(span(hour))
}

/// Without probes, the trials of the phase during tell of their own minutes.
fn by_trials(scene: &Scene<'_>) -> Line {
    let row = [scene.small(), scene.large()].into_iter().flatten();
    let during = |row: &&Row| row.during_before.is_some();
    let Some(row) = row.clone().find(during) else {
        return Line::missing(
            COST,
            "not observed",
            &scene.unseen(&format!(
                "Follow the reshape with `poolproof watch {}`, and measure while it runs.",
                scene.typed()
            )),
        );
    };
    let contrast = row.during_before.as_ref().expect("it was looked for");
    let (sure, why_sure) = surety(contrast, scene.rules());
    let void = matches!(contrast.verdict, Verdict::Void { .. });
    let name = short(&row.workload, 40);
    Line {
        title: COST,
        standing: if void { Standing::Void } else { Standing::Told },
        number: match void {
            true => "no speed of the drives".to_owned(),
            false => format!("{} in {name}", words::change(contrast.ratio)),
        },
        comparison: "while it was measured; between sittings nobody looked".to_owned(),
        plain: String::new(),
        sure,
        why_sure,
        grade: grade(row, Phase::During),
        rows: trials([row.group(Phase::During)]),
    }
}

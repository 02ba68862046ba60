//! What the expansion gave: space, and speed of the pool.

use super::{Line, Scene, Standing, grade, surety, trials};
use crate::compare::expected::Expectations;
use crate::compare::{Bounds, Verdict};
use crate::facts::Facts;
use crate::plan::Phase;
use crate::ready::{Figure, Layer, Stage};
use crate::report::{history, verdict, words};
use crate::study::Trial;
use crate::text::{plain, short};
use crate::units::{Bytes, percent};

/// Days of facts below which nothing is said of the growth of the data (common practice, no source:
/// whole weeks, since days of the week differ).
const WEEK: f64 = 7.0;

const SPACE: &str = "Space";
const POOL: &str = "Speed of the pool";
/// Its title where the place of the data is taken off.
const SAME_PLACE: &str = "Speed of the pool, same data in the same place";

/// Line 2: what fits, in both units, and for how long at present growth.
pub(super) fn space(scene: &Scene<'_>) -> Line {
    let share = scene.next.layers.iter().find(|layer| layer.name == "share");
    let [Some(before), after] = share.map_or([None, None], |layer| layer.seen.clone()) else {
        return Line::missing(
            SPACE,
            "not seen before the expansion",
            "Measure a sitting before the expansion: it notes how large the share is.",
        );
    };
    let expected = share.and_then(|layer| layer.expected[1].as_ref());
    let held = expected.map_or(String::new(), |figure| {
        format!("; {} {}", plain(&figure.source), figure.bytes.si())
    });
    let rows = format!("facts, {}", plain(&before.source));
    let raw = counts_raw(scene);
    let Some(after) = after else {
        let unit = if raw { " raw, parity included," } else { "" };
        return Line {
            rows,
            plain: "The new size is seen in the first sitting after the expansion.".to_owned(),
            comparison: held
                .strip_prefix("; ")
                .map_or(String::new(), |held| format!("expected after it: {held}")),
            ..Line::missing(SPACE, &format!("{}{unit} before", before.bytes.both()), "")
        };
    };
    let ratio = after.bytes.0 as f64 / before.bytes.0.max(1) as f64;
    let grown = after.bytes > before.bytes;
    // By the level there is more for data only once the share has grown.
    let told_raw = share.filter(|_| raw && grown);
    let usable = told_raw.and_then(|share| usable(scene, share));
    let untold = scene.next.stage == Stage::Untold;
    Line {
        title: SPACE,
        standing: match (grown, untold) {
            (true, _) => Standing::Good,
            (false, true) => Standing::Told,
            (false, false) => Standing::Bad,
        },
        number: match (usable, raw) {
            (Some([old, new]), _) => format!("{} → {} for data", old.both(), new.both()),
            (None, true) => format!("{} → {} raw", before.bytes.both(), after.bytes.both()),
            (None, false) => format!("{} → {}", before.bytes.both(), after.bytes.both()),
        },
        comparison: match usable {
            Some([old, new]) => format!(
                "{} by {}; the share shows raw bytes, parity included: {} → {}, {}{}",
                words::change(new.0 as f64 / old.0.max(1) as f64),
                history::pool(scene.study).unwrap_or_default(),
                before.bytes.si(),
                after.bytes.si(),
                words::change(ratio),
                against(raw, after.bytes, expected)
            ),
            None => format!(
                "{}{}{}",
                words::change(ratio),
                against(raw, after.bytes, expected),
                if raw { ", parity included" } else { "" }
            ),
        },
        plain: match (grown, untold) {
            (true, _) => until_full(scene, raw),
            (false, true) => {
                "The share is no larger than before, and no expansion was seen or told: if a drive \
                              was added, grow the volume and the file system."
                    .to_owned()
            }
            (false, false) => {
                "The share is no larger than before: grow the volume and the file system."
                    .to_owned()
            }
        },
        sure: "counted",
        why_sure: match usable {
            Some(_) => "raw bytes as the file system tells them; for data by the level".to_owned(),
            None => "as the file system tells it".to_owned(),
        },
        grade: None,
        rows: format!("{rows}; {}", plain(&after.source)),
    }
}

/// Below this part of what the geometry lets expect, a size is more than somewhat less than it: file
/// systems keep some room for themselves (common practice, no source).
const SOMEWHAT: f64 = 0.8;

/// Raw bytes are those of the drives but for what a file system leaves aside at their ends: within this part of
/// them, all drives are in it (common practice, no source).
const ALMOST: f64 = 0.95;

/// What the size that is shown is, held against the one that is expected: both in data, or both in raw
/// bytes where the file system counts those.
fn against(raw: bool, shown: Bytes, expected: Option<&Figure>) -> String {
    let Some(expected) = expected.map(|figure| figure.bytes) else {
        return String::new();
    };
    let part = shown.0 as f64 / expected.0.max(1) as f64;
    let relation = match () {
        () if shown == expected => "as much as",
        () if shown > expected => "more than",
        () if part >= SOMEWHAT => "somewhat less than",
        () => "less than",
    };
    let whose = if raw { "the drives'" } else { "the pool's" };
    format!("; {relation} {whose} {}", expected.si())
}

/// Whether the share shows raw bytes, parity included.
fn counts_raw(scene: &Scene<'_>) -> bool {
    scene.study.trials.iter().any(|trial| {
        let facts = scene.study.facts.get(&trial.facts);
        facts.is_some_and(|facts| scene.study.counts_parity(facts))
    })
}

/// What there is for data by the level, before and after, of a share that shows raw bytes; `None` where the
/// level and its drives are not known, or the share does not show about as much as these have.
fn usable(scene: &Scene<'_>, share: &Layer) -> Option<[Bytes; 2]> {
    let about = |seen: &Option<Figure>, expected: &Option<Figure>| {
        let (seen, expected) = (seen.as_ref()?.bytes, expected.as_ref()?.bytes);
        let part = seen.0 as f64 / expected.0.max(1) as f64;
        (ALMOST..=1.0 / ALMOST).contains(&part).then_some(())
    };
    about(&share.seen[0], &share.expected[0]).and(about(&share.seen[1], &share.expected[1]))?;
    let pool = scene
        .next
        .layers
        .iter()
        .find(|layer| layer.name == "pool")?;
    let [old, new] = &pool.expected;
    Some([old.as_ref()?.bytes, new.as_ref()?.bytes])
}

/// When the share is full at the growth that facts show. While it reshapes, what is free moves with the
/// layout, so that facts of that time are left aside.
fn until_full(scene: &Scene<'_>, raw: bool) -> String {
    let study = scene.study;
    let rooms: Vec<(&Trial, &Facts)> = study
        .trials
        .iter()
        .filter(|trial| trial.phase != Phase::During)
        .filter_map(|trial| {
            let facts = study.facts.get(&trial.facts)?;
            facts.space.is_some().then_some((trial, facts))
        })
        .collect();
    let (Some((first, old)), Some((last, new))) = (rooms.first(), rooms.last()) else {
        return "How fast the data grows is not known.".to_owned();
    };
    let available = new.space.as_ref().map_or(Bytes(0), |room| room.available);
    let days = last.started.duration_since(first.started).as_secs_f64() / 86_400.0;
    if days < WEEK {
        return format!(
            "{} were free{} in sitting {}. How fast the data grows is not known: facts span {days:.0} days, and a week is the least.",
            available.si(),
            if raw { " for data" } else { "" },
            last.sitting
        );
    }
    let used = |facts: &Facts, trial: &Trial| {
        let used = study.used_space(facts, trial.phase);
        used.map_or(0.0, |used| used.0 as f64)
    };
    let per_day = (used(new, last) - used(old, first)) / days;
    if per_day <= 0.0 {
        return format!("The data did not grow over {days:.0} days.");
    }
    let full = available.0 as f64 / per_day / 30.4;
    format!(
        "At the growth of these {days:.0} days ({} a day) it is full in {} months.",
        Bytes(per_day as u64).si(),
        words::grouped(full)
    )
}

/// Line 3: what the pool can do, with what the place of the data explains taken off where it is known.
pub(super) fn pool(scene: &Scene<'_>) -> Line {
    let Some(row) = scene.large() else {
        return Line::missing(POOL, "not measured", "Measure the standard workloads.");
    };
    let Some(contrast) = &row.after_before else {
        return Line::missing(
            POOL,
            "not measured after the expansion",
            "Measure again when the new layout is finished and the file system has grown.",
        );
    };
    let name = short(&row.workload, 40);
    let rows = trials([row.group(Phase::Before), row.group(Phase::After)]);
    let (sure, why_sure) = surety(contrast, scene.rules());
    if matches!(contrast.verdict, Verdict::Void { .. }) {
        let told = verdict::verdict(row, contrast, Phase::After, scene.rules(), scene.judgements);
        return Line {
            title: POOL,
            standing: Standing::Void,
            number: "no speed of the drives".to_owned(),
            comparison: format!("{name}: {told}"),
            plain: String::new(),
            sure,
            why_sure: String::new(),
            grade: grade(row, Phase::After),
            rows,
        };
    }
    let gain = scene
        .account
        .gains
        .iter()
        .find(|gain| gain.workload == row.workload);
    let rest = gain.map_or(contrast.ratio, |gain| gain.rest);
    let placed = gain.is_some_and(|gain| gain.location.is_some());
    let place = match gain.and_then(|gain| gain.location) {
        Some(split) => format!(
            "{} in all, {} of it by the place of the data",
            words::change(contrast.ratio),
            words::change(split.location)
        ),
        None => match gain.and_then(|gain| gain.location_unknown) {
            Some(why) => format!("the place of the data is not taken off: {}", why.words()),
            None => String::new(),
        },
    };
    let standing = match contrast.verdict {
        Verdict::Gain => Standing::Good,
        Verdict::Loss => Standing::Bad,
        _ => Standing::Told,
    };
    let parts = [expected(scene, &row.workload), place];
    let parts: Vec<String> = parts.into_iter().filter(|part| !part.is_empty()).collect();
    Line {
        title: if placed { SAME_PLACE } else { POOL },
        standing,
        number: format!("{} in large reads ({name})", words::change(rest)),
        comparison: parts.join("; "),
        plain: String::new(),
        sure,
        why_sure,
        grade: grade(row, Phase::After),
        rows,
    }
}

/// `expected +33 % to +50 %: as expected`.
fn expected(scene: &Scene<'_>, workload: &str) -> String {
    let known = match &scene.account.expected {
        Expectations::Known(known) => known,
        Expectations::Unknown(why) => return format!("nothing was expected: {}", plain(why)),
    };
    let Some(of) = known.iter().find(|of| of.workload == workload) else {
        return String::new();
    };
    let Bounds { low, high } = of.band;
    let capped = if of.capped {
        ", capped by the link"
    } else {
        ""
    };
    let range = match percent(low, 0) == percent(high, 0) {
        true => words::change(low),
        false => format!("{} to {}", words::change(low), words::change(high)),
    };
    format!("expected {range}{capped}: {}", of.accord.word())
}

//! An outlook as text for a terminal.

use std::cmp::Ordering;

use super::super::layout::{clamp, heading, list, paragraph, table};
use super::super::words::{NONE, grouped};
use super::risk::risk;
use super::speed::speeds;
use super::words::{self, end, hours, moment};
use crate::pool::{Objection, Outlook, Way};
use crate::units::{Bytes, percent};

/// Space, speed, time and risk in this order, then what was assumed and what to know, at most `width`
/// characters wide (held between 60 and 110).
pub fn outlook_text(outlook: &Outlook, width: usize) -> String {
    let width = clamp(width);
    let mut text = heading(&words::title(outlook));
    let proposal = &outlook.proposal;
    text += &paragraph(
        width,
        "",
        &format!(
            "{}, and {}. Computed from what was stated and from the assumptions below; nothing here \
             is measured.",
            words::drives(&proposal.members, "drives"),
            words::drives(&proposal.new, "more")
        ),
    );
    let sections = [
        ("Space", space(outlook, width)),
        ("Speed", speeds(outlook, width)),
        ("Time", time(outlook, width)),
        ("Risk", risk(outlook, width)),
    ];
    for (name, body) in sections {
        text += &format!("\n{name}\n{}\n{body}", "─".repeat(name.chars().count()));
    }
    text += &assumptions(outlook, width);
    text + &list(width, "Before you start", &outlook.cautions)
}

/// Why the expansion should not be done.
pub fn objections_text(objections: &[Objection], width: usize) -> String {
    let width = clamp(width);
    let items = objections
        .iter()
        .map(|objection| paragraph(width, "refused: ", &objection.to_string()));
    items.collect()
}

fn space(outlook: &Outlook, width: usize) -> String {
    let space = &outlook.space;
    let row = |name: &str, before: Bytes, after: Bytes, show: fn(Bytes) -> String| {
        let gain = match after.cmp(&before) {
            Ordering::Equal => NONE.to_owned(),
            Ordering::Greater => format!("+{}", show(after.saturating_sub(before))),
            Ordering::Less => format!("−{}", show(before.saturating_sub(after))),
        };
        vec![name.to_owned(), show(before), show(after), gain]
    };
    let (before, after) = (space.before.usable, space.usable_after);
    let (files_before, files_after) = (space.for_files(before), space.for_files(after));
    let reserve = percent(space.reserve, 0);
    let rows = [
        row("for data, in label TB", before, after, Bytes::si),
        row(
            "the same, as many systems show it",
            before,
            after,
            Bytes::iec,
        ),
        row(
            &format!("less {reserve} file-system reserve"),
            files_before,
            files_after,
            Bytes::iec,
        ),
        row(
            "parity and copies",
            space.before.redundancy,
            space.after.redundancy,
            Bytes::si,
        ),
        row("wasted", space.before.wasted, space.after.wasted, Bytes::si),
        row("all drives", space.before.raw, space.after.raw, Bytes::si),
    ];
    let mut text = table(width, 1, &["", "now", "afterwards", "gain"], rows);
    let size = space.smallest_new;
    let mut say = |sentence: String| text += &paragraph(width, "", &sentence);
    say(format!(
        "{} is {}: a unit, not a loss.",
        size.si(),
        size.iec()
    ));
    say(format!(
        "The new drive needs at least {} bytes, as many as the smallest member.{}",
        exact(size),
        space.usual.map_or(String::new(), |usual| format!(
            " That is the label: drives of this label usually have {} (agreed by their makers, from \
             memory), and then the new one needs as many.",
            exact(usual)
        ))
    ));
    let won = space.won_by_rewriting();
    if won > Bytes(0) {
        say(format!(
            "Old data keeps its old data-to-parity ratio. Writing all of it anew would win {} more: {} in \
             all.",
            won.si(),
            space.after.usable.si()
        ));
    }
    for (name, capacity) in [("now", &space.before), ("afterwards", &space.after)] {
        if !capacity.layers.is_empty() {
            let layers: Vec<String> = capacity
                .layers
                .iter()
                .map(|layer| format!("{} on {} drives", layer.height.si(), layer.drives))
                .collect();
            say(format!(
                "Layers {name}, from the bottom: {}.",
                layers.join("; ")
            ));
        }
    }
    text
}

/// A number of bytes in full.
fn exact(bytes: Bytes) -> String {
    grouped(bytes.0 as f64)
}

fn time(outlook: &Outlook, width: usize) -> String {
    let time = &outlook.time;
    let three = |name: &str, cells: [String; 3]| {
        std::iter::once(name.to_owned())
            .chain(cells)
            .collect::<Vec<_>>()
    };
    let rows = [
        three("takes", time.growth.hours.map(hours)),
        three("ends", time.growth.ends.map(|at| end(time.start, at))),
    ];
    let mut text = paragraph(
        width,
        "",
        &format!(
            "Starting {}, over {} of each drive{}:",
            moment(Some(time.start)),
            time.device_bytes.si(),
            match outlook.proposal.used_only() {
                true => ", what is used of it",
                false => "",
            }
        ),
    );
    text += &table(width, 1, &["", "best", "likely", "worst"], rows);
    let mut say = |sentence: String| text += &paragraph(width, "", &sentence);
    if time.naive_at_a_tenth < 0.995 {
        say(format!(
            "It slows down towards the inner tracks: half of the time passes {} of the drive, and a time \
             left that is reckoned from the present rate is {} too short when a tenth is done.",
            percent(time.half_time_place, 0),
            percent(1.0 - time.naive_at_a_tenth, 0)
        ));
    }
    if !outlook.proposal.used_only() {
        say(
            "A file system that moves its own chunks, as a balance of btrfs does, passes what is used only \
             (--used-only)."
                .into(),
        );
    }
    say("Heavier use, a drive that answers slowly, and measuring at full load all make it longer; a \
         larger part of the drives' time (--reshape-share) makes it shorter, and users wait for it."
        .into());
    let [least, most] = time.self_test.map(|taken| hours(Some(taken)));
    say(format!(
        "Before it: long self-test of the new drive {least} to {most} idle; all of it written and \
         read back {}. After it: growing the file system, then a scrub of {} to {}.",
        hours(Some(time.burn_in)),
        hours(time.scrub.hours[0]),
        hours(time.scrub.hours[2]),
    ));
    let own = Way {
        what: "this expansion".into(),
        drives: outlook.proposal.new.len(),
        usable: outlook.space.usable_after,
        pass: time.growth,
        exposures: 0,
    };
    let rows = std::iter::once(&own).chain(&time.ways).map(|way| {
        vec![
            way.what.clone(),
            way.drives.to_string(),
            way.usable.si(),
            hours(way.pass.hours[1]),
            way.exposures.to_string(),
        ]
    });
    let head = [
        "other ways",
        "drives to buy",
        "for data",
        "likely",
        "times exposed",
    ];
    text += "\n";
    text += &table(width, 1, &head, rows);
    text + &paragraph(
        width,
        "",
        "Exposed: the pool runs with a drive too few until the next one is rebuilt.",
    )
}

fn assumptions(outlook: &Outlook, width: usize) -> String {
    let sentences: Vec<String> = outlook
        .assumptions
        .iter()
        .map(|entry| match entry.stated {
            true => format!("{}: {} (stated)", entry.what, entry.value),
            false => format!(
                "{}: {} (assumed; {}; {})",
                entry.what, entry.value, entry.source, entry.flag
            ),
        })
        .collect();
    list(width, "Assumptions", &sentences)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pool::{Proposal, Scheme, Stated};

    fn outlook(scheme: Scheme, terabytes: &[u64], new: u64) -> Outlook {
        let proposal = Proposal {
            scheme,
            becoming: scheme,
            members: terabytes
                .iter()
                .map(|size| Bytes::TB.times(*size))
                .collect(),
            new: vec![Bytes::TB.times(new)],
            external: false,
            start: jiff::civil::date(2026, 3, 6).at(17, 0, 0, 0),
            stated: Stated::default(),
        };
        proposal.outlook().unwrap()
    }

    /// As `compare` tells it afterwards: random work in operations, work in order in bytes.
    #[test]
    fn what_random_work_will_reach_is_told_in_operations() {
        let text = outlook_text(&outlook(Scheme::Raid6, &[6, 6, 6, 6], 6), 80);
        let speed = text.split("\nSpeed\n").nth(1).unwrap();
        let speed = speed.split("\nTime\n").next().unwrap();
        let of = |name: &str| {
            let start = format!("\n{name}\n");
            let block = speed
                .split(&start)
                .nth(1)
                .unwrap_or_else(|| panic!("{name} in {speed}"));
            block.split("\n\n").next().unwrap().to_owned()
        };
        for name in ["small-read", "small-read-deep", "small-write-deep", "mixed"] {
            let block = of(name);
            assert!(
                block.matches(" op/s").count() >= 2 && !block.contains("B/s"),
                "{block}"
            );
        }
        for name in ["large-read", "large-write"] {
            let block = of(name);
            assert!(
                block.matches("B/s").count() >= 2 && !block.contains("op/s"),
                "{block}"
            );
        }
    }

    #[test]
    fn it_fits_its_width_and_says_what_it_must() {
        for scheme in [
            Scheme::Raid1,
            Scheme::Raid5,
            Scheme::Raid6,
            Scheme::Uneven1,
            Scheme::RaidZ2,
        ] {
            let text = outlook_text(&outlook(scheme, &[4, 4, 6, 6], 6), 80);
            for line in text.lines() {
                assert!(line.chars().count() <= 80, "{scheme}: {line}");
            }
            let joined = text.split_whitespace().collect::<Vec<_>>().join(" ");
            for said in [
                "4.00 TB is 3.64 TiB: a unit, not a loss.",
                "4,000,000,000,000 bytes",
                "4,000,787,030,016",
                "the pool can",
                "one user on this link will see",
                "share a cause",
                "nothing here is measured",
                "maker's manual",
            ] {
                assert!(joined.contains(said), "{scheme}: {said}: {joined}");
            }
        }
    }

    #[test]
    fn both_models_are_named_where_they_disagree() {
        let text = outlook_text(&outlook(Scheme::Raid6, &[6; 4], 6), 110);
        let joined = text.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(
            joined.contains("×1.25 (Chen et al. 1994) to ×1.50 (OSTEP ch. 38)"),
            "{text}"
        );
    }
}

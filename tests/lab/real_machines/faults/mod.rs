//! The fault matrix: what happened to drives, server and cable, beside what the program said of it.

mod drives;
mod ways;

use std::time::Duration;

use crate::lab::{Lab, Plan};
use crate::ledger::{Extent, Finding, as_listed, extent, hold, left_out};
use crate::machine::Output;
use crate::pool::{Layout, drives as models};
use crate::proof::{Study, Told};
use crate::share::Share;

/// Bytes of each drive.
const DRIVE: u64 = 320 << 20;
/// MiB of the server's memory.
const MEMORY: u32 = 288;
/// The items that a person answers for before the start.
const CONFIRMED: [&str; 11] = [
    "self-test",
    "scrub",
    "restore",
    "power",
    "new-drive",
    "serials",
    "stop-rules",
    "users",
    "freeze",
    "idle",
    "clock-set",
];
/// Words that call a pool well, or a reshape over or not begun.
const WELL: [&str; 6] = [
    "as it should",
    "nothing to do",
    "finished",
    "has not begun",
    "not begun",
    "grow the file system",
];
/// Words that say that a member is missing, and that nothing else is told with.
const DEGRADED: [&str; 6] = [
    "degraded",
    "broken",
    "drive failed",
    "failed drive",
    "drive lost",
    "lost drive",
];

type Story = fn(Extent) -> Result<Vec<Finding>, String>;

/// Each part of the matrix, and whether the gate has time for it.
const PARTS: [(&str, Story, bool); 7] = [
    ("fault members", drives::members, true),
    ("fault slow member", drives::slow, false),
    ("fault measured during", drives::measured, false),
    ("fault broken array", drives::broken, false),
    ("fault power", ways::power, false),
    ("fault cable", ways::cable, false),
    ("fault share elsewhere", ways::elsewhere, true),
];

#[test]
#[ignore = "minutes, root and QEMU: .ci/run runs its subset, .ci/long all of it"]
fn fault_matrix() {
    let mut differing = Vec::new();
    for (part, story, in_gate) in PARTS {
        if extent() == Extent::Gate && !in_gate {
            left_out(part, "POOLPROOF_LAB=full runs it");
        } else {
            differing.extend(hold(part, |_| story(extent())));
        }
    }
    as_listed(&differing);
}

/// A laboratory with a pool of `before` drives, its share, and `spares` drives that are not part of it yet.
fn laboratory(layout: Layout, share: Share, before: usize, spares: usize) -> Result<Lab, String> {
    let lab = Lab::start(&Plan {
        server_memory: MEMORY,
        client_memory: 448,
        drives: models(before + spares, DRIVE),
    })?;
    lab.hurry(true);
    layout.make(&lab, before)?;
    share.serve(&lab)?;
    share.mount(&lab)?;
    Ok(lab)
}

/// A study with test data and a baseline of a moment, of which a person has answered for all that can be asked.
fn study(lab: &Lab, layout: Layout, before: usize) -> Result<Study<'_>, String> {
    let study = Study::new(lab, layout, before, DRIVE, Told::Counters, MEMORY)?;
    study.must(&moment("before"))?;
    for item in CONFIRMED {
        // Some are seen by the program itself and need nobody's word.
        study.run(&format!(
            "check scans --attest {item} --by keeper --note done"
        ))?;
    }
    Ok(study)
}

/// A sitting of a moment.
fn moment(phase: &str) -> String {
    format!(
        "measure scans --phase {phase} --trials 1 --seconds 2 --size 64MiB --workload small-read"
    )
}

/// The server's own words on its array.
fn array(lab: &Lab) -> Result<String, String> {
    let said = lab.server.run(
        "grep -A2 ^md0 /proc/mdstat | tr '\\n' ' '; cd /sys/block/md0/md; \
         echo; echo array_state=$(cat array_state) degraded=$(cat degraded) sync_action=$(cat sync_action) \
         reshape_position=$(cat reshape_position)",
    )?;
    Ok(said.split_whitespace().collect::<Vec<_>>().join(" "))
}

/// Waits until the server's words on its array have one of these.
fn wait_for(lab: &Lab, words: &[&str]) -> Result<String, String> {
    for _ in 0..60 {
        let said = array(lab)?;
        if words.iter().any(|word| said.contains(word)) {
            return Ok(said);
        }
        std::thread::sleep(Duration::from_secs(1));
    }
    Err(format!("none of {words:?} came: {}", array(lab)?))
}

/// What was said, in one line that fits a table.
fn line(output: &Output) -> String {
    let text = format!("{} {}", output.out, output.err);
    let words: Vec<&str> = text
        .split_whitespace()
        .filter(|word| !word.starts_with(['═', '─']))
        .collect();
    let mut line: String = words.join(" ").chars().take(160).collect();
    line.insert_str(0, &format!("{}: ", output.code));
    line
}

/// Whether any of these words was said.
fn says(output: &Output, words: &[&str]) -> bool {
    let text = format!("{}{}", output.out, output.err).to_lowercase();
    // Lines are broken where the terminal ends.
    let text = text.split_whitespace().collect::<Vec<_>>().join(" ");
    words.iter().any(|word| text.contains(word))
}

/// The cells of a degraded array: what `watch`, `check` and `next` say of it.
fn degraded(study: &Study<'_>, what: &str, truth: &str) -> Result<Vec<Finding>, String> {
    let finding = |who: &str, output: &Output, right: bool| Finding {
        cell: format!("fault {what} {who}"),
        truth: truth.to_owned(),
        said: line(output),
        right,
    };
    let watch = study.run("watch scans --once --no-probes")?;
    let check = study.run("check scans")?;
    let next = study.run("next scans")?;
    Ok(vec![
        finding("watch", &watch, watch.code == 8 && says(&watch, &DEGRADED)),
        finding("check", &check, check.code != 0 && says(&check, &DEGRADED)),
        finding("next", &next, says(&next, &DEGRADED) && !says(&next, &WELL)),
    ])
}

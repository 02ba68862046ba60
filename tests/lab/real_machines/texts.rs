//! The texts of md and btrfs at each of their moments, on a real kernel: seen again in each run, and written to
//! `tests/lab/texts` where `POOLPROOF_LAB_TEXTS` is set.

mod moments;

use std::path::Path;
use std::thread;
use std::time::Duration;

use crate::drive::Condition;
use crate::lab::{Lab, Plan};
use crate::ledger::{Extent, extent, left_out};
use crate::pool::drives;
use crate::tool::say;
use moments::{MOMENTS, Moment, PRELUDE};

/// Small, so that a moment comes soon.
const DRIVE: u64 = 200 << 20;
/// How often a moment is brought about anew, and how often it is looked for each time.
const TRIES: usize = 3;
const LOOKS: usize = 40;
/// What md tells beside `/proc/mdstat`, for each array.
const SYSFS: &str = "
    for md in /sys/block/md*/md; do
        [ -d $md ] || continue
        name=${md%/md}
        echo \"[${name##*/}]\"
        for field in array_state degraded sync_action mismatch_cnt reshape_position raid_disks level \\
            sync_completed sync_speed
        do
            # Not every level has every field.
            [ -e $md/$field ] && echo \"$field=$(cat $md/$field 2>/dev/null)\"
        done
    done
    true";

/// What stands between two files of one moment when the server prints them.
const NEXT: &str = "--- next ---\n";

#[test]
#[ignore = "minutes, root and QEMU: .ci/long runs it"]
fn texts_of_real_arrays() {
    let record = std::env::var_os("POOLPROOF_LAB_TEXTS").is_some();
    // For trying out one of them.
    let only = std::env::var("POOLPROOF_LAB_MOMENT").ok();
    if extent() == Extent::Gate && !record && only.is_none() {
        left_out("texts of arrays", "POOLPROOF_LAB=full runs it");
        return;
    }
    let lab = Lab::start(&Plan {
        server_memory: 512,
        client_memory: 256,
        drives: drives(6, DRIVE),
    })
    .unwrap();
    let mut missed = Vec::new();
    for moment in MOMENTS {
        if only.as_ref().is_some_and(|name| name != moment.name) {
            continue;
        }
        match (0..TRIES).try_fold(String::new(), |_, _| match caught(&lab, moment) {
            Ok(texts) => Err(texts),
            Err(why) => Ok(why),
        }) {
            Err(texts) => {
                say(&format!("{}: caught", moment.name));
                if record {
                    write_down(moment, &texts);
                }
            }
            Ok(why) => {
                say(&format!("{}: {why}", moment.name));
                missed.push(moment.name);
            }
        }
    }
    assert!(missed.is_empty(), "not caught: {missed:?}");
}

/// Brings a moment about and returns its texts, one for each of its files.
fn caught(lab: &Lab, moment: &Moment) -> Result<Vec<String>, String> {
    lab.hurry(true);
    let run = |script: &str| {
        let output = lab
            .server
            .output(&format!("{PRELUDE}\n{script}"), Duration::from_secs(120));
        output.map(|output| format!("{}{}", output.out, output.err))
    };
    let ready = run("reset");
    if !ready.as_ref().is_ok_and(|said| said.ends_with("empty\n")) {
        // An array that lost its drives may hold on to them.
        lab.server.power_cycle()?;
        run("reset")?;
    }
    let mut said = run(moment.begin)?;
    if moment.cut {
        lab.server.power_cycle()?;
    }
    for drive in moment.failing {
        lab.drives[*drive].set(Condition::Failing);
    }
    said += &run(moment.then)?;
    let mut seen = Vec::new();
    for _ in 0..LOOKS {
        seen = look(lab, moment)?;
        let all = seen.concat();
        if moment.words.iter().all(|word| all.contains(word))
            && !moment.without.iter().any(|word| all.contains(word))
        {
            return Ok(seen);
        }
        thread::sleep(Duration::from_millis(200));
    }
    Err(format!(
        "no text has {:?} without {:?}; last seen: {}; said on the way: {said}",
        moment.words,
        moment.without,
        seen.concat()
    ))
}

fn look(lab: &Lab, moment: &Moment) -> Result<Vec<String>, String> {
    let script = match moment.shown {
        Some(command) => command.to_owned(),
        None => format!("cat /proc/mdstat; printf -- '{NEXT}'; {SYSFS}"),
    };
    let output = lab.server.output(&script, Duration::from_secs(60))?;
    Ok(output.out.split(NEXT).map(ToOwned::to_owned).collect())
}

fn write_down(moment: &Moment, texts: &[String]) {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/lab/texts");
    std::fs::create_dir_all(&folder).unwrap();
    let kinds: &[&str] = match moment.shown {
        Some(_) => &["btrfs"],
        None => &["mdstat", "sysfs"],
    };
    for (kind, text) in kinds.iter().zip(texts) {
        std::fs::write(folder.join(format!("{}.{kind}", moment.name)), text).unwrap();
    }
}

//! Texts of real arrays at the moments that matter, recorded for the tests of parsers.
//!
//! With `POOLPROOF_LAB_TEXTS=1` what the server says is written to `tests/lab/texts`; without, each moment has only
//! to show the words that make it that moment.

use std::path::Path;
use std::time::{Duration, Instant};

use crate::drive::Condition;
use crate::lab::{Lab, Plan};
use crate::pool::{ARRAY, BOOTED, devices, drives, limit};
use crate::tool::say;

/// What an array's own folder says, beside the text of all arrays.
const FOLDERS: &str = "for md in /sys/block/md*/md; do echo \"$md\"; cd $md; \
    for name in level raid_disks array_state degraded sync_action mismatch_cnt reshape_position sync_completed \
    sync_speed; do echo \"$name=$(cat $name 2>/dev/null)\"; done; done";

/// One moment: its name, what brings it about, and words of its text.
struct Moment {
    name: &'static str,
    bring: String,
    words: &'static [&'static str],
}

#[test]
#[ignore = "minutes, root and QEMU: .ci/long runs it"]
fn texts_of_real_arrays() {
    let lab = Lab::start(&Plan {
        server_memory: 384,
        client_memory: 192,
        drives: drives(6, 192 << 20),
    })
    .unwrap();
    lab.hurry(true);
    let stop = "mdadm -q --stop /dev/md0; mdadm -q --stop /dev/md1";
    let fresh = |level: &str, count: usize| {
        format!(
            "{stop}; mdadm -q --zero-superblock {all}; {free}; \
             mdadm -q --create {ARRAY} --run --assume-clean --level={level} --raid-devices={count} {members}",
            all = devices(0..6),
            free = limit(200_000),
            members = devices(0..count)
        )
    };
    let moment = |name, bring: String, words| Moment { name, bring, words };
    let held = limit(100);
    let story = [
        moment("clean", fresh("6", 4), &["[UUUU]"]),
        moment("check", format!("{held}; echo check >/sys/block/md0/md/sync_action"), &["check ="]),
        moment("repair", "echo idle >/sys/block/md0/md/sync_action; sleep 1; echo repair >/sys/block/md0/md/sync_action".into(), &["="]),
        moment("spare", "echo idle >/sys/block/md0/md/sync_action; mdadm -q /dev/md0 --add /dev/vdf".into(), &["(S)"]),
        moment("reshape", "mdadm -q --grow /dev/md0 --raid-devices=5".into(), &["reshape ="]),
        moment("frozen", "sleep 2; echo frozen >/sys/block/md0/md/sync_action; sleep 2".into(), &["md0"]),
        moment("reshape-degraded", "echo reshape >/sys/block/md0/md/sync_action; sleep 2; mdadm -q /dev/md0 --fail /dev/vdc; sleep 2".into(), &["(F)", "reshape ="]),
        moment("failed", format!("{}; sleep 8", limit(500_000)), &["(F)", "[U_UUU]"]),
        moment("recover", format!("mdadm -q /dev/md0 --remove /dev/vdc; mdadm -q --zero-superblock /dev/vdc; {held}; mdadm -q /dev/md0 --add /dev/vdc; sleep 2"), &["recovery ="]),
        moment("read-only", format!("{}; mdadm -q --readonly /dev/md0", fresh("5", 3)), &["read-only"]),
        moment("resync", format!("{stop}; mdadm -q --zero-superblock {}; {held}; mdadm -q --create {ARRAY} --run --level=1 --raid-devices=2 /dev/vdb /dev/vdc; sleep 1", devices(0..6)), &["resync ="]),
        moment("mirror-growth", format!("{}; {held}; mdadm -q /dev/md0 --add /dev/vdd; mdadm -q --grow /dev/md0 --raid-devices=3; sleep 1", fresh("1", 2)), &["recovery ="]),
        moment("raid0-grow", format!("{}; {held}; mdadm -q --grow /dev/md0 --raid-devices=3 --add /dev/vdd; sleep 2", fresh("0", 2)), &["reshape ="]),
        moment("raid5-to-6", format!("{}; {held}; mdadm -q /dev/md0 --add /dev/vde; mdadm -q --grow /dev/md0 --level=6 --raid-devices=4 --backup-file=/tmp/backup; sleep 2", fresh("5", 3)), &["raid6"]),
        moment("raid10-grow", format!("{}; {held}; mdadm -q /dev/md0 --add /dev/vdf; mdadm -q --grow /dev/md0 --raid-devices=5; sleep 2", fresh("10", 4)), &["reshape ="]),
        moment("inactive", format!("{}; mdadm -q --stop /dev/md0; mdadm -q --incremental /dev/vdb", fresh("5", 3)), &["inactive"]),
        moment("reshape-raid5", format!("{}; {held}; mdadm -q /dev/md0 --add /dev/vde; mdadm -q --grow /dev/md0 --raid-devices=4; sleep 2", fresh("5", 3)), &["reshape ="]),
    ];
    let mut missed: Vec<&str> = story
        .iter()
        .filter(|moment| !caught(&lab, moment))
        .map(|moment| moment.name)
        .collect();
    // The power goes in mid-reshape: what is left shows no reshape.
    lab.server.power_cycle().unwrap();
    let bring = format!(
        "{BOOTED}; {held}; mdadm -q --assemble {ARRAY} {}",
        devices(0..4)
    );
    let cut = moment("power-cut", bring, &["auto-read-only"]);
    missed.extend((!caught(&lab, &cut)).then_some(cut.name));
    // Two members of a RAID 5 are lost in mid-reshape.
    lab.server
        .run("mdadm --readwrite /dev/md0 || true; sleep 2")
        .unwrap();
    for place in [0, 1] {
        lab.drives[place].set(Condition::Failing);
    }
    let bring = "dd if=/dev/zero of=/dev/md0 bs=64k count=64 oflag=direct 2>/dev/null; sleep 5";
    let broken = moment("broken", bring.into(), &["(F)"]);
    missed.extend((!caught(&lab, &broken)).then_some(broken.name));
    assert!(missed.is_empty(), "not caught: {missed:?}");
}

/// Brings a moment about, and keeps its text once it has the moment's words.
fn caught(lab: &Lab, moment: &Moment) -> bool {
    let brought = lab.server.output(&moment.bring, Duration::from_secs(120));
    let started = Instant::now();
    let mut text = String::new();
    while started.elapsed() < Duration::from_secs(20) {
        text = lab.server.run("cat /proc/mdstat").unwrap_or_default();
        if moment.words.iter().all(|word| text.contains(word)) {
            let folders = lab.server.run(FOLDERS).unwrap_or_default();
            if std::env::var_os("POOLPROOF_LAB_TEXTS").is_some() {
                let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/lab/texts");
                std::fs::create_dir_all(&folder).expect("the folder can be made");
                for (kind, text) in [("mdstat", &text), ("sysfs", &folders)] {
                    let file = folder.join(format!("{}.{kind}", moment.name));
                    std::fs::write(file, text).expect("a text can be written");
                }
            }
            say(&format!("{}:\n{text}{folders}", moment.name));
            return true;
        }
        std::thread::sleep(Duration::from_millis(500));
    }
    say(&format!(
        "{} was not caught: {text}{brought:?}",
        moment.name
    ));
    false
}

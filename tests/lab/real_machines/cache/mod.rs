//! The cache matrix: what a cache served, counted at the drives, beside the grade that the program gave.

pub(crate) mod cells;

use crate::count::Course;
use crate::drive::Model;
use crate::lab::{Lab, Plan};
use crate::ledger::{Extent, Finding, as_listed, extent, hold, left_out};
use crate::pool::{ARRAY, Layout, drives, mkfs};
use crate::proof::{Study, Told, grades};
use crate::share::SHARED;
use cells::{Condition, Fast, Memory, State, WORKLOADS};

/// Bytes of each drive.
const DRIVE: u64 = 600 << 20;
/// Drives of the pool.
const MEMBERS: usize = 4;
/// MiB of test data.
const TEST_DATA: u32 = 512;
/// MiB of the server's memory: what the system itself takes is some 90.
const SMALL: u32 = 224;
const LARGE: u32 = 1024;
/// Seconds of a trial.
const SECONDS: u32 = 6;
/// More than this part from a cache, and a number is not that of the drives.
const MUCH: f64 = 0.10;

/// Conditions of the gate: one that hides a cache, one that has none and is counted.
const GATE: [&str; 2] = [
    "cache nfs large nothing third plain",
    "cache smb-strict small counters cold plain",
];

#[test]
#[ignore = "minutes, root and QEMU: .ci/run runs its subset, .ci/long all of it"]
fn cache_matrix() {
    let chosen = cells::chosen();
    for condition in cells::all() {
        let run = chosen.contains(&condition);
        if !run && extent() == Extent::Full {
            left_out(&condition.name(), "its pairs of values occur in others");
        }
    }
    let mut differing = Vec::new();
    for condition in &chosen {
        if extent() == Extent::Full || GATE.contains(&condition.name().as_str()) {
            differing.extend(condition_holds(condition));
        } else {
            left_out(&condition.name(), "POOLPROOF_LAB=full runs it");
        }
    }
    as_listed(&differing);
}

/// Runs one condition and holds its cells to the list.
fn condition_holds(condition: &Condition) -> Vec<String> {
    let mut lab = None;
    hold(&condition.name(), |_| {
        let first = lab.is_none();
        if first {
            lab = Some(set_up(condition)?);
        }
        once(lab.as_ref().expect("it was just set up"), condition, first)
    })
}

/// A server with its pool and share, a client with a study.
fn set_up(condition: &Condition) -> Result<Lab, String> {
    let mut models = drives(MEMBERS, DRIVE);
    if condition.fast == Fast::Drive {
        models.push(Model::solid(800 << 20, 120e6));
    }
    let memory = match condition.memory {
        Memory::Small => SMALL,
        Memory::Large => LARGE,
    };
    let lab = Lab::start(&Plan {
        server_memory: memory,
        client_memory: 448,
        drives: models,
    })?;
    lab.hurry(true);
    match condition.fast {
        Fast::None => Layout::Raid6.make(&lab, MEMBERS)?,
        Fast::Drive => {
            Layout::Raid6.assemble(&lab, MEMBERS)?;
            lab.server.run(&format!(
                "modprobe bcache; make-bcache --writethrough -C {fast} -B {ARRAY} >/dev/null; \
                 for device in {fast} {ARRAY}; do echo $device >/sys/fs/bcache/register || true; done; \
                 sleep 1; echo 0 >/sys/block/bcache0/bcache/sequential_cutoff; \
                 echo 0 >/sys/fs/bcache/*/congested_read_threshold_us",
                fast = crate::pool::device(MEMBERS)
            ))?;
            mkfs(&lab, "/dev/bcache0")?;
        }
    }
    condition.share.serve(&lab)?;
    condition.share.mount(&lab)?;
    lab.hurry(false);
    Ok(lab)
}

/// Brings the server's memory into its state, and measures. The study and its test data stay from run to run,
/// as a person's do, but where what was just written is to be read.
fn once(lab: &Lab, condition: &Condition, first: bool) -> Result<Vec<Finding>, String> {
    let memory = match condition.memory {
        Memory::Small => SMALL,
        Memory::Large => LARGE,
    };
    let workloads: String = WORKLOADS.map(|name| format!(" --workload {name}")).concat();
    let measure = format!(
        "measure scans --phase before --trials 1 --seconds {SECONDS} --size {TEST_DATA}MiB{workloads}"
    );
    let study = if first || condition.state == State::Fresh {
        lab.client.run("rm -rf /root/scans")?;
        lab.server.run(&format!("rm -rf {SHARED}/*"))?;
        Study::new(lab, Layout::Raid6, MEMBERS, DRIVE, condition.told, memory)?
    } else {
        Study { lab, name: "scans" }
    };
    if condition.state != State::Fresh {
        lab.hurry(true);
        if first {
            // Lays all test data down; its one trial is not looked at.
            study.must(&format!(
                "measure scans --phase before --trials 1 --seconds 1 --size {TEST_DATA}MiB --workload small-read"
            ))?;
        }
        prepare(lab, condition.state)?;
        lab.hurry(false);
        lab.server.run(others(condition.state))?;
    }
    let (course, said) = Course::during(lab, 0..MEMBERS, || study.run(&measure))?;
    if said.code != 0 {
        return Err(format!(
            "measure ended with {}: {}{}",
            said.code, said.out, said.err
        ));
    }
    lab.server.run("rm -f /run/others; sleep 1")?;
    let grades = grades(&said.out);
    let counted = course.counted(
        &study.table("trials.csv")?,
        &study.table("windows.csv")?,
        &study.table("observations.csv")?,
    );
    if counted.len() != WORKLOADS.len() {
        return Err(format!(
            "{} trials were counted: {}",
            counted.len(),
            said.out
        ));
    }
    Ok(counted
        .iter()
        .map(|trial| {
            let grade = grades.get(&trial.trial).map_or("none", String::as_str);
            Finding {
                cell: condition.cell(&trial.workload),
                truth: format!(
                    "{:.0} % from caches ({:.1} MB delivered, {:.1} MB read at the drives)",
                    100.0 * trial.cached(),
                    trial.delivered / 1e6,
                    trial.from_drives / 1e6
                ),
                said: format!("grade {grade}"),
                right: right(trial.cached(), grade, condition.told),
            }
        })
        .collect())
}

/// Whether a grade is right: what a cache served never holds; what it did not serve holds where the person has
/// said what it takes, and is never called void.
fn right(cached: f64, grade: &str, told: Told) -> bool {
    let holds = matches!(grade, "A" | "B");
    if cached > MUCH {
        return !holds;
    }
    match told {
        Told::Counters | Told::Memory => holds,
        Told::Nothing => !matches!(grade, "C" | "X"),
    }
}

/// Brings the server's memory into a state.
fn prepare(lab: &Lab, state: State) -> Result<(), String> {
    let part = match state {
        State::Cold | State::Fresh => None,
        State::Tenth => Some(10),
        State::Third => Some(3),
        State::All | State::Others => Some(1),
    };
    lab.client.run("echo 3 >/proc/sys/vm/drop_caches")?;
    let mut script = String::from("sync; echo 3 >/proc/sys/vm/drop_caches\n");
    if let Some(part) = part {
        script += &format!(
            "find {SHARED} -type f -size +1024k | while read -r file; do \
             size=$(stat -c %s \"$file\"); head -c $((size / {part})) \"$file\" >/dev/null; done\n"
        );
    }
    lab.server.run(&script).map(drop)
}

/// Others who read all there is until `/run/others` is gone.
fn others(state: State) -> &'static str {
    match state {
        State::Others => {
            "touch /run/others; ( while [ -e /run/others ]; do \
             find /srv/pool/scans -type f -size +1024k | while read -r file; do \
             [ -e /run/others ] && cat \"$file\" >/dev/null; done; sleep 1; done ) >/dev/null 2>&1 &"
        }
        _ => "true",
    }
}

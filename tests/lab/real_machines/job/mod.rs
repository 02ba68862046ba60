//! The whole job, from the plan to the last look, on pools that really grow.
//!
//! What the program says of gain and finish is held against a plain loop of direct reads in the server and
//! against the moment at which the kernel was done. A command that ends otherwise than it should ends the test;
//! a wrong answer is a red cell.

mod follow;

use std::time::Duration;

use crate::lab::{Lab, Plan};
use crate::ledger::{Extent, Finding, as_listed, extent, hold, left_out};
use crate::pool::{Layout, drives, member};
use crate::proof::{Study, Told, grades};
use crate::share::{MOUNT, SHARED, Share};
use crate::tool::say;
use follow::Followed;

/// One pool that grows.
#[derive(Clone, Copy, Debug)]
struct Job {
    layout: Layout,
    share: Share,
    before: usize,
    after: usize,
    /// Seconds that the reshape takes at least.
    seconds: u32,
}

/// Bytes of each drive.
const DRIVE: u64 = 1024 << 20;
/// MiB of the server's memory.
const MEMORY: u32 = 288;
/// More than a quarter of an hour, so that what is measured meanwhile is measured meanwhile.
const LONG: u32 = 1000;
/// The part of its time that a drive takes for a reshape that is only looked at.
const SHORTER: f64 = 0.4;
/// Sittings of a phase, where there is time for what scatters between them.
const SITTINGS: usize = 2;
/// What each is asked for.
const MEASURE: &str = "--trials 3 --seconds 6 --size 640MiB --workload large-read";
/// How far a ratio may be off from the plain loop's: both scatter.
const OFF: f64 = 0.08;
/// The items that a person answers for before the start.
const CONFIRMED: [&str; 9] = [
    "self-test",
    "scrub",
    "restore",
    "power",
    "new-drive",
    "serials",
    "stop-rules",
    "users",
    "freeze",
];
/// What is recorded as done afterwards.
const DONE: [&str; 5] = ["grow", "alignment", "settings", "scrub", "report"];

const JOBS: [Job; 5] = [
    Job {
        layout: Layout::Raid6,
        share: Share::SmbStrict,
        before: 4,
        after: 5,
        seconds: LONG,
    },
    Job {
        layout: Layout::Raid6,
        share: Share::Nfs,
        before: 4,
        after: 5,
        seconds: LONG,
    },
    Job {
        layout: Layout::Raid5,
        share: Share::SmbNone,
        before: 3,
        after: 4,
        seconds: LONG,
    },
    Job {
        layout: Layout::Raid10,
        share: Share::Nfs,
        before: 4,
        after: 6,
        seconds: LONG,
    },
    Job {
        layout: Layout::BtrfsRaid1,
        share: Share::SmbStrict,
        before: 4,
        after: 6,
        seconds: LONG,
    },
];

impl Job {
    /// Sittings of a phase.
    fn sittings(&self) -> usize {
        if self.is_long() { SITTINGS } else { 1 }
    }

    /// Whether there is time to measure while it reshapes.
    fn is_long(&self) -> bool {
        self.seconds >= LONG
    }

    /// What a sitting is asked for.
    fn measure(&self, phase: &str) -> String {
        let small = if self.is_long() {
            " --workload small-read"
        } else {
            ""
        };
        format!("measure scans --phase {phase} {MEASURE}{small}")
    }

    fn name(&self) -> String {
        let Self {
            layout,
            share,
            before,
            after,
            ..
        } = self;
        let short = if self.is_long() { "" } else { " short" };
        let (layout, share) = (layout.word(), share.word());
        format!("job {layout} {before}-to-{after} {share}{short}")
    }
}

#[test]
#[ignore = "half an hour each, root and QEMU: .ci/run runs one in short, .ci/long all"]
fn whole_job() {
    let mut differing = Vec::new();
    for job in JOBS {
        match extent() {
            Extent::Full => differing.extend(hold(&job.name(), |_| whole(&job))),
            Extent::Gate if job.layout == Layout::Raid5 => {
                let short = Job {
                    seconds: 100,
                    ..job
                };
                differing.extend(hold(&short.name(), |_| whole(&short)));
            }
            Extent::Gate => left_out(&job.name(), "POOLPROOF_LAB=full runs it"),
        }
    }
    as_listed(&differing);
}

/// What a phase's plain loop found.
struct Phase {
    loops: Vec<f64>,
    grades: Vec<String>,
}

/// Runs the job once through.
fn whole(job: &Job) -> Result<Vec<Finding>, String> {
    let lab = Lab::start(&Plan {
        server_memory: MEMORY,
        client_memory: 448,
        drives: drives(job.after, DRIVE),
    })?;
    lab.hurry(true);
    job.layout.make(&lab, job.before)?;
    job.share.serve(&lab)?;
    job.share.mount(&lab)?;
    let study = Study::new(&lab, job.layout, job.before, DRIVE, Told::Counters, MEMORY)?;
    amend(&study)?;
    study.must(&format!(
        "plan --pool {} --drives {} --drive-size {DRIVE}B --adding {}",
        job.layout.level(),
        job.before,
        job.after - job.before
    ))?;
    // People's files, and the test data, laid down while the drives are quick.
    lab.client.run(&format!(
        "mkdir {MOUNT}/plates; for n in 1 2 3 4; do head -c 8M /dev/urandom >{MOUNT}/plates/$n.tif; done"
    ))?;
    study.must(&format!("seal scans {MOUNT}/plates --all"))?;
    study.must("measure scans --phase before --trials 1 --seconds 1 --size 640MiB --workload small-read --tag first=yes")?;
    lab.hurry(false);
    let before = phase(&study, "before", job, job.before)?;
    for item in CONFIRMED {
        // An item that the program has seen for itself is answered for all the same.
        study.run(&format!(
            "check scans --attest {item} --by keeper --note done"
        ))?;
    }
    let check = study.run("check scans")?;
    if ![0, 5].contains(&check.code) {
        return Err(format!("check ended with {}: {}", check.code, check.out));
    }
    let followed = Followed::through(&study, job.layout, || {
        let kib_per_s = u32::try_from(DRIVE >> 10).expect("small drives") / job.seconds;
        if !job.is_long() {
            // Its states are looked at, not its speed.
            lab.pace(SHORTER);
        }
        job.layout.grow(&lab, job.before, job.after, kib_per_s)?;
        if job.is_long() {
            for _ in 0..SITTINGS {
                study.must(&job.measure("during"))?;
            }
        }
        Ok(())
    })?;
    lab.pace(1.0);
    job.layout.grow_file_system(&lab)?;
    for item in DONE {
        study.must(&format!("next scans --done {item} --by keeper"))?;
    }
    grown_members(&study, job)?;
    let after = phase(&study, "after", job, job.after)?;
    for command in [
        "verify scans",
        "compare scans",
        "report scans",
        "next scans",
        "status scans",
    ] {
        study.must(command)?;
    }
    let mut findings = vec![followed.ended(&job.name())];
    if job.is_long() {
        findings.extend(followed.forecasts(&job.name()));
    } else {
        left_out(
            &format!("{} forecasts", job.name()),
            "its drives are hurried meanwhile",
        );
    }
    findings.push(gain(&study, job, &before, &after)?);
    study.must("clean scans")?;
    let left = lab.client.run(&format!("ls -A {MOUNT}"))?;
    findings.push(Finding {
        cell: format!("{} clean", job.name()),
        truth: format!(
            "left on the share: {}",
            left.split_whitespace().collect::<Vec<_>>().join(" ")
        ),
        said: "cleaned".into(),
        right: left.trim() == "plates" || left.trim() == "lost+found\nplates",
    });
    Ok(findings)
}

/// States how the server's memory is emptied.
fn amend(study: &Study<'_>) -> Result<(), String> {
    study.lab.client.run(
        "sed -i 's|^diskstats_command|empty_cache_command = \"ssh server sync; ssh server \\x27echo 3 >/proc/sys/vm/drop_caches\\x27\"\\n&|' \
         /root/scans/study.toml",
    )?;
    study.must("allow scans --yes").map(drop)
}

/// The new drives are part of the pool now.
fn grown_members(study: &Study<'_>, job: &Job) -> Result<(), String> {
    let members: Vec<String> = (0..job.after)
        .map(|place| format!("\"{}\"", member(place)))
        .collect();
    study
        .lab
        .client
        .run(&format!(
            "sed -i 's/^members = .*/members = [{}]/' /root/scans/study.toml",
            members.join(", ")
        ))
        .map(drop)
}

/// Sittings of one phase, each beside a plain loop of direct reads in the server.
fn phase(study: &Study<'_>, phase: &str, job: &Job, drives: usize) -> Result<Phase, String> {
    let mut seen = Phase {
        loops: Vec::new(),
        grades: Vec::new(),
    };
    for _ in 0..job.sittings() {
        let said = study.must(&job.measure(phase))?;
        seen.grades.extend(grades(&said).into_values());
        seen.loops.push(plain_loop(study.lab)?);
    }
    let mean = seen.loops.iter().sum::<f64>() / seen.loops.len() as f64;
    say(&format!(
        "{}: {phase}, {drives} drives: plain loop {:.1} MB/s, grades {:?}",
        job.name(),
        mean / 1e6,
        seen.grades
    ));
    Ok(seen)
}

/// Bytes per second of four direct readers of the test data in the server, as a person with a shell would see it.
fn plain_loop(lab: &Lab) -> Result<f64, String> {
    let output = lab.server.output(
        &format!(
            "sync; echo 3 >/proc/sys/vm/drop_caches
             files=$(find {SHARED}/poolproof-* -type f -size +1024k | sort | head -24)
             begin=$EPOCHREALTIME
             bytes=0
             for file in $files; do
                 dd if=$file of=/dev/null bs=16M iflag=direct 2>/dev/null
                 bytes=$((bytes + $(stat -c %s $file)))
             done
             end=$EPOCHREALTIME
             echo $bytes $(( ${{end/./}} - ${{begin/./}} ))"
        ),
        Duration::from_secs(300),
    )?;
    let numbers: Vec<f64> = output
        .out
        .split_whitespace()
        .filter_map(|word| word.parse().ok())
        .collect();
    match numbers.as_slice() {
        [bytes, microseconds] if *bytes > 0.0 => Ok(bytes / microseconds * 1e6),
        _ => Err(format!(
            "the plain loop printed {}{}",
            output.out, output.err
        )),
    }
}

/// Whether the gain of large reads is that of the plain loop.
fn gain(study: &Study<'_>, job: &Job, before: &Phase, after: &Phase) -> Result<Finding, String> {
    let mean = |loops: &[f64]| loops.iter().sum::<f64>() / loops.len() as f64;
    let truth = mean(&after.loops) / mean(&before.loops);
    let compared = crate::proof::rows(&study.must("compare scans --csv")?)?;
    let row = compared
        .iter()
        .find(|row| row["workload"] == "large-read")
        .ok_or("compare has no large-read")?;
    let number = |column: &str| row[column].parse::<f64>().ok();
    let said = [
        number("after_before_ratio"),
        number("after_before_low"),
        number("after_before_high"),
    ];
    let right = match said {
        [_, Some(low), Some(high)] => low <= truth * (1.0 + OFF) && truth * (1.0 - OFF) <= high,
        _ => false,
    };
    Ok(Finding {
        cell: format!("{} gain", job.name()),
        truth: format!(
            "×{truth:.3} by a plain loop in the server, ×{:.3} by geometry",
            job.layout.gain(job.before, job.after)
        ),
        said: match said {
            [Some(ratio), Some(low), Some(high)] => {
                format!("×{ratio:.3} ({low:.3} to {high:.3}), {}", row["verdict"])
            }
            _ => format!(
                "no ratio, {}; grades {:?} and {:?}",
                row["verdict"], before.grades, after.grades
            ),
        },
        right,
    })
}

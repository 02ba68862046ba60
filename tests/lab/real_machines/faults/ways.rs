//! The server's power, the cable, and what is mounted where the share was.

use std::time::{Duration, Instant};

use super::{Extent, Finding, array, laboratory, line, moment, says, study, wait_for};
use crate::lab::Lab;
use crate::pool::{ARRAY, BOOTED, Layout, device, devices, limit};
use crate::proof::Study;
use crate::share::{MOUNT, POOL, Share};

/// A trial that is under way when something happens.
const UNDER_WAY: &str = "measure scans --phase during --trials 1 --seconds 40 --size 64MiB \
    --workload small-read --give-up 20s";

/// The server loses its power in mid-reshape and comes back.
pub(super) fn power(_: Extent) -> Result<Vec<Finding>, String> {
    let lab = laboratory(Layout::Raid6, Share::Nfs, 4, 1)?;
    let study = study(&lab, Layout::Raid6, 4)?;
    lab.server.run(&format!(
        "mdadm -q /dev/md0 --add {}; {}; mdadm -q --grow /dev/md0 --raid-devices=5",
        device(4),
        limit(500)
    ))?;
    wait_for(&lab, &["reshape ="])?;
    study.run("watch scans --once --no-probes")?;
    let under_way = lab
        .client
        .begin(&format!("cd /root; poolproof {UNDER_WAY} 2>&1"))?;
    std::thread::sleep(Duration::from_secs(12));
    lab.server.power_cycle()?;
    let measure = under_way
        .recv_timeout(Duration::from_secs(120))
        .map_err(|_| "a sitting goes on two minutes after the power cut")?;
    let mut findings = vec![Finding {
        cell: "fault power measure".into(),
        truth: "the server lost its power 12 s after the start and shares nothing".into(),
        said: line(&measure),
        right: measure.code == 4 && says(&measure, &["not answered", "does not answer"]),
    }];
    // The limit was the kernel's own: it is gone with the power.
    lab.server.run(&format!(
        "{BOOTED}; {}; mdadm -q --assemble {ARRAY} {}; /usr/sbin/sshd",
        limit(500),
        devices(0..5)
    ))?;
    let truth = array(&lab)?;
    let watch = study.run("watch scans --once --no-probes")?;
    findings.push(Finding {
        cell: "fault power watch".into(),
        truth,
        said: line(&watch),
        right: watch.code == 8 && !says(&watch, &super::WELL),
    });
    lab.server
        .run(&format!("mkdir -p {POOL}; mount {ARRAY} {POOL}"))?;
    Share::Nfs.serve(&lab)?;
    wait_for(&lab, &["reshape ="])?;
    let watch = study.run("watch scans --once --no-probes")?;
    findings.push(Finding {
        cell: "fault power resumed-watch".into(),
        truth: array(&lab)?,
        said: line(&watch),
        right: !says(&watch, &["finished", "has not begun"]),
    });
    findings.push(whole(&study, "power")?);
    Ok(findings)
}

/// The cable is pulled for a minute.
pub(super) fn cable(_: Extent) -> Result<Vec<Finding>, String> {
    let lab = laboratory(Layout::Raid5, Share::SmbStrict, 3, 0)?;
    let study = study(&lab, Layout::Raid5, 3)?;
    let under_way = lab.client.begin(&format!(
        "cd /root; poolproof {} 2>&1",
        UNDER_WAY.replace("during", "before")
    ))?;
    std::thread::sleep(Duration::from_secs(15));
    lab.client.cable(false)?;
    let pulled = Instant::now();
    let watch = study.run("watch scans --once --no-probes")?;
    let mut findings = vec![Finding {
        cell: "fault cable watch".into(),
        truth: "the cable is out, nobody can be asked".into(),
        said: line(&watch),
        right: watch.code != 0
            && says(&watch, &["answer", "reach", "ended with", "no reading"])
            && !says(&watch, &super::WELL),
    }];
    std::thread::sleep(Duration::from_secs(60).saturating_sub(pulled.elapsed()));
    lab.client.cable(true)?;
    let measure = under_way
        .recv_timeout(Duration::from_secs(180))
        .map_err(|_| "a sitting goes on three minutes after the cable was pulled")?;
    let trials = study.table("trials.csv")?;
    let last = trials.last().ok_or("no trial was kept")?;
    findings.push(Finding {
        cell: "fault cable measure".into(),
        truth: "the cable was out for a minute, 15 s after the start".into(),
        said: format!("{}; the trial is {}", line(&measure), last["state"]),
        right: measure.code == 4 && last["state"] != "complete",
    });
    settle(&lab)?;
    let again = study.run(&moment("before"))?;
    findings.push(Finding {
        cell: "fault cable afterwards".into(),
        truth: "the cable is back".into(),
        said: line(&again),
        right: again.code == 0,
    });
    findings.push(whole(&study, "cable")?);
    Ok(findings)
}

/// Waits until the client reaches the share again.
fn settle(lab: &Lab) -> Result<(), String> {
    for _ in 0..30 {
        let listed = lab
            .client
            .output(&format!("timeout 5 ls {MOUNT}"), Duration::from_secs(20));
        if listed.is_ok_and(|output| output.code == 0) {
            return Ok(());
        }
        std::thread::sleep(Duration::from_secs(2));
    }
    Err("the share does not come back".into())
}

/// Something else is mounted where the share was.
pub(super) fn elsewhere(_: Extent) -> Result<Vec<Finding>, String> {
    let lab = laboratory(Layout::Raid5, Share::SmbStrict, 3, 0)?;
    let study = study(&lab, Layout::Raid5, 3)?;
    Share::unmount(&lab)?;
    let trials = study.table("trials.csv")?.len();
    let mut findings = Vec::new();
    for (what, mount) in [
        ("nothing-mounted", "true"),
        ("memory-mounted", "mount -t tmpfs other /mnt/scans"),
    ] {
        lab.client.run(mount)?;
        let measure = study.run(&moment("before"))?;
        let new = study.table("trials.csv")?.len() - trials;
        let made = lab.client.run(&format!("ls -A {MOUNT}"))?;
        findings.push(Finding {
            cell: format!("fault share-elsewhere {what}"),
            truth: format!("another file system is at {MOUNT}"),
            said: format!(
                "{}; {new} new trials, made there: {:?}",
                line(&measure),
                made.trim()
            ),
            right: [3, 4].contains(&measure.code) && new == 0 && made.trim().is_empty(),
        });
    }
    Share::unmount(&lab)?;
    Share::SmbStrict.mount(&lab)?;
    findings.push(whole(&study, "share-elsewhere")?);
    Ok(findings)
}

/// Whether all test data is whole afterwards.
fn whole(study: &Study<'_>, what: &str) -> Result<Finding, String> {
    let verify = study.run("verify scans")?;
    Ok(Finding {
        cell: format!("fault {what} verify"),
        truth: "nothing was written to the test data meanwhile".into(),
        said: line(&verify),
        right: verify.code == 0,
    })
}

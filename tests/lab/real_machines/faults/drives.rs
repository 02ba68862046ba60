//! Drives that fail or turn slow.

use std::time::Duration;

use super::{
    DRIVE, Extent, Finding, array, degraded, laboratory, line, moment, says, study, wait_for,
};
use crate::drive::Condition;
use crate::lab::Lab;
use crate::pool::{Layout, device, limit, member};
use crate::share::{SHARED, Share};

/// KiB a second and drive that hold a reshape for as long as a story takes.
const HELD: u32 = 100;

/// Fails a drive, and lets the server notice.
fn fail(lab: &Lab, place: usize) -> Result<String, String> {
    lab.drives[place].set(Condition::Failing);
    lab.server.run(&format!(
        "head -c 4M /dev/urandom >{SHARED}/touched; sync; rm -f {SHARED}/touched"
    ))?;
    wait_for(lab, &[&format!("{}[{place}](F)", member(place)), "(F)"])
}

/// A member fails before, during, and a second one; a spare is added and not grown.
pub(super) fn members(_: Extent) -> Result<Vec<Finding>, String> {
    let lab = laboratory(Layout::Raid6, Share::Nfs, 4, 1)?;
    let study = study(&lab, Layout::Raid6, 4)?;
    let mut findings = Vec::new();
    let truth = fail(&lab, 3)?;
    findings.extend(degraded(&study, "member-fails-before", &truth)?);
    // Put back as a person would who has found the cable loose.
    lab.hurry(true);
    lab.server.run(&format!(
        "mdadm -q /dev/md0 --remove {drive}; mdadm -q --zero-superblock {drive}; mdadm -q /dev/md0 --add {drive}",
        drive = device(3)
    ))?;
    Layout::Raid6.wait_idle(&lab, Duration::from_secs(120))?;
    lab.server
        .run(&format!("mdadm -q /dev/md0 --add {}", device(4)))?;
    let truth = array(&lab)?;
    let check = study.run("check scans")?;
    let watch = study.run("watch scans --once --no-probes")?;
    findings.push(Finding {
        cell: "fault spare-not-grown check".into(),
        truth: truth.clone(),
        said: line(&check),
        right: says(&check, &["spare"]),
    });
    findings.push(Finding {
        cell: "fault spare-not-grown watch".into(),
        truth,
        said: line(&watch),
        right: !says(&watch, &["finished", "done by", "moving"]),
    });
    lab.server.run(&format!(
        "{}; mdadm -q --grow /dev/md0 --raid-devices=5",
        limit(HELD)
    ))?;
    wait_for(&lab, &["reshape ="])?;
    let truth = fail(&lab, 1)?;
    findings.extend(degraded(&study, "member-fails-during", &truth)?);
    let truth = fail(&lab, 2)?;
    findings.extend(degraded(&study, "second-member-fails-during", &truth)?);
    for place in [0, 3, 4] {
        lab.drives[place].set(Condition::Slow(0.02));
    }
    lab.server.run(&limit(500_000))?;
    Layout::Raid6.wait_idle(&lab, Duration::from_secs(180))?;
    let truth = array(&lab)?;
    findings.extend(degraded(&study, "ended-degraded", &truth)?);
    Ok(findings)
}

/// One member takes eight times as long as the others.
pub(super) fn slow(_: Extent) -> Result<Vec<Finding>, String> {
    let lab = laboratory(Layout::Raid5, Share::Nfs, 3, 1)?;
    let study = study(&lab, Layout::Raid5, 3)?;
    lab.server
        .run(&format!("mdadm -q /dev/md0 --add {}", device(3)))?;
    lab.pace(1.0);
    lab.drives[1].set(Condition::Slow(8.0));
    lab.server.run(&format!(
        "{}; mdadm -q --grow /dev/md0 --raid-devices=4",
        limit(500_000)
    ))?;
    wait_for(&lab, &["reshape ="])?;
    for _ in 0..3 {
        study.run("watch scans --once --no-probes")?;
        std::thread::sleep(Duration::from_secs(10));
    }
    let watch = study.run("watch scans --once --no-probes")?;
    let slow = member(1);
    Ok(vec![Finding {
        cell: "fault member-slow watch".into(),
        truth: format!(
            "{slow} takes 8 times as long as its siblings; {}",
            array(&lab)?
        ),
        said: line(&watch),
        right: says(&watch, &[&slow]),
    }])
}

/// A member fails in a reshape of a quarter of an hour that is measured meanwhile.
pub(super) fn measured(_: Extent) -> Result<Vec<Finding>, String> {
    let lab = laboratory(Layout::Raid6, Share::SmbStrict, 4, 1)?;
    let study = study(&lab, Layout::Raid6, 4)?;
    lab.pace(1.0);
    lab.server
        .run(&format!("mdadm -q /dev/md0 --add {}", device(4)))?;
    // Faster once a member has failed, and yet no less than a quarter of an hour.
    let kib_per_s = u32::try_from(DRIVE >> 10).expect("small drives") / 1800;
    lab.server.run(&format!(
        "{}; mdadm -q --grow /dev/md0 --raid-devices=5",
        limit(kib_per_s)
    ))?;
    wait_for(&lab, &["reshape ="])?;
    let watch = lab
        .client
        .begin("cd /root; poolproof watch scans --every 10s 2>&1")?;
    std::thread::sleep(Duration::from_secs(60));
    let during =
        "measure scans --phase during --trials 3 --seconds 6 --size 64MiB --workload small-read";
    study.must(during)?;
    std::thread::sleep(Duration::from_secs(240));
    let truth = fail(&lab, 1)?;
    let measure = study.run(during)?;
    let mut findings = vec![Finding {
        cell: "fault member-fails-during measure".into(),
        truth: truth.clone(),
        said: line(&measure),
        right: says(&measure, &super::DEGRADED),
    }];
    Layout::Raid6.wait_idle(&lab, Duration::from_secs(1500))?;
    let said = watch
        .recv_timeout(Duration::from_secs(120))
        .map_err(|_| "the watch goes on two minutes after the end")?;
    findings.push(Finding {
        cell: "fault member-fails-during watch-to-end".into(),
        truth: array(&lab)?,
        said: line(&said),
        right: says(&said, &super::DEGRADED),
    });
    Ok(findings)
}

/// More members fail than the layout survives: the array is broken and the server answers with errors.
pub(super) fn broken(_: Extent) -> Result<Vec<Finding>, String> {
    let lab = laboratory(Layout::Raid5, Share::Nfs, 3, 1)?;
    let study = study(&lab, Layout::Raid5, 3)?;
    fail(&lab, 0)?;
    lab.drives[1].set(Condition::Failing);
    lab.client.run("echo 3 >/proc/sys/vm/drop_caches")?;
    lab.server.run("echo 3 >/proc/sys/vm/drop_caches; dd if=/dev/md0 of=/dev/null bs=1M count=8 skip=50 iflag=direct || true")?;
    let before = study.table("trials.csv")?.len();
    let measure = study.run(&moment("before"))?;
    let truth = array(&lab)?;
    let trials = study.table("trials.csv")?;
    let holds = trials[before.min(trials.len())..]
        .iter()
        .any(|row| row["state"] == "complete");
    let mut findings = degraded(&study, "array-broken", &truth)?;
    findings.push(Finding {
        cell: "fault server-errors measure".into(),
        truth: format!("reads fail: {truth}"),
        said: line(&measure),
        right: measure.code == 4 && !holds,
    });
    Ok(findings)
}

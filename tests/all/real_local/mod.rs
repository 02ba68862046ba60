//! Local file systems whose truth is known: memory that poses as a share, a page cache that is read
//! through, a device that is asked what it moved.

mod submission;
pub(crate) mod ext4;
mod lost;
mod refuse;

use std::fs;
use std::os::unix::fs::FileExt as _;
use std::path::Path;

use poolproof::judge::{Grade, Judgement, judge_all};
use poolproof::plan::Set;
use poolproof::probe::extents::extents;
use poolproof::record::observed;
use poolproof::store;

use self::ext4::{Ext4, text};
use crate::support::{allow, poolproof, real, run, say};

/// Makes a study of `share`, changes its `study.toml`, and measures one workload.
fn measured(share: &Path, study: &Path, more: &str, workload: &str) -> Vec<Judgement> {
    poolproof(&["new", text(study), "--share", text(share)]);
    let config = study.join("study.toml");
    let head = fs::read_to_string(&config).unwrap();
    fs::write(&config, format!("{head}\n{more}")).unwrap();
    allow(text(study));
    poolproof(&[
        "measure",
        text(study),
        "--phase",
        "before",
        "--workload",
        workload,
        "--size",
        "256MiB",
        "--seconds",
        "5",
        "--trials",
        "2",
    ]);
    let judgements: Vec<Judgement> = judge_all(&store::read(study).unwrap())
        .into_values()
        .collect();
    for judgement in &judgements {
        say(&format!("real local: {workload}: {:?}", judgement.ruling));
    }
    judgements
}

#[test]
fn memory_that_poses_as_a_share_is_rejected() {
    let memory = Path::new("/dev/shm");
    let prepared = real("memory share", || {
        match run("stat", &["-f", "-c", "%T", "/dev/shm"]) {
            Ok(kind) if kind.trim() == "tmpfs" => {
                tempfile::tempdir_in(memory).map_err(|e| e.to_string())
            }
            _ => Err("/dev/shm is no tmpfs here".into()),
        }
    });
    let Some(share) = prepared else { return };
    let beside = tempfile::tempdir().unwrap();
    for (index, workload) in ["large-read", "small-read"].into_iter().enumerate() {
        let study = beside.path().join(format!("scans{index}"));
        for judgement in measured(share.path(), &study, "", workload) {
            assert_eq!(judgement.ruling.grade, Grade::X, "{judgement:?}");
        }
    }
}

/// ext4 that journals data opens files for direct I/O and buffers it: a page cache in disguise. It says
/// so when asked; the trial says so too, and begins with an empty cache.
#[test]
fn a_page_cache_that_is_read_through_is_found_out() {
    let Some(ext4) = real("journalled ext4", || Ext4::build("data=journal")) else {
        return;
    };
    let judgements = measured(&ext4.share(), &ext4.study(), "", "large-read");
    let study = store::read(&ext4.study()).unwrap();
    for trial in &study.trials {
        assert_eq!(trial.direct, Some(false));
        let says = "the file system says that it takes no direct I/O: buffered, with this client's";
        assert!(trial.notes.contains(says), "{}", trial.notes);
    }
    // Emptied after the trial too: nothing of the files is left when all have ended.
    let folder = ext4.share().join(&study.data.folder);
    for file in fs::read_dir(folder).unwrap() {
        let file = file.unwrap().path();
        if file.extension().is_some_and(|kind| kind == "blocks") {
            let pages = run("fincore", &["-n", "-o", "PAGES", text(&file)]).unwrap();
            assert_eq!(pages.trim(), "0", "{}", file.display());
        }
    }
    let last = judgements.last().unwrap();
    assert!(!last.ruling.grade.holds(), "{last:?}");
    let cached = last
        .ruling
        .cached
        .expect("pages and bytes can be counted here");
    assert!(cached.figure() > 0.5, "{cached:?}");
}

#[test]
fn bytes_that_the_device_moved_verify_a_direct_read() {
    let Some(ext4) = real("direct ext4", || Ext4::build("noatime")) else {
        return;
    };
    let device = ext4.device.strip_prefix("/dev/").unwrap();
    let ask = format!(
        "[server]\ndiskstats_command = \"cat /proc/diskstats\"\nmembers = [\"{device}\"]\n"
    );
    for judgement in measured(&ext4.share(), &ext4.study(), &ask, "large-read") {
        assert_eq!(judgement.ruling.grade, Grade::A, "{judgement:?}");
    }
    let study = store::read(&ext4.study()).unwrap();
    assert!(study.trials.iter().all(|trial| trial.direct == Some(true)));
}

/// The kernel's answer is held against the device itself: what it holds at the places told is what the
/// file holds.
#[test]
fn places_on_the_device_hold_what_the_file_holds() {
    let Some(ext4) = real("places on ext4", || Ext4::build("noatime")) else {
        return;
    };
    measured(&ext4.share(), &ext4.study(), "", "large-read");
    let study = store::read(&ext4.study()).unwrap();
    let device_bytes = (2u64 << 30) as f64;
    for trial in &study.trials {
        let seen = |name| study.observations[&trial.trial].get(name).unwrap();
        assert_eq!(seen(observed::LOCATION_DEVICE), device_bytes);
        let (low, high) = (seen(observed::LOCATION_LOW), seen(observed::LOCATION_HIGH));
        let mean = seen(observed::LOCATION_MEAN);
        assert!(
            0.0 < low && low < mean && mean < high && high <= 1.0,
            "{low} {mean} {high}"
        );
        say(&format!(
            "real local: places: {low:.3} to {high:.3}, mean {mean:.3}"
        ));
    }
    let facts = study.facts.values().next().unwrap();
    assert_eq!(facts.devices[0].bytes.0 as f64, device_bytes);
    assert_eq!(format!("/dev/{}", facts.devices[0].name), ext4.device);
    let device = fs::File::open(&ext4.device).unwrap();
    let file = study.data.of(Set::Read).next().unwrap();
    let path = ext4.share().join(&study.data.folder).join(file.name());
    let file = fs::File::open(path).unwrap();
    let extents = extents(&file).unwrap();
    let length: u64 = extents.iter().map(|extent| extent.length).sum();
    assert_eq!(length, file.metadata().unwrap().len());
    let mut logical = 0;
    for extent in &extents {
        let [mut told, mut held] = [[0; 4096], [0; 4096]];
        for offset in [0, extent.length - 4096] {
            device
                .read_exact_at(&mut told, extent.physical + offset)
                .unwrap();
            file.read_exact_at(&mut held, logical + offset).unwrap();
            assert!(told == held && told != [0; 4096], "{extent:?}");
        }
        logical += extent.length;
    }
}

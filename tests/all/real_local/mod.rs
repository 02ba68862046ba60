//! Local file systems whose truth is known: memory that poses as a share, a page cache that is read
//! through, a device that is asked what it moved.

mod engine;
mod ext4;
mod refuse;

use std::fs;
use std::path::Path;

use poolproof::judge::{Grade, Judgement, judge_all};
use poolproof::store;

use self::ext4::{Ext4, text};
use crate::support::{poolproof, real, run, say};

/// Makes a study of `share`, changes its `study.toml`, and measures one workload.
fn measured(share: &Path, study: &Path, more: &str, workload: &str) -> Vec<Judgement> {
    poolproof(&["new", text(study), "--share", text(share)]);
    let config = study.join("study.toml");
    let head = fs::read_to_string(&config).unwrap();
    fs::write(&config, format!("{head}\n{more}")).unwrap();
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

//! Local file systems whose truth is known: memory that poses as a share, a page cache that is read
//! through, a device that is asked what it moved.

use std::fs;
use std::path::{Path, PathBuf};

use poolproof::judge::{Grade, Judgement, judge_all};
use poolproof::store;
use tempfile::TempDir;

use crate::support::{find, poolproof, real, run, say};

/// An ext4 file system on a loop device, with a study beside it.
struct Ext4 {
    folder: TempDir,
    device: String,
}

impl Ext4 {
    /// `options` for mkfs and mount.
    fn build(mount_options: &str) -> Result<Self, String> {
        for tool in ["mkfs.ext4", "losetup", "mount"] {
            find(tool)?;
        }
        if !rustix::process::geteuid().is_root() {
            return Err("it needs root to mount a file system".into());
        }
        let folder = tempfile::tempdir_in("/var/tmp").map_err(|error| error.to_string())?;
        let image = folder.path().join("image");
        fs::File::create(&image)
            .and_then(|file| file.set_len(2 << 30))
            .map_err(|error| error.to_string())?;
        run("mkfs.ext4", &["-q", "-F", text(&image)])?;
        let device = run(
            "losetup",
            &["--find", "--show", "--direct-io=on", text(&image)],
        )?;
        let ext4 = Self {
            folder,
            device: device.trim().to_owned(),
        };
        fs::create_dir(ext4.share()).map_err(|error| error.to_string())?;
        run(
            "mount",
            &["-o", mount_options, &ext4.device, text(&ext4.share())],
        )?;
        Ok(ext4)
    }

    fn share(&self) -> PathBuf {
        self.folder.path().join("share")
    }

    fn study(&self) -> PathBuf {
        self.folder.path().join("scans")
    }
}

impl Drop for Ext4 {
    fn drop(&mut self) {
        // What is gone already needs no taking down.
        let _ = run("umount", &[text(&self.share())]);
        let _ = run("losetup", &["--detach", &self.device]);
    }
}

fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

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

/// ext4 that journals data accepts direct I/O and buffers it: a page cache in disguise.
#[test]
fn a_page_cache_that_is_read_through_is_found_out() {
    let Some(ext4) = real("journalled ext4", || Ext4::build("data=journal")) else {
        return;
    };
    let judgements = measured(&ext4.share(), &ext4.study(), "", "large-read");
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
}

//! Shares that come, go and fill up: a memory file system that is mounted, unmounted and limited.

use std::fs;
use std::path::PathBuf;
use std::process::Output;

use poolproof::store;
use tempfile::TempDir;

use crate::support::{find, real, run};

/// A folder with a mount point `share` in it, and a study `scans` beside that.
struct Tmpfs {
    folder: TempDir,
}

impl Tmpfs {
    fn build(options: &str) -> Result<Self, String> {
        find("mount")?;
        if !rustix::process::geteuid().is_root() {
            return Err("it needs root to mount a file system".into());
        }
        let folder = tempfile::tempdir().map_err(|error| error.to_string())?;
        fs::create_dir(folder.path().join("share")).map_err(|error| error.to_string())?;
        let tmpfs = Self { folder };
        tmpfs.mount(options)?;
        Ok(tmpfs)
    }

    fn mount(&self, options: &str) -> Result<(), String> {
        let source = ["-t", "tmpfs", "-o", options, "archive"];
        let share = self.share();
        run("mount", &[&source[..], &[share.to_str().unwrap()]].concat()).map(drop)
    }

    fn unmount(&self) -> Result<(), String> {
        run("umount", &[self.share().to_str().unwrap()]).map(drop)
    }

    fn share(&self) -> PathBuf {
        self.folder.path().join("share")
    }

    fn study(&self) -> PathBuf {
        self.folder.path().join("scans")
    }

    fn poolproof(&self, command: &str, more: &str) -> Output {
        let study = self.study();
        let mut words = vec![command, study.to_str().unwrap()];
        words.extend(more.split_whitespace());
        crate::support::program().args(&words).output().unwrap()
    }

    fn new_study(&self) {
        let more = format!("--share {}", self.share().display());
        assert!(self.poolproof("new", &more).status.success());
    }

    fn files(&self) -> usize {
        let entries = fs::read_dir(self.share()).unwrap();
        entries
            .map(|folder| fs::read_dir(folder.unwrap().path()).unwrap().count())
            .sum()
    }
}

impl Drop for Tmpfs {
    fn drop(&mut self) {
        // What is gone already needs no taking down.
        let _ = self.unmount();
    }
}

const MEASURE: &str = "--phase before --workload small-read --size 64MiB --seconds 1 --trials 1";

fn said(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

#[test]
fn the_empty_mount_point_below_a_share_is_never_measured() {
    let options = "size=512M";
    let Some(tmpfs) = real("a share that is not mounted", || Tmpfs::build(options)) else {
        return;
    };
    tmpfs.new_study();
    tmpfs.unmount().unwrap();
    let refused = tmpfs.poolproof("measure", MEASURE);
    assert_eq!(refused.status.code(), Some(4), "{}", said(&refused));
    assert!(
        said(&refused).contains("archive (tmpfs) mounted at"),
        "{}",
        said(&refused)
    );
    assert_eq!(fs::read_dir(tmpfs.share()).unwrap().count(), 0);
    // Another mount of the same is the same share.
    tmpfs.mount(options).unwrap();
    let measured = tmpfs.poolproof("measure", MEASURE);
    assert!(measured.status.success(), "{}", said(&measured));
}

/// The kernel itself says that nothing more fits: here there are no more files to be had.
#[test]
fn a_share_that_is_full_in_the_midst_keeps_what_is_whole() {
    let Some(tmpfs) = real("a share that fills up", || {
        Tmpfs::build("size=512M,nr_inodes=24")
    }) else {
        return;
    };
    tmpfs.new_study();
    let full = tmpfs.poolproof("measure", MEASURE);
    assert_eq!(full.status.code(), Some(4), "{}", said(&full));
    assert!(
        said(&full).contains("the share is full while"),
        "{}",
        said(&full)
    );
    let data = store::read(&tmpfs.study()).unwrap().data;
    assert!(data.files.len() > 4 && data.files.iter().all(|file| file.complete));
    // The marker is the one that the manifest need not list.
    assert_eq!(tmpfs.files(), data.files.len() + 1);
    let share = tmpfs.share();
    let more = ["-o", "remount,nr_inodes=1000", share.to_str().unwrap()];
    run("mount", &more).unwrap();
    let measured = tmpfs.poolproof("measure", MEASURE);
    assert!(measured.status.success(), "{}", said(&measured));
    assert!(tmpfs.poolproof("clean", "").status.success());
    assert_eq!(tmpfs.files(), 0);
}

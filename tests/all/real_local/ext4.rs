//! An ext4 file system on a loop device, with a study beside it.

use std::fs;
use std::os::unix::fs::MetadataExt as _;
use std::path::{Path, PathBuf};

use tempfile::TempDir;

use crate::real_pool::pool::unmount;
use crate::support::{find, run};

/// Blocks of the file system, in bytes.
const BLOCK: u64 = 4096;

/// A mounted file system. Dropping it takes it down.
pub(crate) struct Ext4 {
    folder: TempDir,
    pub(super) device: String,
    /// Whether the image lies in a memory of limited size of its own.
    thin: bool,
}

impl Ext4 {
    /// `mount_options` are for mount. 2 GiB, of which only what is written takes room.
    pub(super) fn build(mount_options: &str) -> Result<Self, String> {
        let folder = prepare()?;
        let image = folder.path().join("image");
        make(&image, 2 << 30)?;
        Self::attach(folder, &image, true, mount_options)
    }

    /// In `image`, a new file of 1 GiB on another file system, whose cache keeps what is read.
    pub(crate) fn within(image: &Path) -> Result<Self, String> {
        let folder = prepare()?;
        make(image, 1 << 30)?;
        Self::attach(folder, image, false, "noatime")
    }

    /// 400 MiB in a memory of 450 MiB, from which parts can be taken away again: see
    /// [`Ext4::withdraw`].
    pub(super) fn thin() -> Result<Self, String> {
        find("fallocate")?;
        find("filefrag")?;
        let folder = prepare()?;
        let backing = folder.path().join("backing");
        fs::create_dir(&backing).map_err(|error| error.to_string())?;
        let size = ["-t", "tmpfs", "-o", "size=450m", "none", text(&backing)];
        run("mount", &size)?;
        let image = backing.join("image");
        let filled = run("fallocate", &["-l", "400M", text(&image)]).and_then(|_| {
            // Small file systems get smaller blocks unless told.
            let block = BLOCK.to_string();
            let lazy = "nodiscard,lazy_itable_init=0,lazy_journal_init=0";
            run(
                "mkfs.ext4",
                &[
                    "-q",
                    "-F",
                    "-b",
                    &block,
                    "-m",
                    "0",
                    "-E",
                    lazy,
                    text(&image),
                ],
            )?;
            // What mkfs left as holes has to be there too: only the data may find no room.
            run("fallocate", &["-l", "400M", text(&image)])
        });
        if let Err(why) = filled {
            unmount(text(&backing))?;
            return Err(why);
        }
        let mut ext4 = Self::attach(folder, &image, false, "noatime")?;
        ext4.thin = true;
        Ok(ext4)
    }

    fn attach(
        folder: TempDir,
        image: &Path,
        direct: bool,
        mount_options: &str,
    ) -> Result<Self, String> {
        let direct = format!("--direct-io={}", if direct { "on" } else { "off" });
        let device = run("losetup", &["--find", "--show", &direct, text(image)])?;
        let ext4 = Self {
            folder,
            device: device.trim().to_owned(),
            thin: false,
        };
        let share = ext4.share();
        fs::create_dir(&share).map_err(|error| error.to_string())?;
        let mount = ["-o", mount_options, &ext4.device, text(&share)];
        run("mount", &mount)?;
        Ok(ext4)
    }

    /// Takes the room under `files` away and fills what is left, as when a thin pool is promised
    /// more often than it has: the file system still shows them as written, and writing to them
    /// fails.
    pub(super) fn withdraw(&self, files: &[PathBuf]) -> Result<(), String> {
        let backing = self.folder.path().join("backing");
        let (image, ballast) = (backing.join("image"), backing.join("ballast"));
        for file in files {
            for (offset, length) in extents(file)? {
                let (offset, length) = (offset.to_string(), length.to_string());
                let part = ["--punch-hole", "-o", &offset, "-l", &length, text(&image)];
                run("fallocate", &part)?;
            }
        }
        let room = available(&backing).to_string();
        run("fallocate", &["-l", &room, text(&ballast)]).map(drop)
    }

    /// Cuts the file under the device off: what was in it is lost, and reading fails.
    pub(super) fn lose_the_drive(&self) -> Result<(), String> {
        let image = fs::File::options()
            .write(true)
            .open(self.folder.path().join("image"));
        image
            .and_then(|image| image.set_len(0))
            .map_err(|error| error.to_string())
    }

    /// Mounts it read-only from now on; refused while a file is open for writing.
    pub(super) fn make_read_only(&self) -> Result<(), String> {
        run("mount", &["-o", "remount,ro", text(&self.share())]).map(drop)
    }

    pub(crate) fn share(&self) -> PathBuf {
        self.folder.path().join("share")
    }

    pub(crate) fn study(&self) -> PathBuf {
        self.folder.path().join("scans")
    }

    /// `MAJOR:MINOR` of the device.
    pub(super) fn number(&self) -> String {
        let id = fs::metadata(&self.device).unwrap().rdev();
        format!("{}:{}", rustix::fs::major(id), rustix::fs::minor(id))
    }

    /// Bytes that are free on it.
    pub(super) fn available(&self) -> u64 {
        available(&self.share())
    }
}

/// A file system of `bytes` in a new file, of which only what is written takes room.
fn make(image: &Path, bytes: u64) -> Result<(), String> {
    fs::File::create_new(image)
        .and_then(|file| file.set_len(bytes))
        .map_err(|error| error.to_string())?;
    run("mkfs.ext4", &["-q", "-F", text(image)]).map(drop)
}

impl Drop for Ext4 {
    fn drop(&mut self) {
        // What is gone already needs no taking down.
        drop(unmount(text(&self.share())));
        drop(run("losetup", &["--detach", &self.device]));
        if self.thin {
            drop(unmount(text(&self.folder.path().join("backing"))));
        }
    }
}

/// A folder to build in, on a disk.
fn prepare() -> Result<TempDir, String> {
    for tool in ["mkfs.ext4", "losetup", "mount", "umount"] {
        find(tool)?;
    }
    if !rustix::process::geteuid().is_root() {
        return Err("it needs root to mount a file system".into());
    }
    tempfile::tempdir_in("/var/tmp").map_err(|error| error.to_string())
}

/// Where the parts of a file lie on its device: offset and length in bytes.
fn extents(file: &Path) -> Result<Vec<(u64, u64)>, String> {
    // number: first.. last of the file: first.. last of the device: length: …
    let extent = |line: &str| {
        let fields: Vec<&str> = line.split(':').map(str::trim).collect();
        let (first, _) = fields.get(2)?.split_once("..")?;
        let first: u64 = first.parse().ok()?;
        let length: u64 = fields.get(3)?.parse().ok()?;
        Some((first * BLOCK, length * BLOCK))
    };
    let map = run("filefrag", &["-v", text(file)])?;
    let extents: Vec<_> = map.lines().filter_map(extent).collect();
    match extents.is_empty() {
        true => Err(format!("no extents in what filefrag says: {map}")),
        false => Ok(extents),
    }
}

fn available(folder: &Path) -> u64 {
    let space = rustix::fs::statvfs(folder).unwrap();
    space.f_bavail * space.f_frsize
}

pub(super) fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

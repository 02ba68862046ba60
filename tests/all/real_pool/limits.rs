//! Holds block devices to a rate, through whichever control group hierarchy the machine has.
//!
//! The kernel charges a transfer to the group of the thread that submits it. Direct reads and the
//! reads of a balance are submitted by the caller; parity, write-back and the writes of a balance
//! by threads of the kernel, which live in the root group. Version 1 can limit its root group, so
//! there the test process joins the root and everything is held. Version 2 cannot, so there the
//! limits hold for a group of our own: all reads are held, and the writes of kernel threads are not.

use std::fs;
use std::path::{Path, PathBuf};
use std::process;

/// Name of our group in version 2.
const GROUP: &str = "poolproof-real-pool";

/// A group in which devices can be held to a rate, joined by this process and what it starts.
/// Dropping it returns to the group where the process was.
pub(crate) struct Limits {
    version: Version,
    group: PathBuf,
    home: PathBuf,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Version {
    One,
    Two,
}

impl Limits {
    /// Joins the group that can hold block devices to a rate.
    ///
    /// # Errors
    /// When the machine has none, or this process may not use it.
    pub(crate) fn join() -> Result<Self, String> {
        let mounts = read(Path::new("/proc/self/mounts"))?;
        let groups = read(Path::new("/proc/self/cgroup"))?;
        let limits = if let Some(root) = hierarchy(&mounts, Version::One) {
            Self {
                version: Version::One,
                home: root.join(own_group(&groups, "blkio")),
                group: root,
            }
        } else if let Some(root) = hierarchy(&mounts, Version::Two) {
            let group = root.join(GROUP);
            write(&root.join("cgroup.subtree_control"), "+io")?;
            fs::create_dir_all(&group)
                .map_err(|error| format!("cannot make {}: {error}", group.display()))?;
            Self {
                version: Version::Two,
                home: root.join(own_group(&groups, "")),
                group,
            }
        } else {
            return Err("no control group hierarchy for block devices is mounted".to_owned());
        };
        write(
            &limits.group.join("cgroup.procs"),
            &process::id().to_string(),
        )?;
        Ok(limits)
    }

    /// Holds device `number` (`MAJOR:MINOR`) to `rate` bytes per second for reading, and to the same
    /// for writing.
    ///
    /// # Errors
    /// When a file of the group cannot be written.
    pub(crate) fn hold(&self, number: &str, rate: u64) -> Result<(), String> {
        self.set(number, &rate.to_string())
    }

    /// Lifts what [`Limits::hold`] set.
    ///
    /// # Errors
    /// When a file of the group cannot be written.
    pub(crate) fn lift(&self, number: &str) -> Result<(), String> {
        let without_limit = match self.version {
            Version::One => "0",
            Version::Two => "max",
        };
        self.set(number, without_limit)
    }

    fn set(&self, number: &str, rate: &str) -> Result<(), String> {
        match self.version {
            Version::One => ["read", "write"].iter().try_for_each(|direction| {
                let file = format!("blkio.throttle.{direction}_bps_device");
                write(&self.group.join(file), &format!("{number} {rate}"))
            }),
            Version::Two => write(
                &self.group.join("io.max"),
                &format!("{number} rbps={rate} wbps={rate}"),
            ),
        }
    }
}

impl Drop for Limits {
    fn drop(&mut self) {
        // Nothing depends on being back: the group just outlives the process until the next run.
        drop(write(
            &self.home.join("cgroup.procs"),
            &process::id().to_string(),
        ));
        if self.version == Version::Two {
            drop(fs::remove_dir(&self.group));
        }
    }
}

/// Where the hierarchy that controls block devices is mounted, from the text of `/proc/self/mounts`.
fn hierarchy(mounts: &str, version: Version) -> Option<PathBuf> {
    let mounted = mounts.lines().find_map(|line| {
        let mut fields = line.split(' ').skip(1);
        let (point, kind, options) = (fields.next()?, fields.next()?, fields.next()?);
        let found = match version {
            Version::One => kind == "cgroup" && options.split(',').any(|option| option == "blkio"),
            Version::Two => kind == "cgroup2",
        };
        found.then(|| PathBuf::from(point))
    })?;
    let proof = match version {
        Version::One => "blkio.throttle.read_bps_device",
        Version::Two => "cgroup.subtree_control",
    };
    mounted.join(proof).exists().then_some(mounted)
}

/// Path of the group of this process below the mount point, from the text of `/proc/self/cgroup`.
/// Version 2 names no controller.
fn own_group(groups: &str, controller: &str) -> PathBuf {
    let path = groups.lines().find_map(|line| {
        let (_, rest) = line.split_once(':')?;
        let (controllers, path) = rest.split_once(':')?;
        let ours = controllers.split(',').any(|name| name == controller);
        ours.then(|| path.trim_start_matches('/'))
    });
    PathBuf::from(path.unwrap_or_default())
}

fn read(file: &Path) -> Result<String, String> {
    fs::read_to_string(file).map_err(|error| format!("cannot read {}: {error}", file.display()))
}

fn write(file: &Path, text: &str) -> Result<(), String> {
    fs::write(file, text)
        .map_err(|error| format!("cannot write {text} to {}: {error}", file.display()))
}

#[test]
fn the_hierarchy_and_the_own_group_are_found_in_the_words_of_the_kernel() {
    let mounts = "cgroup2 /nowhere/unified cgroup2 rw,relatime 0 0\n\
                  cgroup /nowhere/blkio cgroup rw,relatime,blkio 0 0\n";
    // Both are named, and neither is really there.
    assert_eq!(hierarchy(mounts, Version::One), None);
    assert_eq!(hierarchy(mounts, Version::Two), None);
    let groups = "7:cpu,cpuacct:/a\n6:blkio:/shift/night\n0::/shift\n";
    assert_eq!(own_group(groups, "blkio"), Path::new("shift/night"));
    assert_eq!(own_group(groups, "cpuacct"), Path::new("a"));
    assert_eq!(own_group(groups, ""), Path::new("shift"));
    assert_eq!(own_group(groups, "memory"), Path::new(""));
}

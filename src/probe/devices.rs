//! The block devices under a mount of this machine, and what each is made of, as `/sys` tells.
#![expect(
    clippy::disallowed_methods,
    reason = "the probe is an edge: it reads files"
)]

use std::fs::read_dir;

use super::file::text;
use std::os::unix::fs::MetadataExt;
use std::path::Path;

use crate::facts::{Device, Mount};
use crate::units::Bytes;

/// `/sys` counts in sectors of 512 bytes, whatever the device's own are.
const SECTOR: u64 = 512;
/// A stack deeper than this is a loop.
const DEEPEST: u32 = 8;

/// The device that is mounted and all below it, each once, the mounted one first. A file system
/// that spans several devices itself lists them all. `sys` is `/sys`.
///
/// # Errors
/// One sentence, when no block device is under the mount or its size is not told.
pub(super) fn under(sys: &Path, share: &Path, mount: &Mount) -> Result<Vec<Device>, String> {
    let mut found = Vec::new();
    for name in mounted(sys, share, mount)? {
        add(sys, &name, DEEPEST, &mut found)?;
    }
    Ok(found)
}

/// Size of the block device that holds `share`, and its name, when it is one device.
pub(super) fn one(sys: &Path, share: &Path) -> Option<(String, Bytes)> {
    let name = by_number(sys, share)?;
    Some((name.clone(), size(sys, &name).ok()?))
}

/// Names of the drives under `mount`, each once; `None` where they are not known, or counts of their bytes would not tell
/// what drives moved: a drive that the kernel makes of something else (a file, memory, another machine's), or
/// drives of several kinds, one of which may be a cache for the others.
pub(super) fn drives(sys: &Path, share: &Path, mount: &Mount) -> Option<Vec<String>> {
    let devices = under(sys, share, mount).ok()?;
    let lowest = devices.iter().filter(|device| device.over.is_empty());
    let mut drives: Vec<String> = lowest.map(|device| whole(sys, &device.name)).collect();
    drives.sort_unstable();
    drives.dedup();
    let turns =
        |name: &String| text(&sys.join("class/block").join(name).join("queue/rotational")).ok();
    let kind = turns(drives.first()?)?;
    let real = |name: &String| {
        let path = sys.join("class/block").join(name).canonicalize();
        let made = path.is_ok_and(|path| {
            MADE.iter()
                .any(|part| path.to_string_lossy().contains(part))
        });
        !made && turns(name).as_ref() == Some(&kind)
    };
    drives.iter().all(real).then_some(drives)
}

/// Parts of paths below `/sys` of devices that are no drives of this machine: what the kernel makes itself, and what
/// a virtual machine is given.
const MADE: [&str; 4] = ["/virtual/", "/virtio", "/vbd-", "/vmbus"];

/// The drive that a partition is of; a drive is its own.
fn whole(sys: &Path, name: &str) -> String {
    let folder = sys.join("class/block").join(name);
    let drive = || {
        let path = folder.canonicalize().ok()?;
        let parent = path.parent()?.file_name()?.to_str()?;
        Some(parent.to_owned())
    };
    match folder.join("partition").exists() {
        true => drive().unwrap_or_else(|| name.to_owned()),
        false => name.to_owned(),
    }
}

/// Names of the devices that the file system itself uses.
fn mounted(sys: &Path, share: &Path, mount: &Mount) -> Result<Vec<String>, String> {
    if let Some(name) = by_number(sys, share) {
        return Ok(vec![name]);
    }
    let none = || {
        format!(
            "no block device is known under a mount of type {}",
            mount.kind
        )
    };
    let name = mount.source.strip_prefix("/dev/").ok_or_else(none)?;
    if !sys.join("class/block").join(name).exists() {
        return Err(none());
    }
    // A file system of several devices has a number of its own, and lists them by its identity.
    let systems = names(&sys.join("fs/btrfs"));
    let listed = systems
        .iter()
        .map(|id| names(&sys.join("fs/btrfs").join(id).join("devices")));
    Ok(listed
        .into_iter()
        .find(|devices| devices.iter().any(|device| device == name))
        .unwrap_or_else(|| vec![name.to_owned()]))
}

/// The device by the number of the file system on it.
fn by_number(sys: &Path, share: &Path) -> Option<String> {
    let number = share.metadata().ok()?.dev();
    let (major, minor) = (rustix::fs::major(number), rustix::fs::minor(number));
    let device = sys.join(format!("dev/block/{major}:{minor}"));
    let device = device.canonicalize().ok()?;
    Some(device.file_name()?.to_str()?.to_owned())
}

fn add(sys: &Path, name: &str, deepest: u32, found: &mut Vec<Device>) -> Result<(), String> {
    if deepest == 0 || found.iter().any(|device| device.name == name) {
        return Ok(());
    }
    let over = names(&sys.join("class/block").join(name).join("slaves"));
    found.push(Device {
        name: name.to_owned(),
        bytes: size(sys, name)?,
        over: over.clone(),
    });
    over.iter()
        .try_for_each(|below| add(sys, below, deepest - 1, found))
}

fn size(sys: &Path, name: &str) -> Result<Bytes, String> {
    let file = sys.join("class/block").join(name).join("size");
    let sectors = text(&file).map_err(|error| format!("size of {name}: {error}"))?;
    let sectors: u64 = sectors
        .trim()
        .parse()
        .map_err(|_| format!("size of {name}: {sectors:?} is no number"))?;
    Ok(Bytes(sectors).times(SECTOR))
}

/// Names in a folder, sorted; none when it is not there.
fn names(folder: &Path) -> Vec<String> {
    let entries = read_dir(folder).into_iter().flatten().flatten();
    let mut names: Vec<String> = entries
        .filter_map(|entry| entry.file_name().into_string().ok())
        .collect();
    names.sort_unstable();
    names
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A made-up `/sys`: a volume over an array of three partitions.
    fn sys() -> tempfile::TempDir {
        let sys = tempfile::tempdir().unwrap();
        for (name, sectors, over) in [
            ("dm-0", 8_000, &["md0"][..]),
            ("md0", 8_192, &["sda1", "sdb1", "sdc1"]),
            ("sda1", 4_096, &[]),
            ("sdb1", 4_096, &[]),
            ("sdc1", 4_096, &[]),
        ] {
            let folder = sys.path().join("class/block").join(name);
            std::fs::create_dir_all(folder.join("slaves")).unwrap();
            std::fs::write(folder.join("size"), format!("{sectors}\n")).unwrap();
            for below in over {
                std::fs::create_dir(folder.join("slaves").join(below)).unwrap();
            }
        }
        sys
    }

    fn mount(kind: &str, source: &str) -> Mount {
        Mount {
            kind: kind.into(),
            source: source.into(),
            ..Mount::default()
        }
    }

    #[test]
    fn a_stack_is_walked_to_its_drives() {
        let sys = sys();
        let found = under(sys.path(), sys.path(), &mount("xfs", "/dev/dm-0")).unwrap();
        let names: Vec<&str> = found.iter().map(|device| device.name.as_str()).collect();
        assert_eq!(names, ["dm-0", "md0", "sda1", "sdb1", "sdc1"]);
        assert_eq!(found[1].bytes, Bytes::MIB.times(4));
        assert_eq!(found[1].over, ["sda1", "sdb1", "sdc1"]);
    }

    #[test]
    fn a_file_system_of_several_devices_lists_them() {
        let sys = sys();
        for name in ["sda1", "sdb1"] {
            std::fs::create_dir_all(sys.path().join("fs/btrfs/id/devices").join(name)).unwrap();
        }
        let found = under(sys.path(), sys.path(), &mount("btrfs", "/dev/sdb1")).unwrap();
        assert_eq!((found.len(), found[0].name.as_str()), (2, "sda1"));
    }

    /// Drives with a partition each, as `/sys` has them: folders elsewhere, to which class/block leads.
    fn with_drives(turns: [&str; 2], bus: &str) -> tempfile::TempDir {
        let sys = tempfile::tempdir().unwrap();
        let classes = sys.path().join("class/block");
        std::fs::create_dir_all(&classes).unwrap();
        let link = |place: &Path, name: &str| {
            std::fs::create_dir_all(place).unwrap();
            std::fs::write(place.join("size"), "4096\n").unwrap();
            std::os::unix::fs::symlink(place, classes.join(name)).unwrap();
        };
        let array = sys.path().join("devices/virtual/block/md0");
        for (drive, turns) in ["sda", "sdb"].into_iter().zip(turns) {
            let place = sys.path().join("devices").join(bus).join(drive);
            link(&place, drive);
            std::fs::create_dir_all(place.join("queue")).unwrap();
            std::fs::write(place.join("queue/rotational"), turns).unwrap();
            let partition = format!("{drive}1");
            link(&place.join(&partition), &partition);
            std::fs::write(place.join(&partition).join("partition"), "1\n").unwrap();
            std::fs::create_dir_all(array.join("slaves").join(&partition)).unwrap();
        }
        link(&array, "md0");
        sys
    }

    #[test]
    fn drives_are_found_where_their_counts_tell() {
        let found = |turns, bus| {
            let sys = with_drives(turns, bus);
            drives(sys.path(), sys.path(), &mount("ext4", "/dev/md0"))
        };
        let both = Some(vec!["sda".to_owned(), "sdb".to_owned()]);
        assert_eq!(found(["1\n", "1\n"], "pci0/ata1/block"), both);
        assert_eq!(found(["0\n", "0\n"], "pci0/ata1/block"), both);
        // One that does not turn beside one that does may be a cache for it.
        assert_eq!(found(["1\n", "0\n"], "pci0/ata1/block"), None);
        assert_eq!(found(["1\n", "1\n"], "virtual/block"), None);
        assert_eq!(found(["1\n", "1\n"], "pci0/virtio1/block"), None);
        let sys = sys();
        assert_eq!(
            drives(sys.path(), sys.path(), &mount("xfs", "/dev/dm-0")),
            None,
            "no kind is told"
        );
    }

    #[test]
    fn where_there_is_no_device_it_is_said() {
        let sys = sys();
        let error = under(sys.path(), sys.path(), &mount("tmpfs", "none")).unwrap_err();
        assert!(error.contains("tmpfs"), "{error}");
        std::fs::write(sys.path().join("class/block/sda1/size"), "many").unwrap();
        let error = under(sys.path(), sys.path(), &mount("ext4", "/dev/sda1")).unwrap_err();
        assert!(error.contains("many"), "{error}");
    }
}

//! The mount under a share, from Linux's mount table.

use std::path::Path;

use procfs::process::{MountInfo, Process};
use rustix::fs::{AtFlags, CWD, Mode, OFlags, StatxFlags, open, statx};

use crate::facts::Mount;
use crate::facts::counters::unescape;
use crate::units::Bytes;

/// The mount under `share`, found by its mount number where the kernel tells, else by the longest
/// mount point above it.
///
/// # Errors
/// Why it is not known.
pub fn mount(share: &Path) -> Result<Mount, String> {
    let share = share.canonicalize().map_err(|error| error.to_string())?;
    // A share that is mounted when it is first used is used now; whether it opens tells later.
    drop(open(
        &share,
        OFlags::RDONLY | OFlags::CLOEXEC,
        Mode::empty(),
    ));
    let wanted = StatxFlags::MNT_ID | StatxFlags::DIOALIGN;
    let status = statx(CWD, &share, AtFlags::empty(), wanted).map_err(|error| error.to_string())?;
    let process = Process::myself().map_err(|error| error.to_string())?;
    let mounts = process.mountinfo().map_err(|error| error.to_string())?;
    let by_number = mounts
        .0
        .iter()
        .find(|mount| mount.mnt_id as u64 == status.stx_mnt_id);
    let point = |mount: &MountInfo| unescape(&mount.mount_point.to_string_lossy());
    let by_path = mounts
        .0
        .iter()
        .filter(|mount| share.starts_with(point(mount)))
        .max_by_key(|mount| mount.mount_point.as_os_str().len());
    let mount = by_number.or(by_path).ok_or("no entry in mountinfo")?;
    let mut options: Vec<String> = mount
        .mount_options
        .iter()
        .chain(&mount.super_options)
        .map(|(name, value)| match value {
            Some(value) => format!("{name}={value}"),
            None => name.clone(),
        })
        .collect();
    options.sort_unstable();
    options.dedup();
    Ok(Mount {
        point: point(mount),
        kind: mount.fs_type.clone(),
        source: mount
            .mount_source
            .as_deref()
            .map_or_else(|| "none".into(), unescape),
        options,
        direct_io_alignment: direct_io_alignment(&share),
    })
}

/// What `statx` tells of a file on the file system; folders have no alignment of their own, so a
/// file without a name is asked.
fn direct_io_alignment(share: &Path) -> Option<Bytes> {
    let file = open(
        share,
        OFlags::TMPFILE | OFlags::RDWR | OFlags::CLOEXEC,
        Mode::RUSR,
    )
    .ok()?;
    let status = statx(&file, "", AtFlags::EMPTY_PATH, StatxFlags::DIOALIGN).ok()?;
    let told = status.stx_mask & StatxFlags::DIOALIGN.bits() != 0 && status.stx_dio_mem_align > 0;
    let alignment = status.stx_dio_mem_align.max(status.stx_dio_offset_align);
    told.then(|| Bytes(u64::from(alignment)))
}

//! The mount under a share, from the list of mounted volumes, where there is no mount table.

use std::path::Path;

use sysinfo::Disks;

use crate::facts::Mount;

/// The volume whose mount point is the longest above `share`. Options are not told.
///
/// # Errors
/// Why it is not known.
pub fn mount(share: &Path) -> Result<Mount, String> {
    let share = share.canonicalize().map_err(|error| error.to_string())?;
    let disks = Disks::new_with_refreshed_list().map_err(|error| error.to_string())?;
    let point = |path: &Path| path.canonicalize().unwrap_or_else(|_| path.to_owned());
    let disk = disks
        .iter()
        .filter(|disk| share.starts_with(point(disk.mount_point())))
        .max_by_key(|disk| disk.mount_point().as_os_str().len())
        .ok_or("no mounted volume is told to be above it")?;
    Ok(Mount {
        point: disk.mount_point().to_string_lossy().into_owned(),
        kind: disk.file_system().to_string_lossy().into_owned(),
        source: disk.name().to_string_lossy().into_owned(),
        options: Vec::new(),
        direct_io_alignment: None,
    })
}

//! Reads the machine: memory, kernel, the mount under a share, links, counters. What cannot be read
//! is listed as missing.
#![expect(
    clippy::disallowed_methods,
    reason = "the probe is an edge: it reads clocks and files"
)]

mod activity;
#[cfg_attr(windows, path = "browser_unsought.rs")]
mod browser;
#[cfg_attr(not(target_os = "linux"), path = "clock_untold.rs")]
mod clock;
mod command;
mod counters;
#[cfg_attr(not(target_os = "linux"), path = "devices_untold.rs")]
mod devices;
mod file;
#[cfg(target_os = "linux")]
mod fiemap;
#[cfg_attr(not(target_os = "linux"), path = "mount_by_disks.rs")]
mod mount;
mod process;
pub mod extents;

pub use activity::{arrays, members, moving, own_members};
pub use browser::{Printed, pdf};
pub use command::{shell, shell_ending};
pub use counters::{Sources, scheduled};
pub use file::text;
pub use mount::mount;

use std::io;
use std::path::Path;

use sysinfo::{MemoryRefreshKind, Networks, RefreshKind, System};

use crate::facts::{Client, Facts, Link, Room, ServerLink, server};
use crate::plan::Space;
use crate::sys;
use crate::units::Bytes;

/// Names of the drives of this machine that a share mounted at `share` lies on, where counts of their bytes tell what
/// drives moved.
pub fn drives(share: &Path) -> Option<Vec<String>> {
    let mount = mount(share).ok().filter(|mount| server(mount).is_none())?;
    devices::drives(Path::new("/sys"), share, &mount)
}

/// Everything that can be learnt of the client and of the share mounted at `share`.
pub fn facts(share: &Path) -> Facts {
    let mut missing = Vec::new();
    let mut learn = |what: &str, why: String| missing.push(format!("{what}: {why}"));
    let client = client().unwrap_or_else(|why| {
        learn("client", why);
        Client::default()
    });
    let mount = mount(share).map_err(|why| learn("mount", why)).ok();
    let space = space(share)
        .map_err(|why| learn("space", why.to_string()))
        .ok();
    let links = links().unwrap_or_else(|why| {
        learn("links", why);
        Vec::new()
    });
    let devices = match &mount {
        Some(mount) if server(mount).is_none() => devices::under(Path::new("/sys"), share, mount)
            .unwrap_or_else(|why| {
                learn("block devices", why);
                Vec::new()
            }),
        _ => Vec::new(),
    };
    let clock_synchronised = clock::synchronised()
        .map_err(|why| learn("clock", why.to_string()))
        .ok();
    // Other interfaces than the one to the server carry nothing of what is measured.
    let unknown = mount
        .as_ref()
        .and_then(counters::way)
        .map(|way| rate_of(way, &links));
    if let Some(Err(why)) = unknown {
        learn("link", why);
    }
    let space = space.map(|space| Room {
        total: space.total,
        available: space.available,
    });
    Facts {
        simulated: false,
        client,
        mount,
        space,
        links,
        devices,
        clock_synchronised,
        missing,
    }
}

/// The line rate of the interface that leads to the server, or why it is not known.
fn rate_of(way: Result<ServerLink, String>, links: &[Link]) -> Result<(), String> {
    let interface = way?.interface;
    let link = links.iter().find(|link| link.name == interface);
    match link.map(|link| link.bits_per_second) {
        Some(None) => Err(format!(
            "the line rate of {interface} is not told by its driver"
        )),
        _ => Ok(()),
    }
}

/// Room on the file system under `share`.
///
/// # Errors
/// When the share does not answer.
pub fn space(share: &Path) -> io::Result<Space> {
    let (total, available) = sys::room(share)?;
    Ok(Space {
        total: Bytes(total),
        available: Bytes(available),
    })
}

/// Physical memory of this machine; `None` when it cannot be learnt.
pub fn memory() -> Option<Bytes> {
    let ask = RefreshKind::nothing().with_memory(MemoryRefreshKind::nothing().with_ram());
    System::new_with_specifics(ask)
        .ok()
        .map(|system| Bytes(system.total_memory()))
        .filter(|memory| memory.0 > 0)
}

fn client() -> Result<Client, String> {
    let unknown = |_| "unknown".to_owned();
    Ok(Client {
        system: System::long_os_version().unwrap_or_else(unknown),
        kernel: System::kernel_version().unwrap_or_else(unknown),
        processors: std::thread::available_parallelism().map_or(1, |n| n.get() as u32),
        memory: memory().ok_or("its memory cannot be learnt")?,
        program: concat!("poolproof ", env!("CARGO_PKG_VERSION")).to_owned(),
    })
}

/// Network interfaces that are up, in order of their names.
///
/// # Errors
/// When they cannot be listed.
pub fn links() -> Result<Vec<Link>, String> {
    let networks = Networks::new_with_refreshed_list().map_err(|error| error.to_string())?;
    let mut links: Vec<Link> = networks
        .iter()
        .filter(|(name, network)| {
            *name != "lo"
                && !matches!(
                    network.operational_state(),
                    sysinfo::InterfaceOperationalState::Down
                        | sysinfo::InterfaceOperationalState::LowerLayerDown
                        | sysinfo::InterfaceOperationalState::NotPresent
                )
        })
        .map(|(name, network)| Link {
            name: name.to_string_lossy().into_owned(),
            mtu: network.mtu(),
            bits_per_second: network.receive_link_speed().filter(|speed| *speed > 0),
        })
        .collect();
    links.sort_by(|a, b| a.name.cmp(&b.name));
    Ok(links)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn this_machine_has_memory_and_this_folder_a_mount() {
        let folder = tempfile::tempdir().unwrap();
        let facts = facts(folder.path());
        assert!(facts.client.memory > Bytes::MIB.times(64), "{facts:?}");
        assert!(
            facts
                .mount
                .is_some_and(|mount| folder.path().starts_with(mount.point))
        );
        assert!(
            facts
                .space
                .is_some_and(|space| space.total >= space.available)
        );
        let of_links = |why: &&String| why.contains("line rate");
        assert_eq!(
            facts.missing.iter().find(of_links),
            None,
            "no link leads there"
        );
    }

    #[test]
    fn only_the_line_rate_of_the_way_to_the_server_is_missed() {
        let link = |name: &str, rate| Link {
            name: name.into(),
            mtu: 1500,
            bits_per_second: rate,
        };
        let links = [link("lan0", Some(1_000_000_000)), link("lan1", None)];
        let rate = |interface: &str| {
            let way = ServerLink {
                server: [192, 0, 2, 7].into(),
                interface: interface.into(),
            };
            rate_of(Ok(way), &links)
        };
        assert_eq!((rate("lan0"), rate("lo")), (Ok(()), Ok(())));
        assert!(rate("lan1").unwrap_err().contains("lan1"));
        assert_eq!(
            rate_of(Err("no route".into()), &links),
            Err("no route".into())
        );
    }
}

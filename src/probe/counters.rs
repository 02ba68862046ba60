//! Takes a reading of the kernel's counters, as cheaply as it can be had: small files of `/proc`,
//! each opened, read and closed, with no question to the share or the network.

use std::net::{IpAddr, ToSocketAddrs, UdpSocket};
use std::path::Path;
use std::time::Instant;

use crate::facts::counters::{
    CoreTime, Counted, CounterError, Counters, DriveIo, LinkIo, Memory, NfsIo, Pressure, ProcessIo,
    Scheduled, is_nfs,
};
use crate::facts::{Mount, ServerLink, interface, server};
use crate::units::Nanos;

/// Where the counters of one share are. Found once, then read often; readings of one `Sources` have
/// one clock.
#[derive(Clone, Debug)]
pub struct Sources {
    begun: Instant,
    /// The share's mount point when it is an NFS mount, or why it is none.
    nfs: Result<String, String>,
    /// The way to the share's server, or why there is none.
    link: Result<ServerLink, String>,
    /// Block devices of this machine to be read.
    drives: Vec<String>,
}

impl Sources {
    /// Finds what belongs to `share`. `address` is the server's, where the person stated it; else the
    /// mount tells. `drives` names block devices of this machine, as `sda`: the
    /// pool's members when the pool is here, else none. Looks up the server's name, which may take
    /// as long as the name service does.
    pub fn find(share: &Path, address: Option<&str>, drives: &[String]) -> Self {
        let mount = super::mount(share);
        let nfs = match &mount {
            Ok(mount) if is_nfs(&mount.kind) => Ok(mount.point.clone()),
            Ok(mount) => Err(format!("the share is {}, not NFS", mount.kind)),
            Err(why) => Err(why.clone()),
        };
        Self {
            begun: Instant::now(),
            nfs,
            link: match address {
                Some(host) => link_to(host),
                None => mount.and_then(|mount| link_of(&mount)),
            },
            drives: drives.to_vec(),
        }
    }

    /// The way to the share's server; `None` for a share of this machine itself, and where it cannot
    /// be learnt.
    pub fn link(&self) -> Option<&ServerLink> {
        self.link.as_ref().ok()
    }
}

impl Counters {
    /// Everything that can be read now from `sources`.
    pub fn read(sources: &Sources) -> Self {
        let mut missing = Vec::new();
        let mut lost = |what: &str, why: String| missing.push(format!("{what}: {why}"));
        let process = parsed("/proc/self/io", ProcessIo::parse);
        let nfs = sources
            .nfs
            .clone()
            .and_then(|point| parsed("/proc/self/mountstats", |text| NfsIo::parse(text, &point)));
        let link = sources
            .link
            .as_ref()
            .map_err(Clone::clone)
            .and_then(|link| parsed("/proc/net/dev", |text| LinkIo::parse(text, &link.interface)));
        let drives = drives(&sources.drives, &mut lost);
        let cores = parsed("/proc/stat", CoreTime::parse);
        let pressure = |file| parsed(file, |text| Pressure::parse(text, file));
        let io_pressure = pressure("/proc/pressure/io");
        let cpu_pressure = pressure("/proc/pressure/cpu");
        let memory = parsed("/proc/meminfo", Memory::parse);
        Self {
            at: Nanos::from(sources.begun.elapsed()),
            counted: Counted {
                process: process.map_err(|why| lost("process", why)).ok(),
                nfs: nfs.map_err(|why| lost("nfs", why)).ok(),
                link: link.map_err(|why| lost("link", why)).ok(),
                drives,
                cores: cores.map_err(|why| lost("cores", why)).unwrap_or_default(),
                io_pressure: io_pressure.map_err(|why| lost("io pressure", why)).ok(),
                cpu_pressure: cpu_pressure.map_err(|why| lost("cpu pressure", why)).ok(),
            },
            memory: memory.map_err(|why| lost("memory", why)).ok(),
            missing,
        }
    }
}

/// How the calling thread was scheduled since it began, where the kernel tells.
pub fn scheduled() -> Option<Scheduled> {
    parsed("/proc/thread-self/schedstat", Scheduled::parse).ok()
}

fn drives(names: &[String], lost: &mut impl FnMut(&str, String)) -> Vec<DriveIo> {
    if names.is_empty() {
        return Vec::new();
    }
    let text = match text("/proc/diskstats") {
        Ok(text) => text,
        Err(why) => {
            lost("drives", why);
            return Vec::new();
        }
    };
    let mut found = Vec::new();
    for (name, drive) in names.iter().zip(DriveIo::parse(&text, names)) {
        match drive {
            Ok(drive) => found.push(drive),
            Err(why) => lost(&format!("drive {name}"), why.to_string()),
        }
    }
    found
}

/// The way to the server behind `mount`, or why it is not known; `None` where no server is behind it.
pub(super) fn way(mount: &Mount) -> Option<Result<ServerLink, String>> {
    server(mount).map(|_| link_of(mount))
}

fn link_of(mount: &Mount) -> Result<ServerLink, String> {
    let host =
        server(mount).ok_or_else(|| format!("a share of type {} names no server", mount.kind))?;
    link_to(host)
}

fn link_to(host: &str) -> Result<ServerLink, String> {
    let addresses: Vec<IpAddr> = (host, 0)
        .to_socket_addrs()
        .map_err(|error| format!("the address of {host}: {error}"))?
        .map(|address| address.ip())
        .collect();
    let zone = host.split_once('%').map(|(_, zone)| zone.to_owned());
    let mut why = format!("{host} has no address");
    for server in addresses {
        match zone.clone().map_or_else(|| way_to(server), Ok) {
            Ok(interface) => return Ok(ServerLink { server, interface }),
            Err(error) => why = error,
        }
    }
    Err(why)
}

fn way_to(server: IpAddr) -> Result<String, String> {
    // The route table does not list this machine's own addresses, but only these can be bound to.
    if UdpSocket::bind((server, 0)).is_ok() {
        return Ok("lo".into());
    }
    let table = |family: bool, path| {
        if family {
            text(path)
        } else {
            Ok(String::new())
        }
    };
    let v4 = server.to_canonical().is_ipv4();
    let tables = (
        table(v4, "/proc/net/route")?,
        table(!v4, "/proc/net/ipv6_route")?,
    );
    interface(server, &tables.0, &tables.1).map_err(|error| error.to_string())
}

fn text(path: &str) -> Result<String, String> {
    super::file::text(Path::new(path)).map_err(|error| format!("{path}: {error}"))
}

fn parsed<T>(path: &str, parse: impl FnOnce(&str) -> Result<T, CounterError>) -> Result<T, String> {
    parse(&text(path)?).map_err(|error| error.to_string())
}

#[cfg(test)]
#[expect(clippy::disallowed_types, reason = "these tests make files")]
mod tests {
    use std::fs;
    use std::io::Write;

    use super::*;
    use crate::facts::counters::difference;

    #[test]
    fn this_machine_is_read_twice_and_its_own_writing_is_counted() {
        const WRITTEN: usize = 1 << 20;
        let folder = tempfile::tempdir().unwrap();
        let sources = Sources::find(folder.path(), None, &["no such drive".to_owned()]);
        let before = Counters::read(&sources);
        let mut file = fs::File::create(folder.path().join("scan")).unwrap();
        file.write_all(&vec![1; WRITTEN]).unwrap();
        file.sync_all().unwrap();
        let after = Counters::read(&sources);
        let deltas = difference(&before, &after);
        assert!(deltas.elapsed > Nanos(0));
        let process = deltas
            .counted
            .process
            .expect("a process may read its own counters");
        assert!(process.asked_to_write.0 >= WRITTEN as u64, "{process:?}");
        assert!(!deltas.counted.cores.is_empty(), "{:?}", deltas.missing);
        let (memory, _) = deltas.memory.expect("memory is always told");
        assert!(memory.total > memory.dirty);
        let drive = "drive no such drive: ";
        assert!(deltas.missing.iter().any(|why| why.starts_with(drive)));
    }

    fn mount(source: &str) -> Mount {
        Mount {
            kind: "nfs4".into(),
            source: source.into(),
            ..Mount::default()
        }
    }

    #[test]
    fn a_server_on_this_machine_is_reached_by_the_loopback() {
        let link = link_of(&mount("127.0.0.1:/scans")).unwrap();
        assert_eq!(link.interface, "lo");
        assert_eq!(link.server, IpAddr::from([127, 0, 0, 1]));
        let zoned = link_of(&mount("[fe80::7%lo]:/scans"));
        assert_eq!(zoned.unwrap().interface, "lo");
    }

    #[test]
    fn a_share_without_a_server_has_no_link_and_says_why() {
        let local = Mount {
            kind: "ext4".into(),
            ..mount("/dev/sda1")
        };
        assert_eq!(
            link_of(&local).unwrap_err(),
            "a share of type ext4 names no server"
        );
        let folder = tempfile::tempdir().unwrap();
        let nowhere = Sources::find(&folder.path().join("not there"), None, &[]);
        assert_eq!(nowhere.link(), None);
    }
}

//! Which server a mount comes from.

use std::net::IpAddr;

use super::Mount;
use super::counters::is_nfs;

/// The server of a share, and the interface of this machine that leads to it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ServerLink {
    /// Address of the server.
    pub server: IpAddr,
    /// Name of the interface.
    pub interface: String,
}

/// The name or address of the server behind a mount; `None` for a local file system and where the
/// mount does not tell. An address of link scope keeps its zone: `fe80::1%lan0`.
///
/// NFS and SMB tell the address in use with the option `addr=`, else with the source `host:/path` or
/// `//host/share`. A file system over SSH has the source `user@host:/path`; other FUSE file systems
/// are believed only when their source has that form with a user, since a name before a colon may be
/// anything there.
pub fn server(mount: &Mount) -> Option<&str> {
    let address = || {
        mount
            .options
            .iter()
            .find_map(|option| option.strip_prefix("addr="))
            .filter(|address| !address.is_empty())
    };
    let source = mount.source.as_str();
    match mount.kind.as_str() {
        kind if is_nfs(kind) => address().or_else(|| before_colon(source)),
        "cifs" | "smb3" => address().or_else(|| {
            let host = source.strip_prefix("//")?.split('/').next()?;
            plausible(host)
        }),
        "fuse.sshfs" => before_colon(after_user(source).unwrap_or(source)),
        kind if kind == "fuse" || kind.starts_with("fuse.") => before_colon(after_user(source)?),
        _ => None,
    }
}

/// The host of `host:path`, where an address of version 6 stands in brackets.
fn before_colon(source: &str) -> Option<&str> {
    let host = match source.strip_prefix('[') {
        Some(bracketed) => bracketed.split_once("]:")?.0,
        None => source.split_once(':')?.0,
    };
    plausible(host)
}

fn after_user(source: &str) -> Option<&str> {
    source
        .split_once('@')
        .filter(|(user, _)| !user.contains(['/', ':']))
        .map(|(_, rest)| rest)
}

fn plausible(host: &str) -> Option<&str> {
    let fits = |c: char| c.is_alphanumeric() || "-._:%".contains(c);
    (!host.is_empty() && host.chars().all(fits)).then_some(host)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(kind: &str, source: &str, options: &[&str]) -> Option<String> {
        let mount = Mount {
            kind: kind.into(),
            source: source.into(),
            options: options.iter().map(|option| (*option).into()).collect(),
            ..Mount::default()
        };
        server(&mount).map(str::to_owned)
    }

    #[test]
    fn the_address_in_use_comes_before_the_source() {
        let options = ["rw", "mountaddr=192.0.2.9", "addr=192.0.2.10"];
        let found = of("nfs4", "archive:/scans", &options);
        assert_eq!(found.as_deref(), Some("192.0.2.10"));
        let found = of("cifs", "//archive/scans", &options);
        assert_eq!(found.as_deref(), Some("192.0.2.10"));
        assert_eq!(
            of("nfs", "archive:/scans", &["addr="]).as_deref(),
            Some("archive")
        );
    }

    #[test]
    fn sources_of_each_kind_are_read() {
        for (kind, source, host) in [
            ("nfs", "192.168.1.1:/srv/test", "192.168.1.1"),
            ("nfs4", "[2001:db8::7]:/scans", "2001:db8::7"),
            ("nfs4", "[fe80::7%lan0]:/scans", "fe80::7%lan0"),
            ("cifs", "//archive.example/scans/2024", "archive.example"),
            ("smb3", "//archive", "archive"),
            ("fuse.sshfs", "keeper@archive:/scans", "archive"),
            ("fuse.sshfs", "archive:", "archive"),
            ("fuse.sshfs", "keeper@[2001:db8::7]:/scans", "2001:db8::7"),
            ("fuse", "keeper@archive:/scans", "archive"),
        ] {
            assert_eq!(of(kind, source, &[]).as_deref(), Some(host), "{source}");
        }
    }

    #[test]
    fn a_local_file_system_has_no_server() {
        for (kind, source) in [
            ("ext4", "/dev/sda1"),
            ("tmpfs", "none"),
            ("zfs", "tank@monday:/x"),
            ("fuse.union", "/mnt/one:/mnt/two"),
            ("fuse.union", "one:/two"),
            ("fuse.union", "/mnt/a@b:/mnt/two"),
            ("nfs4", ":/scans"),
            ("nfs4", "scans"),
            ("cifs", "//"),
            ("fuse.sshfs", "/dev/fuse"),
        ] {
            assert_eq!(of(kind, source, &["rw"]), None, "{kind} {source}");
        }
        assert_eq!(of("ext4", "/dev/sda1", &["addr=192.0.2.1"]), None);
    }
}

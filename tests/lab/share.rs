//! How the server shares its pool, and how the client mounts it.

use crate::lab::Lab;

/// What the client speaks, and what it may keep.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Share {
    /// SMB 3.1.1 of Samba, the client's usual way: it keeps what it holds an oplock for.
    SmbStrict,
    /// SMB 3.1.1 of Samba, the client keeps nothing.
    SmbNone,
    /// NFS 4.2 of the kernel.
    Nfs,
}

/// Where the share is on the client.
pub(crate) const MOUNT: &str = "/mnt/scans";
/// Where the pool is on the server.
pub(crate) const POOL: &str = "/srv/pool";
/// The folder of the pool that is shared.
pub(crate) const SHARED: &str = "/srv/pool/scans";

const SMB: &str = "
    mkdir -p /etc/samba /var/lib/samba/private /var/cache/samba /var/log/samba /run/samba
    cat >/etc/samba/smb.conf <<END
[global]
    server role = standalone server
    disable spoolss = yes
    load printers = no
    smb ports = 445
    log file = /tmp/smbd.log
[scans]
    path = /srv/pool/scans
    read only = no
    force user = root
END
    pidof smbd >/dev/null || { printf 'archive\\narchive\\n' | smbpasswd -s -a root && smbd -D; }";

const NFS: &str = "
    modprobe -a nfsd nfsv4
    mountpoint -q /proc/fs/nfsd || mount -t nfsd nfsd /proc/fs/nfsd
    mountpoint -q /var/lib/nfs || { mkdir -p /var/lib/nfs; mount -t tmpfs -o size=4m nfs /var/lib/nfs; }
    mkdir -p /var/lib/nfs/v4recovery /var/lib/nfs/rpc_pipefs /etc/exports.d
    touch /var/lib/nfs/etab /var/lib/nfs/rmtab
    echo '/srv/pool/scans 10.55.0.0/24(rw,no_root_squash,no_subtree_check,fsid=0)' >/etc/exports
    exportfs -ra
    pidof rpc.mountd >/dev/null || rpc.mountd -N 3 --no-udp || true
    # Nobody has to reclaim what was open: the server is new.
    for time in leasetime gracetime; do echo 10 >/proc/fs/nfsd/nfsv4$time; done
    rpc.nfsd -N 3 -U 8";

impl Share {
    /// Every way, as cells name it.
    pub(crate) const ALL: [Self; 3] = [Self::SmbStrict, Self::SmbNone, Self::Nfs];

    /// The word of cells.
    pub(crate) fn word(self) -> &'static str {
        match self {
            Self::SmbStrict => "smb-strict",
            Self::SmbNone => "smb-none",
            Self::Nfs => "nfs",
        }
    }

    /// Shares the pool's folder and starts what the client logs in to.
    pub(crate) fn serve(self, lab: &Lab) -> Result<(), String> {
        let served = match self {
            Self::SmbStrict | Self::SmbNone => SMB,
            Self::Nfs => NFS,
        };
        lab.server.run(&format!(
            "mkdir -p {SHARED}; chmod 777 {SHARED}; pidof sshd >/dev/null || /usr/sbin/sshd\n{served}"
        ))?;
        Ok(())
    }

    /// Mounts the share on the client.
    pub(crate) fn mount(self, lab: &Lab) -> Result<(), String> {
        let mount = match self {
            Self::SmbStrict => smb("strict"),
            Self::SmbNone => smb("none"),
            Self::Nfs => format!("modprobe nfsv4; mount -t nfs4 10.55.0.1:/ {MOUNT}"),
        };
        // The server may take a moment until it listens.
        lab.client.run(&format!(
            "mkdir -p {MOUNT}; for try in 1 2 3 4 5 6; do {mount} && exit 0; sleep 2; done; dmesg | tail -5 >&2; exit 1"
        ))?;
        Ok(())
    }

    /// Takes the mount away, whatever is open there.
    pub(crate) fn unmount(lab: &Lab) -> Result<(), String> {
        lab.client.run(&format!("umount -l {MOUNT}")).map(drop)
    }
}

fn smb(cache: &str) -> String {
    format!(
        "mount -t cifs //10.55.0.1/scans {MOUNT} -o username=root,password=archive,cache={cache}"
    )
}

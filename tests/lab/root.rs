//! What the machines of the laboratory run: a kernel of Debian's, and a root made of programs that are
//! installed here.

use std::collections::BTreeSet;
use std::fs;
use std::io::Write as _;
use std::os::unix::fs::{PermissionsExt as _, symlink};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use crate::tool::{find, run};

/// Programs of the machines, with what they are linked to.
const PROGRAMS: [&str; 47] = [
    "bash",
    "make-bcache",
    "blkid",
    "btrfs",
    "cat",
    "cp",
    "date",
    "dd",
    "df",
    "dmsetup",
    "exportfs",
    "findmnt",
    "head",
    "ip",
    "kmod",
    "ls",
    "lsblk",
    "lvs",
    "mdadm",
    "mkfs.btrfs",
    "mkfs.ext4",
    "mkfs.xfs",
    "mknod",
    "mount",
    "mount.cifs",
    "mount.nfs",
    "mount.nfs4",
    "nproc",
    "resize2fs",
    "rm",
    "rpc.mountd",
    "rpc.nfsd",
    "sed",
    "sh",
    "sha256sum",
    "sleep",
    "smbd",
    "smbpasswd",
    "ssh",
    "sshd",
    "stat",
    "sync",
    "tar",
    "touch",
    "umount",
    "uname",
    "xfs_growfs",
];

/// Modules of the kernel, with what they need.
const MODULES: [&str; 39] = [
    "virtio_pci",
    "virtio_blk",
    "virtio_net",
    "virtio_console",
    "raid0",
    "raid1",
    "raid10",
    "raid456",
    "linear",
    "btrfs",
    "xfs",
    "nfsd",
    "nfs",
    "nfsv4",
    "cifs",
    "dm-mod",
    "dm-delay",
    "dm-flakey",
    "dm-cache",
    "dm-cache-smq",
    "bcache",
    "loop",
    "brd",
    "crc32c_generic",
    "xor",
    "raid6_pq",
    "dm-log-writes",
    // What the others ask for by name when a share is mounted.
    "gcm",
    "ccm",
    "ctr",
    "cmac",
    "ecb",
    "md4",
    "sha512_generic",
    "ghash-generic",
    "seqiv",
    "nls_utf8",
    "blake2b_generic",
    "xxhash_generic",
];

/// Modules that the first stage loads, in this order, to reach the root.
const FIRST: [&str; 2] = ["virtio_pci", "virtio_blk"];

/// Libraries that are opened by name.
const OPENED: [&str; 2] = ["libnss_files.so.2", "libnss_dns.so.2"];

/// What a machine boots from.
pub(crate) struct Root {
    /// The kernel.
    pub(crate) kernel: PathBuf,
    /// The first stage.
    pub(crate) first: PathBuf,
    /// The image of the root; machines write into copies that are thrown away.
    pub(crate) image: PathBuf,
}

impl Root {
    /// Builds kernel, first stage and root in `folder`, with `program` as `/usr/bin/poolproof`.
    pub(crate) fn build(folder: &Path, program: &Path) -> Result<Self, String> {
        let (kernel, version) = kernel()?;
        let tree = folder.join("root");
        plant(&tree, &version, program)?;
        let first = folder.join("first.cpio");
        first_stage(&folder.join("first"), &first, &version)?;
        let image = folder.join("root.ext4");
        fs::File::create(&image)
            .and_then(|file| file.set_len(700 << 20))
            .map_err(|error| error.to_string())?;
        let [from, to] = [text(&tree), text(&image)];
        run(
            "mke2fs",
            &["-q", "-t", "ext4", "-O", "^has_journal", "-d", from, to],
        )?;
        fs::remove_dir_all(&tree).map_err(|error| error.to_string())?;
        Ok(Self {
            kernel,
            first,
            image,
        })
    }
}

/// The newest of Debian's kernels for machines of this kind, and its version.
fn kernel() -> Result<(PathBuf, String), String> {
    let versions = names("/boot")?;
    let newest = versions
        .iter()
        .filter_map(|name| name.strip_prefix("vmlinuz-"))
        .rfind(|version| version.ends_with("-cloud-amd64"));
    let version = newest.ok_or("no kernel of the package linux-image-cloud-amd64 in /boot")?;
    Ok((format!("/boot/vmlinuz-{version}").into(), version.into()))
}

fn names(folder: &str) -> Result<BTreeSet<String>, String> {
    let entries = fs::read_dir(folder).map_err(|error| format!("cannot list {folder}: {error}"))?;
    Ok(entries
        .flatten()
        .map(|entry| entry.file_name().to_string_lossy().into_owned())
        .collect())
}

/// Fills the tree of the root.
fn plant(tree: &Path, version: &str, program: &Path) -> Result<(), String> {
    let io = |error: std::io::Error| format!("cannot build {}: {error}", tree.display());
    for folder in [
        "proc",
        "sys",
        "dev",
        "run",
        "tmp",
        "var",
        "mnt",
        "root/.ssh",
        "etc/ssh",
        "usr/bin",
        "usr/sbin",
        "usr/lib",
        "usr/lib64",
        "busybox",
        "srv",
    ] {
        fs::create_dir_all(tree.join(folder)).map_err(io)?;
    }
    for (name, to) in [
        ("bin", "usr/bin"),
        ("sbin", "usr/sbin"),
        ("lib", "usr/lib"),
        ("lib64", "usr/lib64"),
    ] {
        symlink(to, tree.join(name)).map_err(io)?;
    }
    let mut libraries = BTreeSet::new();
    for name in PROGRAMS {
        let from = find(name)?;
        copy(&from, &tree.join(below(&from)))?;
        libraries.extend(linked(&from)?);
    }
    copy(program, &tree.join("usr/bin/poolproof"))?;
    run("strip", &[text(&tree.join("usr/bin/poolproof"))])?;
    libraries.extend(linked(program)?);
    for name in OPENED {
        let library = Path::new("/lib/x86_64-linux-gnu").join(name);
        libraries.insert(library);
    }
    for library in libraries.iter().filter(|library| library.exists()) {
        copy(library, &tree.join(below(library)))?;
    }
    for name in ["modprobe", "insmod", "depmod", "lsmod"] {
        symlink("/bin/kmod", tree.join("usr/sbin").join(name)).map_err(io)?;
    }
    copy(&busybox()?, &tree.join("busybox/busybox"))?;
    modules(tree, version)?;
    people(tree)?;
    keys(tree)?;
    let init = tree.join("usr/sbin/init");
    fs::write(&init, include_str!("guest/init.sh")).map_err(io)?;
    fs::set_permissions(&init, fs::Permissions::from_mode(0o755)).map_err(io)
}

fn busybox() -> Result<PathBuf, String> {
    let busybox = find("busybox")?;
    match linked(&busybox)?.is_empty() {
        true => Ok(busybox),
        false => Err("busybox is linked to libraries: install busybox-static".into()),
    }
}

/// Where a file of this machine stands below a root whose `bin`, `sbin` and `lib` are links.
fn below(path: &Path) -> PathBuf {
    let path = path.strip_prefix("/").unwrap_or(path);
    match path.starts_with("usr") || path.starts_with("etc") {
        true => path.to_owned(),
        false => Path::new("usr").join(path),
    }
}

/// Copies a file, following links, with the folder above it.
fn copy(from: &Path, to: &Path) -> Result<(), String> {
    let folder = to.parent().unwrap();
    fs::create_dir_all(folder)
        .and_then(|()| fs::copy(from, to))
        .map(drop)
        .map_err(|error| format!("cannot copy {}: {error}", from.display()))
}

/// Libraries that a program is linked to; none when it is static or a script.
fn linked(program: &Path) -> Result<Vec<PathBuf>, String> {
    let output = Command::new("ldd")
        .arg(program)
        .output()
        .map_err(|error| format!("cannot run ldd: {error}"))?;
    let listed = String::from_utf8_lossy(&output.stdout).into_owned();
    Ok(listed
        .split_whitespace()
        .filter(|word| word.starts_with('/'))
        .map(|word| PathBuf::from(word.trim_end_matches(':')))
        .filter(|path| path != program)
        .collect())
}

/// The kernel's modules, with what each needs.
fn modules(tree: &Path, version: &str) -> Result<(), String> {
    let folder = Path::new("/lib/modules").join(version);
    for file in needed(version, &MODULES)? {
        copy(&file, &tree.join(below(&file)))?;
    }
    for name in [
        "modules.order",
        "modules.builtin",
        "modules.builtin.modinfo",
    ] {
        let file = folder.join(name);
        copy(&file, &tree.join(below(&file)))?;
    }
    run("depmod", &["-b", text(tree), version]).map(drop)
}

/// Files of modules in the order in which they can be loaded.
fn needed(version: &str, names: &[&str]) -> Result<Vec<PathBuf>, String> {
    let mut files = Vec::new();
    for name in names {
        let shown = run("modprobe", &["--show-depends", "-S", version, name])?;
        let paths = shown
            .lines()
            .filter_map(|line| line.strip_prefix("insmod "))
            .filter_map(|line| line.split_whitespace().next())
            .map(PathBuf::from);
        for path in paths {
            if !files.contains(&path) {
                files.push(path);
            }
        }
    }
    Ok(files)
}

/// Names of users and hosts.
fn people(tree: &Path) -> Result<(), String> {
    let files = [
        (
            "passwd",
            "root:x:0:0:root:/root:/bin/bash\nsshd:x:101:65534::/run/sshd:/bin/false\n\
             nobody:x:65534:65534:nobody:/:/bin/false\nkeeper:x:1000:1000:keeper:/tmp:/bin/bash\n",
        ),
        ("shadow", "root:*:20000::::::\nsshd:*:20000::::::\n"),
        ("group", "root:x:0:\nnogroup:x:65534:\nkeeper:x:1000:\n"),
        (
            "nsswitch.conf",
            "passwd: files\ngroup: files\nhosts: files\nshadow: files\n",
        ),
        (
            "hosts",
            "127.0.0.1 localhost\n10.55.0.1 server\n10.55.0.2 client\n",
        ),
        (
            "netconfig",
            "tcp tpi_cots_ord v inet tcp - -\ntcp6 tpi_cots_ord v inet6 tcp - -\n",
        ),
        ("protocols", "tcp 6 TCP\nudp 17 UDP\n"),
        ("services", "nfs 2049/tcp\nsunrpc 111/tcp\n"),
        ("localtime.txt", ""),
    ];
    for (name, content) in files {
        fs::write(tree.join("etc").join(name), content).map_err(|error| error.to_string())?;
    }
    Ok(())
}

/// One pair of keys: the client's root may log in to the server.
fn keys(tree: &Path) -> Result<(), String> {
    let ssh = tree.join("root/.ssh");
    let host = tree.join("etc/ssh/ssh_host_ed25519_key");
    for file in [&ssh.join("id_ed25519"), &host] {
        run(
            "ssh-keygen",
            &["-q", "-t", "ed25519", "-N", "", "-f", text(file)],
        )?;
    }
    let io = |error: std::io::Error| error.to_string();
    fs::copy(ssh.join("id_ed25519.pub"), ssh.join("authorized_keys")).map_err(io)?;
    let known = fs::read_to_string(host.with_extension("pub")).map_err(io)?;
    fs::write(ssh.join("known_hosts"), format!("server {known}")).map_err(io)?;
    fs::write(
        tree.join("etc/ssh/sshd_config"),
        "HostKey /etc/ssh/ssh_host_ed25519_key\nPermitRootLogin yes\nStrictModes no\nUsePAM no\n\
         UseDNS no\nPasswordAuthentication no\n",
    )
    .map_err(io)
}

/// The first stage: busybox and the modules that lead to the root.
fn first_stage(tree: &Path, to: &Path, version: &str) -> Result<(), String> {
    let io = |error: std::io::Error| format!("cannot build the first stage: {error}");
    for folder in ["bin", "dev", "root"] {
        fs::create_dir_all(tree.join(folder)).map_err(io)?;
    }
    copy(&busybox()?, &tree.join("bin/busybox"))?;
    let mut script = String::from("#!/bin/busybox sh\n/bin/busybox mount -t devtmpfs dev /dev\n");
    for file in needed(version, &FIRST)? {
        let name = file.file_name().unwrap().to_string_lossy().into_owned();
        copy(&file, &tree.join(&name))?;
        script += &format!("/bin/busybox insmod /{name}\n");
    }
    script += "while ! [ -b /dev/vda ]; do /bin/busybox sleep 0.1; done\n\
        /bin/busybox mount -t ext4 /dev/vda /root\n\
        exec /bin/busybox switch_root /root /sbin/init\n";
    let init = tree.join("init");
    fs::write(&init, script).map_err(io)?;
    fs::set_permissions(&init, fs::Permissions::from_mode(0o755)).map_err(io)?;
    let listed = run("find", &[text(tree), "-mindepth", "1", "-printf", "%P\\n"])?;
    let mut cpio = Command::new(busybox()?)
        .args(["cpio", "-o", "-H", "newc", "-F", text(to)])
        .current_dir(tree)
        .stdin(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .map_err(io)?;
    cpio.stdin
        .take()
        .unwrap()
        .write_all(listed.as_bytes())
        .map_err(io)?;
    match cpio.wait().map_err(io)?.success() {
        true => Ok(()),
        false => Err("cpio did not pack the first stage".into()),
    }
}

fn text(path: &Path) -> &str {
    path.to_str().expect("folders of tests have plain names")
}

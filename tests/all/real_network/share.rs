//! A real network share that always goes away again: a file system on a loop device, served through
//! a cable held to a rate, mounted on the other side.
//!
//! The loop device stands for the member drive. The server's part of the page cache stands for its
//! memory: that of the file system on the loop device. The client's part is that of the mount.

use std::fs::{self, File};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU32, Ordering};
use std::thread;
use std::time::Duration;

use rustix::fs::Advice;
use rustix::process::{Pid, Signal, kill_process};

use super::link::{Link, Wire};
use super::server::{ClientCache, Server};
use crate::real_pool::limits::Limits;
use crate::real_pool::pool::{Drive, Home, attached, text, unmount};
use crate::support::{find, run, say};

/// Where shares live. Not the temporary folder: it may be held in memory, which has no direct I/O.
const HOME: &str = "/var/tmp/poolproof-real-networks";
/// All that is needed.
const TOOLS: [&str; 11] = [
    "ip",
    "tc",
    "nsenter",
    "sshd",
    "ssh",
    "ssh-keygen",
    "sshfs",
    "losetup",
    "mkfs.ext4",
    "mount",
    "umount",
];
/// Bytes of a sector in `/proc/diskstats`, whatever the drive's own are (Linux,
/// Documentation/admin-guide/iostats.rst and block/stat.rst).
const SECTOR: u64 = 512;

/// Shares that this process has begun to build: each has a name of its own.
static BUILT: AtomicU32 = AtomicU32::new(0);

/// What a share is like.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Config {
    /// Rate of the cable in each direction, Ethernet's own bytes included.
    pub(crate) link_bits_per_s: u64,
    /// Largest packet, in bytes.
    pub(crate) mtu: u32,
    /// What the member drive is held to; `None` for as fast as it goes.
    pub(crate) drive_bytes_per_s: Option<u64>,
    /// Size of the member drive; its image file takes only what is written.
    pub(crate) drive_bytes: u64,
    /// Which reads the client's memory may answer.
    pub(crate) cache: ClientCache,
    /// Whether what goes over the cable is encrypted.
    pub(crate) encrypted: bool,
}

impl Default for Config {
    fn default() -> Self {
        Self {
            link_bits_per_s: 1_000_000_000,
            mtu: 1500,
            drive_bytes_per_s: None,
            drive_bytes: 2 << 30,
            cache: ClientCache::default(),
            encrypted: true,
        }
    }
}

/// A mounted share, its server and its member drive.
pub(crate) struct NetworkShare {
    folder: PathBuf,
    link: Link,
    limits: Limits,
    raised: Option<(Drive, Server)>,
    _home: Home,
}

impl NetworkShare {
    /// Builds the share, after taking down what a killed run left behind.
    ///
    /// # Errors
    /// With the precondition that is missing, or the step that failed.
    pub(crate) fn build(config: Config) -> Result<Self, String> {
        if !rustix::process::geteuid().is_root() {
            return Err("only root may make network namespaces and mount".to_owned());
        }
        TOOLS.iter().try_for_each(|tool| find(tool).map(drop))?;
        if !Path::new("/dev/fuse").exists() {
            return Err("there is no /dev/fuse to mount through".to_owned());
        }
        // One for pools and shares: both change the group of this process.
        let home = Home::lock()?;
        let limits = Limits::join()?;
        take_down_leftovers(&limits);
        let count = BUILT.fetch_add(1, Ordering::Relaxed);
        let name = format!("{}-{count}", std::process::id());
        // From here on, dropping the share takes down whatever part of it there is.
        let mut share = Self {
            folder: Path::new(HOME).join(&name),
            link: Link::named(&name),
            limits,
            raised: None,
            _home: home,
        };
        share.raise(config)?;
        Ok(share)
    }

    fn raise(&mut self, config: Config) -> Result<(), String> {
        let io = |error: std::io::Error| format!("cannot make the server's folder: {error}");
        fs::create_dir_all(self.path()).map_err(io)?;
        fs::create_dir_all(drive_mount(&self.folder)).map_err(io)?;
        let image = self.folder.join("drive");
        File::create_new(&image)
            .and_then(|file| file.set_len(config.drive_bytes))
            .map_err(io)?;
        let drive = Drive::attach(&image)?;
        // Nothing is put off until later, when it would be counted as the program's doing.
        let now = "lazy_itable_init=0,lazy_journal_init=0";
        run("mkfs.ext4", &["-q", "-E", now, "-m", "0", &drive.device])?;
        let mount = text(&drive_mount(&self.folder));
        run("mount", &["-o", "noatime", &drive.device, &mount])?;
        fs::create_dir(self.server_folder()).map_err(io)?;
        if let Some(rate) = config.drive_bytes_per_s {
            self.limits.hold(&drive.number, rate)?;
        }
        self.link.lay(config.link_bits_per_s, config.mtu)?;
        let server = Server::start(&self.folder, &self.link)?;
        let (exported, path) = (self.server_folder(), self.path());
        match config.encrypted {
            true => server.mount(&exported, &path, config.cache)?,
            false => server.mount_plainly(&self.link, &exported, &path, config.cache)?,
        }
        self.raised = Some((drive, server));
        Ok(())
    }

    fn raised(&self) -> &(Drive, Server) {
        self.raised
            .as_ref()
            .expect("a share that was built is whole")
    }

    /// Part of the names of all that the share is made of.
    pub(crate) fn name(&self) -> String {
        name(&self.folder)
    }

    /// The share, as the client sees it.
    pub(crate) fn path(&self) -> PathBuf {
        mount_point(&self.folder)
    }

    /// The same folder, as the server sees it.
    pub(crate) fn server_folder(&self) -> PathBuf {
        drive_mount(&self.folder).join("share")
    }

    /// A folder for the study, on neither.
    pub(crate) fn study(&self) -> PathBuf {
        self.folder.join("study")
    }

    /// Name of the client's interface.
    pub(crate) fn interface(&self) -> &str {
        self.link.interface()
    }

    /// Name of the member drive in `/proc/diskstats`.
    pub(crate) fn member(&self) -> &str {
        let device = &self.raised().0.device;
        device.strip_prefix("/dev/").unwrap_or(device)
    }

    /// A command for a shell on the client that prints the server's `/proc/diskstats`; it goes
    /// through the cable as the share does.
    pub(crate) fn diskstats_command(&self) -> String {
        self.raised().1.command("cat /proc/diskstats")
    }

    /// What the client's interface has carried so far.
    ///
    /// # Errors
    /// When the kernel does not say.
    pub(crate) fn carried(&self) -> Result<Wire, String> {
        self.link.carried()
    }

    /// Bytes read from the member drive so far.
    ///
    /// # Errors
    /// When the kernel does not say.
    pub(crate) fn drive_read(&self) -> Result<u64, String> {
        let table = fs::read_to_string("/proc/diskstats")
            .map_err(|error| format!("cannot read /proc/diskstats: {error}"))?;
        read_by(&table, self.member())
    }

    /// Halts everything at the server's end of the cable, or lets it go on.
    ///
    /// # Errors
    /// When the processes there cannot be listed.
    pub(crate) fn halt_server(&self, halt: bool) -> Result<(), String> {
        let signal = if halt { Signal::STOP } else { Signal::CONT };
        for process in self.link.processes()?.into_iter().filter_map(Pid::from_raw) {
            // One that has just ended by itself needs no signal.
            let _ = kill_process(process, signal);
        }
        Ok(())
    }

    /// Ends the server, as when its machine goes down.
    ///
    /// # Errors
    /// When it does not end.
    pub(crate) fn end_server(&self) -> Result<(), String> {
        end_processes(&self.link)
    }

    /// Starts the server again and mounts the share anew.
    ///
    /// # Errors
    /// When it does not come back.
    pub(crate) fn come_back(&self) -> Result<(), String> {
        unmount_if_mounted(&self.path())?;
        let server = &self.raised().1;
        server.listen(&self.link)?;
        server.mount(&self.server_folder(), &self.path(), ClientCache::default())
    }

    /// Makes the server's memory cold: what is in it is written, and then forgotten. The client's
    /// memory and all else on the machine keep what they have.
    ///
    /// # Errors
    /// When a file of the share cannot be opened.
    pub(crate) fn drop_server_caches(&self) -> Result<(), String> {
        run("sync", &["--file-system", &text(&self.server_folder())])?;
        forget(&self.server_folder())
    }
}

impl Drop for NetworkShare {
    fn drop(&mut self) {
        take_down(&self.folder, &self.limits);
        // Fails, as it should, while something is left in it.
        drop(fs::remove_dir(HOME));
    }
}

/// Bytes that `device` has read, from the text of `/proc/diskstats`.
///
/// # Errors
/// When the table has no such device.
pub(crate) fn read_by(table: &str, device: &str) -> Result<u64, String> {
    // Major, minor, name, reads, reads merged, sectors read.
    let sectors = table.lines().find_map(|line| {
        let mut fields = line.split_whitespace().skip(2);
        (fields.next()? == device).then_some(())?;
        fields.nth(2)?.parse::<u64>().ok()
    });
    sectors
        .map(|sectors| sectors * SECTOR)
        .ok_or_else(|| format!("the table of drives has no {device}"))
}

/// Takes the pages of all files in and below `folder` out of the page cache.
fn forget(folder: &Path) -> Result<(), String> {
    let io = |error: std::io::Error| format!("cannot look into {}: {error}", folder.display());
    for entry in fs::read_dir(folder).map_err(io)? {
        let path = entry.map_err(io)?.path();
        if path.is_dir() {
            forget(&path)?;
        } else {
            let file = File::open(&path).map_err(io)?;
            rustix::fs::fadvise(&file, 0, None, Advice::DontNeed)
                .map_err(|error| format!("cannot forget {}: {error}", path.display()))?;
        }
    }
    Ok(())
}

fn take_down_leftovers(limits: &Limits) {
    for entry in fs::read_dir(HOME).into_iter().flatten().flatten() {
        say(&format!(
            "real network: taking down what an earlier run left in {}",
            entry.path().display()
        ));
        take_down(&entry.path(), limits);
    }
}

/// Takes down what there is of the share in `folder`: each step is tried whatever became of the one
/// before, and says what it could not do.
fn take_down(folder: &Path, limits: &Limits) {
    let complain = |done: Result<(), String>| {
        if let Err(why) = done {
            say(&format!("real network: taking it down: {why}"));
        }
    };
    let drives = attached(folder).unwrap_or_else(|why| {
        complain(Err(why));
        Vec::new()
    });
    for drive in &drives {
        // Also lets what follows end at once.
        complain(limits.lift(&drive.number));
    }
    let link = Link::named(&name(folder));
    // The client first, while there is somebody to answer it: also if a test had it halted.
    for process in link.processes().unwrap_or_default() {
        let _ = Pid::from_raw(process).map(|process| kill_process(process, Signal::CONT));
    }
    complain(unmount_if_mounted(&mount_point(folder)));
    complain(end_processes(&link));
    complain(unmount_if_mounted(&drive_mount(folder)));
    for drive in &drives {
        complain(run("losetup", &["--detach", &drive.device]).map(drop));
    }
    complain(link.take_away());
    complain(
        fs::remove_dir_all(folder)
            .map_err(|error| format!("cannot remove {}: {error}", folder.display())),
    );
}

/// Unmounts what is mounted at `point`; what stays busy is taken out of sight.
fn unmount_if_mounted(point: &Path) -> Result<(), String> {
    let mounts = fs::read_to_string("/proc/self/mounts")
        .map_err(|error| format!("cannot read /proc/self/mounts: {error}"))?;
    let point = text(point);
    // Asked of the kernel's table: a share without its server does not answer.
    if !mounts
        .lines()
        .any(|line| line.split(' ').nth(1) == Some(&point))
    {
        return Ok(());
    }
    unmount(&point).or_else(|why| {
        run("umount", &["--lazy", &point])?;
        Err(why)
    })
}

/// Ends the server, which is all that runs at its end of the cable.
fn end_processes(link: &Link) -> Result<(), String> {
    for _ in 0..100 {
        let processes = link.processes()?;
        if processes.is_empty() {
            return Ok(());
        }
        for process in processes.into_iter().filter_map(Pid::from_raw) {
            // One that has just ended by itself is as good.
            let _ = kill_process(process, Signal::KILL);
        }
        thread::sleep(Duration::from_millis(50));
    }
    Err("the server does not end".to_owned())
}

/// A share is called as its folder is.
fn name(folder: &Path) -> String {
    let name = folder.file_name().unwrap_or_default();
    name.to_string_lossy().into_owned()
}

fn mount_point(folder: &Path) -> PathBuf {
    folder.join("client")
}

fn drive_mount(folder: &Path) -> PathBuf {
    folder.join("server")
}

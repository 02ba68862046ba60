//! A real pool on loop devices, each held to a rate, that always goes away again.

use std::fs::{self, File};
use std::os::unix::fs::MetadataExt as _;
use std::path::{Path, PathBuf};
use std::thread;
use std::time::{Duration, Instant};

use super::limits::Limits;
use crate::support::{find, output, run, say};

/// Drives that the pool starts with.
pub(super) const DRIVES: usize = 3;
/// Size of each drive, in bytes; its image file takes only what is written.
const DRIVE_BYTES: u64 = 5 << 30;
/// What each drive is held to, in bytes per second: slow enough that nothing else on a small
/// machine limits the pool.
const DRIVE_RATE: u64 = 50_000_000;
/// The smallest chunk that btrfs can be told to allot, in bytes (fs/btrfs/sysfs.c).
const SMALLEST_CHUNK: u64 = 256 << 20;
/// Free space that the image files must find, in bytes.
const ROOM: u64 = 14 << 30;
/// Where pools live. Not the temporary folder: it may be held in memory, which has no direct I/O.
const HOME: &str = "/var/tmp/poolproof-real-pools";
/// A balance that takes longer is stuck.
const LONGEST_BALANCE: Duration = Duration::from_secs(600);

/// What is run here; all but the two of btrfs are there on any Linux.
const TOOLS: [&str; 7] = [
    "mkfs.btrfs",
    "btrfs",
    "losetup",
    "mount",
    "umount",
    "mountpoint",
    "dd",
];

/// A mounted RAID 5 pool with one more drive in reserve.
pub(super) struct Pool {
    folder: PathBuf,
    drives: Vec<Drive>,
    limits: Limits,
    _home: Home,
}

/// A loop device.
pub(crate) struct Drive {
    /// Path of the device.
    pub(crate) device: String,
    /// `MAJOR:MINOR`.
    pub(crate) number: String,
}

impl Pool {
    /// Builds the pool, after taking down what a killed run left behind.
    ///
    /// # Errors
    /// With the precondition that is missing, or the step that failed.
    pub(super) fn build() -> Result<Self, String> {
        if !rustix::process::geteuid().is_root() {
            return Err("only root may set up loop devices and mount".to_owned());
        }
        for tool in TOOLS {
            find(tool)?;
        }
        let home = Home::lock()?;
        let limits = Limits::join()?;
        take_down_leftovers(&limits);
        // From here on, dropping the pool takes down whatever part of it there is.
        let mut pool = Self {
            folder: Path::new(HOME).join(std::process::id().to_string()),
            drives: Vec::new(),
            limits,
            _home: home,
        };
        pool.raise()?;
        Ok(pool)
    }

    fn raise(&mut self) -> Result<(), String> {
        let io = |error: std::io::Error| format!("cannot make an image file: {error}");
        fs::create_dir_all(self.mount()).map_err(io)?;
        let free = available(&self.folder)?;
        if free < ROOM {
            return Err(format!(
                "{HOME} has {free} bytes free and the drives need {ROOM}"
            ));
        }
        for number in 0..=DRIVES {
            let image = self.folder.join(format!("drive{number}"));
            File::create_new(&image)
                .and_then(|file| file.set_len(DRIVE_BYTES))
                .map_err(io)?;
            let drive = Drive::attach(&image)?;
            self.limits.hold(&drive.number, DRIVE_RATE)?;
            self.drives.push(drive);
        }
        self.check_rate()?;
        let mut make = vec!["-q", "-f", "-K", "-d", "raid5", "-m", "raid1"];
        make.extend(self.drives[..DRIVES].iter().map(|d| d.device.as_str()));
        run("mkfs.btrfs", &make)?;
        run("mount", &[&self.drives[0].device, &text(&self.mount())])?;
        fs::create_dir(self.share()).map_err(io)
    }

    /// Makes sure that all drives are held to their rate, by reading them all at once.
    fn check_rate(&self) -> Result<(), String> {
        let started = Instant::now();
        thread::scope(|scope| {
            let readers: Vec<_> = self
                .drives
                .iter()
                .map(|drive| scope.spawn(|| drive.read(DRIVE_RATE)))
                .collect();
            readers
                .into_iter()
                .try_for_each(|reader| reader.join().expect("a reader does not panic").map(drop))
        })?;
        // One second's worth has been read from each. Only too fast is wrong: a busy machine is slow.
        let took = started.elapsed().as_secs_f64();
        if took < 0.9 {
            return Err(format!(
                "the control group does not hold loop devices: {took:.2} s for what has to take 1 s"
            ));
        }
        Ok(())
    }

    /// The folder that stands for the share.
    pub(super) fn share(&self) -> PathBuf {
        self.mount().join("share")
    }

    /// A folder for the study, outside the pool.
    pub(super) fn study(&self) -> PathBuf {
        self.folder.join("study")
    }

    /// Allots space in the smallest chunks that the file system takes, from now on.
    ///
    /// # Errors
    /// When the file system has no such setting.
    pub(super) fn keep_chunks_small(&self) -> Result<(), String> {
        let device = self.drives[0].device.trim_start_matches("/dev/");
        let own = |entry: &fs::DirEntry| entry.path().join("devices").join(device).exists();
        let all = fs::read_dir("/sys/fs/btrfs").map_err(|error| error.to_string())?;
        let fs = all.flatten().find(own).ok_or("the pool is not in /sys")?;
        let setting = fs.path().join("allocation/data/chunk_size");
        fs::write(&setting, SMALLEST_CHUNK.to_string())
            .map_err(|error| format!("cannot set {}: {error}", setting.display()))
    }

    /// Free space of the share in bytes, after everything deleted has really gone.
    ///
    /// # Errors
    /// When the file system does not answer.
    pub(super) fn available(&self) -> Result<u64, String> {
        run("btrfs", &["filesystem", "sync", &text(&self.mount())])?;
        available(&self.share())
    }

    /// Adds the drive in reserve and starts to spread the data over all of them.
    ///
    /// # Errors
    /// When a step fails.
    pub(super) fn expand(&self) -> Result<(), String> {
        let mount = text(&self.mount());
        let reserve = self.drives[DRIVES].device.as_str();
        run("btrfs", &["device", "add", "-f", "-K", reserve, &mount])?;
        let start = ["balance", "start", "--full-balance", "--bg", &mount];
        run("btrfs", &start).map(drop)
    }

    /// Whether data is being spread, with the tool's own words.
    ///
    /// # Errors
    /// When the tool cannot be run, or says neither yes nor no.
    pub(super) fn balancing(&self) -> Result<(bool, String), String> {
        // The exit status is 1 while a balance runs.
        let answer = output("btrfs", &["balance", "status", &text(&self.mount())])?;
        let words = String::from_utf8_lossy(&answer.stdout).trim().to_owned();
        match (words.contains("is running"), words.contains("No balance")) {
            (true, false) => Ok((true, words)),
            (false, true) => Ok((false, words)),
            _ => {
                let error = String::from_utf8_lossy(&answer.stderr);
                Err(format!("the balance is in no known state: {words}{error}"))
            }
        }
    }

    /// Waits until the data is spread.
    ///
    /// # Errors
    /// When that takes unreasonably long.
    pub(super) fn wait_for_balance(&self) -> Result<(), String> {
        let started = Instant::now();
        while self.balancing()?.0 {
            if started.elapsed() > LONGEST_BALANCE {
                return Err(format!("the balance is stuck: {}", self.balancing()?.1));
            }
            thread::sleep(Duration::from_millis(500));
        }
        Ok(())
    }

    pub(super) fn mount(&self) -> PathBuf {
        mount_point(&self.folder)
    }
}

impl Drop for Pool {
    fn drop(&mut self) {
        take_down(&self.folder, &self.limits);
    }
}

impl Drive {
    /// Attaches an image file, past the page cache of the machine.
    ///
    /// # Errors
    /// When there is no free loop device.
    pub(crate) fn attach(image: &Path) -> Result<Self, String> {
        let attach = ["--direct-io=on", "--find", "--show", &text(image)];
        let device = run("losetup", &attach)?.trim().to_owned();
        Self::of(device)
    }

    fn of(device: String) -> Result<Self, String> {
        let id = fs::metadata(&device)
            .map_err(|error| format!("cannot look at {device}: {error}"))?
            .rdev();
        let number = format!("{}:{}", rustix::fs::major(id), rustix::fs::minor(id));
        Ok(Self { device, number })
    }

    /// Reads the first `bytes`, rounded up to whole MiB, past all caches.
    fn read(&self, bytes: u64) -> Result<String, String> {
        let (from, count) = (format!("if={}", self.device), bytes.div_ceil(1 << 20));
        let count = format!("count={count}");
        run(
            "dd",
            &[&from, "of=/dev/null", "bs=1M", &count, "iflag=direct"],
        )
    }
}

/// The folder of all pools, locked for as long as one lives: so there is one at a time, and whatever
/// else is in the folder is a leftover. The kernel drops the lock of a killed run.
pub(crate) struct Home(#[expect(dead_code, reason = "holds the lock")] File);

impl Home {
    /// Waits until no other pool lives.
    ///
    /// # Errors
    /// When the folder cannot be used.
    pub(crate) fn lock() -> Result<Self, String> {
        let io = |error: std::io::Error| format!("cannot use {HOME}: {error}");
        loop {
            fs::create_dir_all(HOME).map_err(io)?;
            let home = File::open(HOME).map_err(io)?;
            home.lock().map_err(io)?;
            // Who held the lock before has probably removed the folder.
            let locked = home.metadata().map_err(io)?.ino();
            if fs::metadata(HOME).is_ok_and(|there| there.ino() == locked) {
                return Ok(Self(home));
            }
        }
    }
}

impl Drop for Home {
    fn drop(&mut self) {
        // Fails, as it should, while something is left in it.
        drop(fs::remove_dir(HOME));
    }
}

fn take_down_leftovers(limits: &Limits) {
    for entry in fs::read_dir(HOME).into_iter().flatten().flatten() {
        say(&format!(
            "real pool: taking down what an earlier run left in {}",
            entry.path().display()
        ));
        take_down(&entry.path(), limits);
    }
}

/// Takes down what there is of the pool in `folder`, and says what could not be done. The other steps
/// are tried all the same, except that nothing is removed under a pool that is still mounted.
fn take_down(folder: &Path, limits: &Limits) {
    let complain = |done: Result<(), String>| {
        if let Err(why) = done {
            say(&format!("real pool: taking it down: {why}"));
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
    let mount = text(&mount_point(folder));
    if run("mountpoint", &["-q", &mount]).is_ok() {
        // A running balance keeps the pool busy. That there is none is no failure.
        drop(output("btrfs", &["balance", "cancel", &mount]));
        if let Err(why) = unmount(&mount) {
            return complain(Err(why));
        }
    }
    for drive in &drives {
        complain(run("losetup", &["--detach", &drive.device]).map(drop));
    }
    complain(
        fs::remove_dir_all(folder)
            .map_err(|error| format!("cannot remove {}: {error}", folder.display())),
    );
}

/// Unmounts; patiently, for a process that has just ended may still be closing its files. What a
/// killed run started may hold them for minutes: then the pool is only hidden, and the kernel takes
/// it down with the last file.
///
/// # Errors
/// With the tool's words, when even that is refused.
pub(crate) fn unmount(mount: &str) -> Result<(), String> {
    for _ in 0..20 {
        if run("umount", &[mount]).is_ok() {
            return Ok(());
        }
        thread::sleep(Duration::from_millis(500));
    }
    run("umount", &["--lazy", mount]).map(drop)
}

/// The loop devices whose image lies in `folder`.
///
/// # Errors
/// When they cannot be listed.
pub(crate) fn attached(folder: &Path) -> Result<Vec<Drive>, String> {
    let list = ["--list", "--noheadings", "--output", "NAME,BACK-FILE"];
    run("losetup", &list)?
        .lines()
        .filter_map(|line| line.trim().split_once(' '))
        .filter(|(_, image)| Path::new(image.trim()).starts_with(folder))
        .map(|(device, _)| Drive::of(device.to_owned()))
        .collect()
}

fn mount_point(folder: &Path) -> PathBuf {
    folder.join("pool")
}

fn available(folder: &Path) -> Result<u64, String> {
    let space = rustix::fs::statvfs(folder)
        .map_err(|error| format!("cannot ask {} for its space: {error}", folder.display()))?;
    Ok(space.f_bavail * space.f_frsize)
}

/// A path for a command line; all of ours are plain text.
pub(crate) fn text(path: &Path) -> String {
    path.display().to_string()
}

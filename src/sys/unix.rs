//! What Linux and macOS share.
#![expect(
    clippy::disallowed_types,
    reason = "the calls of the system are an edge: files and processes"
)]

use std::ffi::{OsStr, OsString};
use std::fs::{DirBuilder, File, Metadata, OpenOptions};
use std::io;
use std::os::unix::ffi::{OsStrExt, OsStringExt};
use std::os::unix::fs::{DirBuilderExt, MetadataExt, OpenOptionsExt};
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command};

pub(crate) use std::os::fd::{AsFd, BorrowedFd, OwnedFd};

pub(crate) use rustix::fs::{
    AtFlags, FileType, Mode, OFlags, Stat, fstat, fsync, mkdirat, open, stat, statat, unlinkat,
};
pub(crate) use rustix::io::{Errno, pread, pwrite};

use rustix::fs::{Access, Dir, StatVfsMountFlags, access, fcntl_getfl, fcntl_setfl, statvfs};
use rustix::process::{
    Pid, Resource, Rlimit, Signal, geteuid, getrlimit, kill_process_group, setrlimit,
};
use rustix::time::{ClockId, clock_gettime};

/// What may not stand in the name of a file in a folder.
pub(crate) const NOT_IN_NAMES: [char; 2] = ['/', '\0'];
/// Asks for a handle that takes several transfers at once, which every handle does here.
pub(crate) const SEVERAL: OFlags = OFlags::empty();
/// Asks not to become the terminal of this process.
pub(crate) const NOCTTY: OFlags = OFlags::NOCTTY;

/// Numbers of errors that tell of a whole share, not of one file or block.
pub(crate) const SHARE_GONE: [i32; 11] = [
    Errno::NOTCONN.raw_os_error(),
    Errno::STALE.raw_os_error(),
    Errno::TIMEDOUT.raw_os_error(),
    Errno::HOSTDOWN.raw_os_error(),
    Errno::HOSTUNREACH.raw_os_error(),
    Errno::NETDOWN.raw_os_error(),
    Errno::NETUNREACH.raw_os_error(),
    Errno::NODEV.raw_os_error(),
    Errno::SHUTDOWN.raw_os_error(),
    Errno::CONNABORTED.raw_os_error(),
    Errno::CONNRESET.raw_os_error(),
];

/// Names of what is in a folder, without itself and the one above.
pub(crate) fn entries(folder: impl AsFd) -> Result<Vec<OsString>, Errno> {
    let mut names = Vec::new();
    for entry in Dir::read_from(folder)? {
        let name = entry?.file_name().to_bytes().to_vec();
        if name != b"." && name != b".." {
            names.push(OsString::from_vec(name));
        }
    }
    Ok(names)
}

/// Undoes `NONBLOCK`, which a ring takes as a wish not to wait for the drives either.
pub(crate) fn block_again(file: &OwnedFd) -> Result<(), Errno> {
    fcntl_setfl(file, fcntl_getfl(file)? - OFlags::NONBLOCK)
}

/// When the content of a file was last changed, and when anything of it was: nanoseconds since 1970.
#[allow(
    clippy::unnecessary_cast,
    clippy::useless_conversion,
    reason = "the types of the fields differ between systems"
)]
pub(crate) fn times(status: &Stat) -> (i64, i64) {
    let time =
        |seconds: i64, nanos: i64| seconds.saturating_mul(1_000_000_000).saturating_add(nanos);
    (
        time(status.st_mtime as i64, status.st_mtime_nsec as i64),
        time(status.st_ctime as i64, status.st_ctime_nsec as i64),
    )
}

/// What a file is known by wherever it shows: its device and its number there.
#[allow(
    clippy::unnecessary_cast,
    reason = "the types of the fields differ between systems"
)]
pub(crate) fn identity(status: &Stat) -> (u64, u64) {
    (status.st_dev as u64, status.st_ino as u64)
}

/// A name as bytes.
pub(crate) fn bytes(name: &OsStr) -> &[u8] {
    name.as_bytes()
}

/// Bytes as a name.
pub(crate) fn name(bytes: Vec<u8>) -> OsString {
    OsString::from_vec(bytes)
}

/// Makes entries of a folder last.
pub(crate) fn sync_folder(folder: &Path) -> io::Result<()> {
    File::open(folder)?.sync_all()
}

/// Whether a file has one name only.
pub(crate) fn has_one_name(file: &File) -> io::Result<bool> {
    Ok(file.metadata()?.nlink() <= 1)
}

/// Makes a folder, and those above, that nobody else looks into.
pub(crate) fn make_private_folder(folder: &Path) -> io::Result<()> {
    DirBuilder::new().recursive(true).mode(0o700).create(folder)
}

/// Opens a file to be read; neither a link is followed nor a pipe waited for.
pub(crate) fn open_unfollowed(path: &Path) -> io::Result<File> {
    let flags = OFlags::NOFOLLOW | OFlags::NONBLOCK;
    OpenOptions::new()
        .read(true)
        .custom_flags(flags.bits() as i32)
        .open(path)
}

/// Opens a file to be added to, made for this person alone.
pub(crate) fn append_privately(path: &Path) -> io::Result<File> {
    OpenOptions::new()
        .append(true)
        .create(true)
        .mode(0o600)
        .custom_flags(OFlags::NOFOLLOW.bits() as i32)
        .open(path)
}

/// Whether a file is this person's, and nobody else may write to it.
pub(crate) fn is_mine_alone(file: &Metadata) -> bool {
    file.uid() == geteuid().as_raw() && file.mode() & 0o022 == 0
}

/// The folder for state of programs: `$XDG_STATE_HOME`, else `~/.local/state` (XDG Base Directory
/// Specification 0.8, which passes over relative paths).
pub(crate) fn state_base() -> Option<PathBuf> {
    let absolute = |name: &str| {
        let path = PathBuf::from(std::env::var_os(name)?);
        path.is_absolute().then_some(path)
    };
    absolute("XDG_STATE_HOME").or_else(|| Some(absolute("HOME")?.join(".local/state")))
}

/// Whether files can be made in a folder; why not.
pub(crate) fn may_write(folder: &Path) -> Result<(), String> {
    access(folder, Access::WRITE_OK | Access::EXEC_OK)
        .map_err(|error| format!("is not writable ({error})"))?;
    let status = statvfs(folder).map_err(|error| format!("does not answer ({error})"))?;
    match status.f_flag.contains(StatVfsMountFlags::RDONLY) {
        true => Err("is mounted read-only".to_owned()),
        false => Ok(()),
    }
}

/// Bytes of the file system under a path, and those that this person may still take.
pub(crate) fn room(path: &Path) -> io::Result<(u64, u64)> {
    let status = statvfs(path)?;
    let bytes = |blocks: u64| blocks.saturating_mul(status.f_frsize);
    Ok((bytes(status.f_blocks), bytes(status.f_bavail)))
}

/// Lets this process open as many files as it is allowed to: a large set of test data has thousands.
pub(crate) fn raise_open_files() {
    let limits = getrlimit(Resource::Nofile);
    // Where it is refused, opening too many files says so itself.
    let _ = setrlimit(
        Resource::Nofile,
        Rlimit {
            current: limits.maximum,
            ..limits
        },
    );
}

/// Nanoseconds of processor time of this thread so far.
pub(crate) fn thread_time() -> Option<u64> {
    Some(nanoseconds(ClockId::ThreadCPUTime))
}

/// Nanoseconds of processor time of this process so far, of all its threads and of what the kernel did
/// for them.
pub(crate) fn processor_time() -> u64 {
    nanoseconds(ClockId::ProcessCPUTime)
}

/// What a clock shows that is never negative.
pub(super) fn nanoseconds(clock: ClockId) -> u64 {
    let time = clock_gettime(clock);
    time.tv_sec as u64 * 1_000_000_000 + time.tv_nsec as u64
}

/// Columns of the terminal behind `stream`, where it is one and tells.
pub(crate) fn columns(stream: impl AsFd) -> Option<usize> {
    let size = rustix::termios::tcgetwinsize(stream).ok()?;
    Some(usize::from(size.ws_col)).filter(|columns| *columns > 0)
}

/// The shell with a command.
pub(crate) fn shell(text: &str) -> Command {
    let mut command = Command::new("sh");
    command.args(["-c", text]);
    command
}

/// Gives a process that is to be started a group of its own, so that everything it starts can be ended
/// with it.
pub(crate) fn apart(command: &mut Command) {
    command.process_group(0);
}

/// Ends a process that was started [`apart`], and what it has started.
pub(crate) fn end_group(child: &Child) -> impl Fn() + use<> {
    let group = Pid::from_child(child);
    move || {
        // What has ended meanwhile needs no ending.
        let _ = kill_process_group(group, Signal::KILL);
    }
}

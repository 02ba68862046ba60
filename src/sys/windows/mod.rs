//! Windows, under the names of POSIX.
//!
//! Nothing can be opened relative to a folder's handle here. Instead a folder is held open without leave
//! to rename or remove it, and what is in it is opened by its path and never through a link. Who may
//! read and write is left to what folders pass on to their files.

mod calls;
mod errno;
mod flags;
mod handle;
mod transfer;

use std::ffi::{OsStr, OsString};
use std::fs::{File, Metadata, OpenOptions};
use std::io;
use std::os::windows::fs::OpenOptionsExt;
use std::os::windows::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command};

use windows_sys::Win32::Foundation as codes;
use windows_sys::Win32::Storage::FileSystem as fs;

pub(crate) use super::untold::*;

pub(crate) use self::calls::{clocks, columns, processor_time, room};
pub(crate) use self::errno::Errno;
pub(crate) use self::flags::{AtFlags, FileType, Mode, OFlags};
pub(crate) use self::handle::{
    AsFd, BorrowedFd, OwnedFd, Stat, fdatasync, fstat, fsync, identity, mkdirat, open, openat,
    stat, statat, times, unlinkat,
};
pub(crate) use self::transfer::{pread, pwrite};

/// Asks for transfers past the cache, written through.
pub(crate) const DIRECT: OFlags = OFlags::DIRECT;
/// Asks for a handle that takes several transfers at once; others take one after the other.
pub(crate) const SEVERAL: OFlags = OFlags::SEVERAL;
/// No file becomes a terminal here.
pub(crate) const NOCTTY: OFlags = OFlags::empty();
/// What may not stand in the name of a file in a folder: a colon leads to another drive or stream.
pub(crate) const NOT_IN_NAMES: [char; 4] = ['/', '\\', ':', '\0'];

/// Numbers of errors that tell of a whole share, not of one file or block.
pub(crate) const SHARE_GONE: [i32; 12] = [
    codes::ERROR_NOT_READY as i32,
    codes::ERROR_BAD_NETPATH as i32,
    codes::ERROR_DEV_NOT_EXIST as i32,
    codes::ERROR_UNEXP_NET_ERR as i32,
    codes::ERROR_NETNAME_DELETED as i32,
    codes::ERROR_BAD_NET_NAME as i32,
    codes::ERROR_SEM_TIMEOUT as i32,
    codes::ERROR_CONNECTION_UNAVAIL as i32,
    codes::ERROR_NO_NETWORK as i32,
    codes::ERROR_NETWORK_UNREACHABLE as i32,
    codes::ERROR_HOST_UNREACHABLE as i32,
    codes::ERROR_CONNECTION_ABORTED as i32,
];

/// Names of what is in a folder.
pub(crate) fn entries(folder: impl AsFd) -> Result<Vec<OsString>, Errno> {
    let found = std::fs::read_dir(folder.as_fd().path())?;
    Ok(found
        .map(|entry| entry.map(|entry| entry.file_name()))
        .collect::<io::Result<_>>()?)
}

/// Files always wait here.
pub(crate) fn block_again(_file: &OwnedFd) -> Result<(), Errno> {
    Ok(())
}

/// A name as bytes.
pub(crate) fn bytes(name: &OsStr) -> &[u8] {
    name.as_encoded_bytes()
}

/// Bytes as a name; what is no text in it leads nowhere.
pub(crate) fn name(bytes: Vec<u8>) -> OsString {
    String::from_utf8_lossy(&bytes).into_owned().into()
}

/// The file system keeps a journal of its folders, and has no call to flush one.
pub(crate) fn sync_folder(_folder: &Path) -> io::Result<()> {
    Ok(())
}

/// Whether a file has one name only.
pub(crate) fn has_one_name(file: &File) -> io::Result<bool> {
    handle::has_one_name(file)
}

/// Makes a folder, and those above; those of a person pass on that nobody else looks into them.
pub(crate) fn make_private_folder(folder: &Path) -> io::Result<()> {
    std::fs::create_dir_all(folder)
}

/// Opens a file to be read; a link in its place is opened itself, and is no plain file.
pub(crate) fn open_unfollowed(path: &Path) -> io::Result<File> {
    OpenOptions::new()
        .read(true)
        .custom_flags(fs::FILE_FLAG_OPEN_REPARSE_POINT)
        .open(path)
}

/// Opens a file to be added to.
pub(crate) fn append_privately(path: &Path) -> io::Result<File> {
    OpenOptions::new()
        .append(true)
        .create(true)
        .custom_flags(fs::FILE_FLAG_OPEN_REPARSE_POINT)
        .open(path)
}

/// The person's own folder keeps others out; who else may write to a file in it is not looked at.
pub(crate) fn is_mine_alone(file: &Metadata) -> bool {
    !file.file_type().is_symlink()
}

/// The folder for state of programs: `%LOCALAPPDATA%`.
pub(crate) fn state_base() -> Option<PathBuf> {
    let path = PathBuf::from(std::env::var_os("LOCALAPPDATA")?);
    path.is_absolute().then_some(path)
}

/// Whether files can be made in a folder; making one tells, later.
pub(crate) fn may_write(folder: &Path) -> Result<(), String> {
    let found = std::fs::metadata(folder).map_err(|error| format!("does not answer ({error})"))?;
    match found.permissions().readonly() && !found.is_dir() {
        true => Err("is read-only".to_owned()),
        false => Ok(()),
    }
}

/// Told in steps of some 16 ms, in which a short stretch of work takes nothing.
pub(crate) fn thread_time() -> Option<u64> {
    None
}

/// There is no such limit.
pub(crate) fn raise_open_files() {}

/// The shell with a command.
pub(crate) fn shell(text: &str) -> Command {
    let mut command = Command::new("cmd");
    // As it was typed: `cmd` has rules of its own for quotes, and /S takes off the outer ones.
    command.raw_arg(format!("/D /S /C \"{text}\""));
    command
}

/// Processes have no groups here.
pub(crate) fn apart(_: &mut Command) {}

/// Ends a process; what it has started goes on.
pub(crate) fn end_group(child: &Child) -> impl Fn() + use<> {
    let number = child.id();
    move || calls::end(number)
}

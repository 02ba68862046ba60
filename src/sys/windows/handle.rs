//! Open files and folders.
#![expect(unsafe_code, reason = "what a handle leads to has no complete wrapper")]

use std::fs::{File, OpenOptions};
use std::io;
use std::os::windows::fs::OpenOptionsExt;
use std::os::windows::io::AsRawHandle;
use std::path::{Path, PathBuf};

use windows_sys::Win32::Storage::FileSystem::{
    BY_HANDLE_FILE_INFORMATION, FILE_FLAG_BACKUP_SEMANTICS, FILE_FLAG_NO_BUFFERING,
    FILE_FLAG_OPEN_REPARSE_POINT, FILE_FLAG_OVERLAPPED, FILE_FLAG_WRITE_THROUGH,
    FILE_READ_ATTRIBUTES, FILE_SHARE_DELETE, FILE_SHARE_READ, FILE_SHARE_WRITE,
    GetFileInformationByHandle,
};

use super::{AtFlags, Errno, FileType, Mode, OFlags};

/// A file or folder that is open, and its path.
#[derive(Debug)]
pub(crate) struct OwnedFd {
    file: File,
    path: PathBuf,
}

/// The same, lent.
#[derive(Clone, Copy, Debug)]
pub(crate) struct BorrowedFd<'a>(&'a OwnedFd);

/// What lends an open file.
pub(crate) trait AsFd {
    fn as_fd(&self) -> BorrowedFd<'_>;
}

impl AsFd for OwnedFd {
    fn as_fd(&self) -> BorrowedFd<'_> {
        BorrowedFd(self)
    }
}

impl AsFd for BorrowedFd<'_> {
    fn as_fd(&self) -> BorrowedFd<'_> {
        *self
    }
}

impl<T: AsFd> AsFd for &T {
    fn as_fd(&self) -> BorrowedFd<'_> {
        (**self).as_fd()
    }
}

impl<'a> BorrowedFd<'a> {
    pub(super) fn path(self) -> &'a Path {
        &self.0.path
    }

    pub(super) fn file(self) -> &'a File {
        &self.0.file
    }
}

impl From<OwnedFd> for File {
    fn from(open: OwnedFd) -> Self {
        open.file
    }
}

/// What is known of an open file. Times are nanoseconds since 1970.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Stat {
    pub(crate) st_mode: FileType,
    pub(crate) st_nlink: u32,
    pub(crate) st_size: i64,
    /// Number of the volume.
    pub(crate) st_dev: u64,
    /// Number of the file on it.
    pub(crate) st_ino: u64,
    modified_ns: i64,
}

/// When the content of a file was last changed, twice: when anything else of it was is not told.
pub(crate) fn times(status: &Stat) -> (i64, i64) {
    (status.modified_ns, status.modified_ns)
}

/// What a file is known by wherever it shows: its volume and its number there.
pub(crate) fn identity(status: &Stat) -> (u64, u64) {
    (status.st_dev, status.st_ino)
}

/// Opens what stands at `path`, which is not followed where it is a link.
pub(crate) fn open(path: impl AsRef<Path>, flags: OFlags, _mode: Mode) -> Result<OwnedFd, Errno> {
    let path = path.as_ref();
    let folder = flags.contains(OFlags::DIRECTORY);
    let writes = flags.contains(OFlags::WRONLY) || flags.contains(OFlags::RDWR);
    let mut custom = FILE_FLAG_OPEN_REPARSE_POINT;
    for (flag, adds) in [
        (OFlags::DIRECTORY, FILE_FLAG_BACKUP_SEMANTICS),
        (
            OFlags::DIRECT,
            FILE_FLAG_NO_BUFFERING | FILE_FLAG_WRITE_THROUGH,
        ),
        (OFlags::SEVERAL, FILE_FLAG_OVERLAPPED),
    ] {
        if flags.contains(flag) {
            custom |= adds;
        }
    }
    // A folder, and a file that is written to, stays where it is while it is open.
    let moves = if folder || writes {
        0
    } else {
        FILE_SHARE_DELETE
    };
    let file = OpenOptions::new()
        .read(!flags.contains(OFlags::WRONLY))
        .write(writes && !flags.contains(OFlags::APPEND))
        .append(flags.contains(OFlags::APPEND))
        .create(flags.contains(OFlags::CREATE) && !flags.contains(OFlags::EXCL))
        .create_new(flags.contains(OFlags::CREATE) && flags.contains(OFlags::EXCL))
        .share_mode(FILE_SHARE_READ | FILE_SHARE_WRITE | moves)
        .custom_flags(custom)
        .open(path);
    let is_folder = || std::fs::symlink_metadata(path).is_ok_and(|found| found.is_dir());
    let file = match file {
        // A folder is not opened as a file, and that is told as a lack of rights.
        Err(_) if !folder && is_folder() => return Err(Errno::ISDIR),
        file => file?,
    };
    let opened = OwnedFd {
        file,
        path: path.to_owned(),
    };
    match (fstat(&opened)?.st_mode, folder) {
        (FileType::Symlink, _) => Err(Errno::LOOP),
        (FileType::Directory, false) => Err(Errno::ISDIR),
        (FileType::Directory, true) | (_, false) => Ok(opened),
        (_, true) => Err(Errno::NOTDIR),
    }
}

/// Opens `name` in `folder`.
pub(crate) fn openat(
    folder: impl AsFd,
    name: impl AsRef<Path>,
    flags: OFlags,
    mode: Mode,
) -> Result<OwnedFd, Errno> {
    open(folder.as_fd().path().join(name), flags, mode)
}

/// What is known of an open file.
pub(crate) fn fstat(file: impl AsFd) -> Result<Stat, Errno> {
    status(file.as_fd().file())
}

/// What is known of what stands at `path`; a link is followed.
pub(crate) fn stat(path: impl AsRef<Path>) -> Result<Stat, Errno> {
    look(path.as_ref(), FILE_FLAG_BACKUP_SEMANTICS)
}

/// What is known of what stands under `name` in `folder`; a link is not followed.
pub(crate) fn statat(
    folder: impl AsFd,
    name: impl AsRef<Path>,
    _flags: AtFlags,
) -> Result<Stat, Errno> {
    let path = folder.as_fd().path().join(name);
    look(
        &path,
        FILE_FLAG_BACKUP_SEMANTICS | FILE_FLAG_OPEN_REPARSE_POINT,
    )
}

fn look(path: &Path, flags: u32) -> Result<Stat, Errno> {
    let file = OpenOptions::new()
        .access_mode(FILE_READ_ATTRIBUTES)
        .custom_flags(flags)
        .open(path)?;
    status(&file)
}

fn status(file: &File) -> Result<Stat, Errno> {
    let known = information(file)?;
    let kind = file.metadata()?.file_type();
    let wide = |high: u32, low: u32| u64::from(high) << 32 | u64::from(low);
    // Hundreds of nanoseconds since 1601.
    let written = wide(
        known.ftLastWriteTime.dwHighDateTime,
        known.ftLastWriteTime.dwLowDateTime,
    );
    let since_1970 = written as i64 - 116_444_736_000_000_000;
    Ok(Stat {
        st_mode: match () {
            () if kind.is_symlink() => FileType::Symlink,
            () if kind.is_dir() => FileType::Directory,
            () if kind.is_file() => FileType::RegularFile,
            () => FileType::Unknown,
        },
        st_nlink: known.nNumberOfLinks,
        st_size: wide(known.nFileSizeHigh, known.nFileSizeLow) as i64,
        st_dev: u64::from(known.dwVolumeSerialNumber),
        st_ino: wide(known.nFileIndexHigh, known.nFileIndexLow),
        modified_ns: since_1970.saturating_mul(100),
    })
}

/// Whether a file has one name only.
pub(super) fn has_one_name(file: &File) -> io::Result<bool> {
    Ok(information(file)?.nNumberOfLinks <= 1)
}

fn information(file: &File) -> io::Result<BY_HANDLE_FILE_INFORMATION> {
    let mut known = BY_HANDLE_FILE_INFORMATION::default();
    // SAFETY: the handle is open as long as `file` lives, and the structure outlives the call that
    // fills it.
    match unsafe { GetFileInformationByHandle(file.as_raw_handle(), &raw mut known) } {
        0 => Err(io::Error::last_os_error()),
        _ => Ok(known),
    }
}

/// Makes what was written to a file last; folders need no such thing.
pub(crate) fn fsync(file: impl AsFd) -> Result<(), Errno> {
    let open = file.as_fd();
    if open.file().metadata()?.is_dir() {
        return Ok(());
    }
    Ok(open.file().sync_all()?)
}

/// The same.
pub(crate) fn fdatasync(file: impl AsFd) -> Result<(), Errno> {
    fsync(file)
}

/// Makes a folder.
pub(crate) fn mkdirat(folder: impl AsFd, name: &str, _mode: Mode) -> Result<(), Errno> {
    Ok(std::fs::create_dir(folder.as_fd().path().join(name))?)
}

/// Removes a file, or an empty folder.
pub(crate) fn unlinkat(folder: impl AsFd, name: &str, flags: AtFlags) -> Result<(), Errno> {
    let path = folder.as_fd().path().join(name);
    match flags == AtFlags::REMOVEDIR {
        true => Ok(std::fs::remove_dir(path)?),
        false => Ok(std::fs::remove_file(path)?),
    }
}

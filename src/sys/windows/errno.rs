//! Numbers of errors under the names of POSIX.

use std::{fmt, io};

use windows_sys::Win32::Foundation as codes;

/// The number of an error of the system.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Errno(i32);

impl Errno {
    pub(crate) const NOENT: Self = Self(codes::ERROR_FILE_NOT_FOUND as i32);
    pub(crate) const PERM: Self = Self(codes::ERROR_ACCESS_DENIED as i32);
    pub(crate) const INVAL: Self = Self(codes::ERROR_INVALID_PARAMETER as i32);
    pub(crate) const OPNOTSUPP: Self = Self(codes::ERROR_NOT_SUPPORTED as i32);
    pub(crate) const NOSYS: Self = Self(codes::ERROR_CALL_NOT_IMPLEMENTED as i32);
    pub(crate) const NOSPC: Self = Self(codes::ERROR_DISK_FULL as i32);
    pub(crate) const DQUOT: Self = Self(codes::ERROR_DISK_QUOTA_EXCEEDED as i32);
    pub(crate) const IO: Self = Self(codes::ERROR_IO_DEVICE as i32);
    pub(crate) const XDEV: Self = Self(codes::ERROR_NOT_SAME_DEVICE as i32);
    pub(crate) const LOOP: Self = Self(codes::ERROR_STOPPED_ON_SYMLINK as i32);
    pub(crate) const NOTDIR: Self = Self(codes::ERROR_DIRECTORY as i32);
    pub(crate) const NOTEMPTY: Self = Self(codes::ERROR_DIR_NOT_EMPTY as i32);
    pub(crate) const ISDIR: Self = Self(codes::ERROR_DIRECTORY_NOT_SUPPORTED as i32);
    /// No device behind a name.
    pub(crate) const NXIO: Self = Self(codes::ERROR_BAD_DEVICE as i32);
    /// A call that was broken off and is to be made again.
    pub(crate) const INTR: Self = Self(codes::ERROR_RETRY as i32);

    pub(crate) const fn raw_os_error(self) -> i32 {
        self.0
    }

    pub(crate) const fn from_raw_os_error(number: i32) -> Self {
        Self(number)
    }

    /// That of the call before.
    pub(super) fn last() -> Self {
        io::Error::last_os_error().into()
    }
}

impl From<io::Error> for Errno {
    fn from(error: io::Error) -> Self {
        match error.raw_os_error() {
            // A folder on the way is missing.
            Some(number) if number == codes::ERROR_PATH_NOT_FOUND as i32 => Self::NOENT,
            Some(number) => Self(number),
            None => Self::IO,
        }
    }
}

impl From<Errno> for io::Error {
    fn from(error: Errno) -> Self {
        Self::from_raw_os_error(error.0)
    }
}

impl fmt::Display for Errno {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        io::Error::from(*self).fmt(f)
    }
}

//! Flags and kinds under the names of POSIX.

use std::ops::BitOr;

/// How a file is opened.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct OFlags(u32);

impl OFlags {
    pub(crate) const RDONLY: Self = Self(0);
    pub(crate) const WRONLY: Self = Self(1);
    pub(crate) const RDWR: Self = Self(1 << 1);
    pub(crate) const CREATE: Self = Self(1 << 2);
    pub(crate) const EXCL: Self = Self(1 << 3);
    pub(crate) const APPEND: Self = Self(1 << 4);
    pub(crate) const DIRECTORY: Self = Self(1 << 5);
    pub(crate) const DIRECT: Self = Self(1 << 6);
    pub(crate) const SEVERAL: Self = Self(1 << 7);
    /// Links are never followed here, handles not passed on, and pipes not waited for.
    pub(crate) const NOFOLLOW: Self = Self(0);
    pub(crate) const CLOEXEC: Self = Self(0);
    pub(crate) const NONBLOCK: Self = Self(0);

    pub(crate) const fn empty() -> Self {
        Self(0)
    }

    #[cfg(test)]
    pub(crate) const fn union(self, other: Self) -> Self {
        Self(self.0 | other.0)
    }

    pub(crate) const fn contains(self, other: Self) -> bool {
        self.0 & other.0 == other.0
    }
}

impl BitOr for OFlags {
    type Output = Self;

    fn bitor(self, other: Self) -> Self {
        Self(self.0 | other.0)
    }
}

/// Who may do what with a new file, which is left to its folder here.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Mode;

impl Mode {
    pub(crate) const RWXU: Self = Self;
    pub(crate) const RUSR: Self = Self;
    pub(crate) const WUSR: Self = Self;

    pub(crate) const fn empty() -> Self {
        Self
    }

    pub(crate) const fn from_raw_mode(_bits: u32) -> Self {
        Self
    }
}

impl BitOr for Mode {
    type Output = Self;

    fn bitor(self, _other: Self) -> Self {
        Self
    }
}

/// How a name is taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct AtFlags(u32);

impl AtFlags {
    pub(crate) const SYMLINK_NOFOLLOW: Self = Self(0);
    pub(crate) const REMOVEDIR: Self = Self(1);

    pub(crate) const fn empty() -> Self {
        Self(0)
    }
}

/// What stands under a name.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum FileType {
    RegularFile,
    Directory,
    Symlink,
    /// Kinds that do not stand under names here.
    #[expect(dead_code, reason = "callers tell it apart on other systems")]
    Fifo,
    #[expect(dead_code, reason = "callers tell it apart on other systems")]
    Socket,
    Unknown,
}

impl FileType {
    /// From the field of a [`super::Stat`].
    pub(crate) const fn from_raw_mode(mode: Self) -> Self {
        mode
    }
}

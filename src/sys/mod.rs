//! What the operating systems do differently: one file each, one set of names, those of POSIX.
//!
//! | system | past the cache | confined to a folder by |
//! | --- | --- | --- |
//! | Linux | `O_DIRECT` | openat2(2), else the name alone, through no link |
//! | macOS | `F_NOCACHE` | the name alone, through no link |
//! | Windows | `FILE_FLAG_NO_BUFFERING`, written through | a folder that is held open, so that nobody can put another in its place; the name alone, through no link |
//!
//! What a system does not tell has no substitute here: it is `None`, or an error of kind
//! `Unsupported`, and becomes an observation that is missing.

#[cfg(all(target_os = "linux", target_env = "gnu"))]
mod allocator;
#[cfg(target_os = "linux")]
mod linux;
#[cfg(target_os = "macos")]
mod macos;
#[cfg(test)]
mod tests;
#[cfg(unix)]
mod unix;
#[cfg(not(target_os = "linux"))]
mod untold;
#[cfg(windows)]
mod windows;

#[cfg(all(target_os = "linux", target_env = "gnu"))]
pub(crate) use allocator::give_memory_back;
#[cfg(target_os = "linux")]
pub(crate) use linux::*;
#[cfg(target_os = "macos")]
pub(crate) use macos::*;
#[cfg(windows)]
pub(crate) use windows::*;

/// Other allocators give memory back as they see fit.
#[cfg(not(all(target_os = "linux", target_env = "gnu")))]
pub(crate) const fn give_memory_back() {}

/// What a system has no call for.
#[cfg(not(target_os = "linux"))]
pub(crate) fn untold(what: &str) -> std::io::Error {
    let why = format!("{what} is told by Linux only");
    std::io::Error::new(std::io::ErrorKind::Unsupported, why)
}

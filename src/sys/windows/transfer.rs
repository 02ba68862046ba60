//! Positioned reads and writes, several of one handle at once.
//!
//! A handle that was opened for it begins a transfer and goes on; who asked waits for an event of its
//! own thread. Of an ordinary handle the system makes one transfer after the other.
#![expect(unsafe_code, reason = "overlapped transfers have no safe interface")]

use std::os::windows::io::{AsRawHandle, FromRawHandle, OwnedHandle};

use windows_sys::Win32::Foundation::{ERROR_HANDLE_EOF, ERROR_IO_PENDING, HANDLE, TRUE};
use windows_sys::Win32::Storage::FileSystem::{ReadFile, WriteFile};
use windows_sys::Win32::System::IO::{GetOverlappedResult, OVERLAPPED};
use windows_sys::Win32::System::Threading::CreateEventW;
use windows_sys::core::BOOL;

use super::{AsFd, BorrowedFd, Errno};

thread_local! {
    /// Tells this thread that its transfer has ended.
    static EVENT: Option<OwnedHandle> = event();
}

fn event() -> Option<OwnedHandle> {
    // SAFETY: null stands for no attributes and no name.
    let made = unsafe { CreateEventW(std::ptr::null(), TRUE, 0, std::ptr::null()) };
    // SAFETY: the event was just made, and nobody else has it.
    (!made.is_null()).then(|| unsafe { OwnedHandle::from_raw_handle(made) })
}

/// Fills `buffer` from `offset` on; how many bytes there were.
pub(crate) fn pread(file: impl AsFd, buffer: &mut [u8], offset: u64) -> Result<usize, Errno> {
    let length = buffer.len().min(1 << 30) as u32;
    transfer(file.as_fd(), offset, |handle, overlapped| {
        // SAFETY: the buffer has `length` bytes and outlives the transfer, whose end is awaited.
        unsafe {
            ReadFile(
                handle,
                buffer.as_mut_ptr(),
                length,
                std::ptr::null_mut(),
                overlapped,
            )
        }
    })
}

/// Writes `buffer` to `offset`; how many bytes went.
pub(crate) fn pwrite(file: impl AsFd, buffer: &[u8], offset: u64) -> Result<usize, Errno> {
    let length = buffer.len().min(1 << 30) as u32;
    transfer(file.as_fd(), offset, |handle, overlapped| {
        // SAFETY: as above.
        unsafe {
            WriteFile(
                handle,
                buffer.as_ptr(),
                length,
                std::ptr::null_mut(),
                overlapped,
            )
        }
    })
}

/// Begins a transfer and waits for its end.
fn transfer(
    file: BorrowedFd<'_>,
    offset: u64,
    begin: impl FnOnce(HANDLE, *mut OVERLAPPED) -> BOOL,
) -> Result<usize, Errno> {
    EVENT.with(|event| {
        let event = event.as_ref().ok_or(Errno::IO)?;
        let handle = file.file().as_raw_handle();
        let mut overlapped = OVERLAPPED {
            hEvent: event.as_raw_handle(),
            ..OVERLAPPED::default()
        };
        overlapped.Anonymous.Anonymous.Offset = offset as u32;
        overlapped.Anonymous.Anonymous.OffsetHigh = (offset >> 32) as u32;
        if begin(handle, &raw mut overlapped) == 0 {
            match Errno::last() {
                error if error.raw_os_error() == ERROR_IO_PENDING as i32 => {}
                error => return ended(error),
            }
        }
        let mut moved = 0;
        // SAFETY: the structure is that of the transfer under way, and outlives the call, which waits.
        let done =
            unsafe { GetOverlappedResult(handle, &raw const overlapped, &raw mut moved, TRUE) };
        match done {
            0 => ended(Errno::last()),
            _ => Ok(moved as usize),
        }
    })
}

/// The end of a file is no error.
fn ended(error: Errno) -> Result<usize, Errno> {
    match error.raw_os_error() == ERROR_HANDLE_EOF as i32 {
        true => Ok(0),
        false => Err(error),
    }
}

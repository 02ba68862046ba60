//! Clocks, room, terminal and processes.
#![expect(unsafe_code, reason = "these calls have no wrapper")]

use std::io;
use std::os::windows::ffi::OsStrExt;
use std::os::windows::io::AsRawHandle;
use std::path::Path;

use windows_sys::Win32::Foundation::{CloseHandle, FILETIME};
use windows_sys::Win32::Storage::FileSystem::GetDiskFreeSpaceExW;
use windows_sys::Win32::System::Console::{CONSOLE_SCREEN_BUFFER_INFO, GetConsoleScreenBufferInfo};
use windows_sys::Win32::System::SystemInformation::GetTickCount64;
use windows_sys::Win32::System::Threading::{
    GetCurrentProcess, GetProcessTimes, OpenProcess, PROCESS_TERMINATE, TerminateProcess,
};
use windows_sys::Win32::System::WindowsProgramming::QueryUnbiasedInterruptTime;

/// Bytes of the volume under a path, and those that this person may still take.
pub(crate) fn room(path: &Path) -> io::Result<(u64, u64)> {
    let wide: Vec<u16> = path.as_os_str().encode_wide().chain([0]).collect();
    let (mut available, mut total) = (0, 0);
    // SAFETY: the path ends with a zero, and the numbers outlive the call; null is allowed for the last.
    let done = unsafe {
        GetDiskFreeSpaceExW(
            wide.as_ptr(),
            &raw mut available,
            &raw mut total,
            std::ptr::null_mut(),
        )
    };
    match done {
        0 => Err(io::Error::last_os_error()),
        _ => Ok((total, available)),
    }
}

/// Nanoseconds of two clocks that nobody sets: one that stands still while the machine sleeps, and one
/// that does not, in steps of some 16 ms.
pub(crate) fn clocks() -> (u64, u64) {
    let mut running = 0;
    // SAFETY: the number outlives the call, which fills it; the other takes nothing.
    let always = unsafe {
        QueryUnbiasedInterruptTime(&raw mut running);
        GetTickCount64()
    };
    (
        running.saturating_mul(100),
        always.saturating_mul(1_000_000),
    )
}

/// Nanoseconds of processor time of this process so far, of all its threads and of what the kernel did
/// for them, in steps of some 16 ms.
pub(crate) fn processor_time() -> u64 {
    let [mut begun, mut ended, mut kernel, mut user] = [FILETIME::default(); 4];
    // SAFETY: the structures outlive the call, which fills them; it does not fail on the process itself,
    // whose handle is not to be closed.
    unsafe {
        GetProcessTimes(
            GetCurrentProcess(),
            &raw mut begun,
            &raw mut ended,
            &raw mut kernel,
            &raw mut user,
        )
    };
    let nanoseconds = |time: FILETIME| {
        let steps = u64::from(time.dwHighDateTime) << 32 | u64::from(time.dwLowDateTime);
        steps.saturating_mul(100)
    };
    nanoseconds(kernel).saturating_add(nanoseconds(user))
}

/// Columns of the terminal behind `stream`, where it is one and tells.
pub(crate) fn columns(stream: impl AsRawHandle) -> Option<usize> {
    let mut known = CONSOLE_SCREEN_BUFFER_INFO::default();
    // SAFETY: the structure outlives the call, which fills it; any handle is allowed.
    let told = unsafe { GetConsoleScreenBufferInfo(stream.as_raw_handle(), &raw mut known) };
    let columns = known.srWindow.Right - known.srWindow.Left + 1;
    (told != 0)
        .then_some(columns)
        .and_then(|columns| usize::try_from(columns).ok())
}

/// Ends a process at once.
pub(super) fn end(number: u32) {
    // SAFETY: a null handle is not used, and one that was opened is closed once. What has ended
    // meanwhile needs no ending.
    unsafe {
        let process = OpenProcess(PROCESS_TERMINATE, 0, number);
        if !process.is_null() {
            TerminateProcess(process, 1);
            CloseHandle(process);
        }
    }
}

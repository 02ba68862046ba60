//! Whether this machine's clock is synchronised: asks the kernel, and sets nothing.
#![expect(unsafe_code, reason = "adjtimex has no wrapper")]

use std::io;

/// Whether the kernel takes the clock to be synchronised: `STA_UNSYNC` of adjtimex(2) is not set.
/// A service that sets the clock clears it; the kernel sets it again when the estimated error
/// passes 16 s (`MAXPHASE` × 1000 of `include/linux/timex.h`; from memory).
///
/// # Errors
/// When the kernel refuses to tell.
pub(super) fn synchronised() -> io::Result<bool> {
    // SAFETY: every field of the structure is a plain number, for which all bits zero is a value.
    let mut state: libc::timex = unsafe { std::mem::zeroed() };
    // SAFETY: the structure outlives the call, which fills it; with no mode it changes nothing.
    match unsafe { libc::adjtimex(&raw mut state) } {
        -1 => Err(io::Error::last_os_error()),
        _ => Ok(state.status & libc::STA_UNSYNC == 0),
    }
}

#[cfg(test)]
mod tests {
    /// Confinements may refuse it; then that is said.
    #[test]
    fn the_kernel_answers_or_says_why_not() {
        if let Err(error) = super::synchronised() {
            assert!(error.raw_os_error().is_some(), "{error}");
        }
    }
}

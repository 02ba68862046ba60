//! What the allocator of the GNU C library is told.
#![expect(unsafe_code, reason = "the call has no wrapper")]

/// From so many bytes on, what is let go of goes back to the system at once.
const LARGE: libc::c_int = 1 << 20;
/// So much of what is small and no longer needed is kept at the end of the heap for what comes next.
const AT_HAND: libc::c_int = 4 << 20;

/// Lets large pieces of memory go back to the system when nothing needs them: by itself the allocator keeps
/// ever larger ones once it has seen some come and go, up to 32 MiB each (mallopt(3)). To be called before
/// any thread is started.
pub(crate) fn give_memory_back() {
    // SAFETY: the call takes two numbers and no pointer.
    unsafe {
        libc::mallopt(libc::M_MMAP_THRESHOLD, LARGE);
        libc::mallopt(libc::M_TRIM_THRESHOLD, AT_HAND);
    }
}

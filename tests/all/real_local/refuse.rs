//! Runs the program where the kernel refuses rings, as containers do.
#![expect(
    unsafe_code,
    reason = "a filter of system calls is set between fork and exec"
)]

use std::io;
use std::os::unix::process::CommandExt as _;
use std::process::Output;

/// The numbers of io_uring's three calls, the same on every architecture.
const RING_CALLS: std::ops::RangeInclusive<u32> = 425..=427;

/// Runs the program with these words, refusing it rings with `EPERM`.
pub(super) fn without_rings(words: &[&str]) -> io::Result<Output> {
    let mut command = crate::support::program();
    command.args(words);
    // SAFETY: between fork and exec only prctl is called, on values of this frame.
    unsafe { command.pre_exec(refuse_rings) };
    command.output()
}

fn refuse_rings() -> io::Result<()> {
    let step = |code: u32, k: u32, jt: u8, jf: u8| libc::sock_filter {
        code: code as u16,
        jt,
        jf,
        k,
    };
    let (load, jump, answer) = (
        libc::BPF_LD | libc::BPF_W | libc::BPF_ABS,
        libc::BPF_JMP | libc::BPF_JGE | libc::BPF_K,
        libc::BPF_RET | libc::BPF_K,
    );
    let (first, last) = (*RING_CALLS.start(), *RING_CALLS.end());
    let refused = libc::SECCOMP_RET_ERRNO | libc::EPERM as u32;
    // The number of the call stands at the beginning of what the filter sees.
    let mut steps = [
        step(load, 0, 0, 0),
        step(jump, first, 0, 2),
        step(jump, last + 1, 1, 0),
        step(answer, refused, 0, 0),
        step(answer, libc::SECCOMP_RET_ALLOW, 0, 0),
    ];
    let program = libc::sock_fprog {
        len: steps.len() as u16,
        filter: steps.as_mut_ptr(),
    };
    // SAFETY: the program and its steps outlive the call, which copies them.
    let set = unsafe {
        libc::prctl(libc::PR_SET_NO_NEW_PRIVS, 1, 0, 0, 0) == 0
            && libc::prctl(
                libc::PR_SET_SECCOMP,
                libc::SECCOMP_MODE_FILTER,
                &raw const program,
            ) == 0
    };
    if set {
        Ok(())
    } else {
        Err(io::Error::last_os_error())
    }
}

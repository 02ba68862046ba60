//! One run of a program: its time and its memory, as the kernel counted them.

use std::io::{BufRead as _, BufReader};
use std::process::{Command, Stdio};
use std::time::Instant;

use procfs::process::Process;

use super::Anyhow;

/// What a run took.
pub(super) struct Run {
    /// Seconds until it ended.
    pub(super) wall: f64,
    /// Seconds of processors, of the program and of the kernel for it.
    pub(super) processor: f64,
    /// Bytes of its largest resident set.
    pub(super) memory: u64,
}

/// Runs `program` to its end; what it prints is thrown away.
pub(super) fn run(program: &mut Command) -> Result<Run, Anyhow> {
    run_heard(program.stderr(Stdio::null()), &mut |_, _| ())
}

/// The same, and hands on each line of standard error, where it is piped, as it comes, with the seconds of
/// processors that the program had taken by then.
pub(super) fn run_heard(
    program: &mut Command,
    hear: &mut dyn FnMut(&str, f64),
) -> Result<Run, Anyhow> {
    let begun = Instant::now();
    let mut child = program.stdout(Stdio::null()).spawn()?;
    if let Some(output) = child.stderr.take() {
        let process = Process::new(child.id().cast_signed())?;
        for line in BufReader::new(output).lines() {
            let used = process.stat()?;
            let ticks = (used.utime + used.stime) as f64;
            hear(&line?, ticks / procfs::ticks_per_second() as f64);
        }
    }
    let (status, usage) = wait(child.id())?;
    let wall = begun.elapsed().as_secs_f64();
    if status != 0 {
        return Err(format!("{program:?} ended with status {status}").into());
    }
    let seconds = |time: libc::timeval| time.tv_sec as f64 + time.tv_usec as f64 / 1e6;
    Ok(Run {
        wall,
        processor: seconds(usage.ru_utime) + seconds(usage.ru_stime),
        // Linux counts KiB.
        memory: usage.ru_maxrss as u64 * 1024,
    })
}

/// Waits for the child `id`, which nobody else waits for: its status, and what it used.
#[expect(
    unsafe_code,
    reason = "the standard library does not tell what a child used"
)]
fn wait(id: u32) -> Result<(i32, libc::rusage), Anyhow> {
    let mut status = 0;
    // SAFETY: all zeros are a value of this plain struct, and both pointers are to live locals.
    let (waited, usage) = unsafe {
        let mut usage: libc::rusage = std::mem::zeroed();
        let waited = libc::wait4(id as libc::pid_t, &raw mut status, 0, &raw mut usage);
        (waited, usage)
    };
    match waited {
        -1 => Err(std::io::Error::last_os_error().into()),
        _ => Ok((status, usage)),
    }
}

//! Two processes: one works on the share, the other waits for it and is what the shell sees.
//!
//! A process does not end before its last system call does, killed or not; and a call on a share that
//! has stopped answering may not end before the share answers. So the process that was started
//! never touches the share. It passes signals on, and when the other says how it ended, or is gone,
//! it ends the same way: at once, even if a part of the other is stuck in the kernel.
#![expect(
    unsafe_code,
    clippy::disallowed_methods,
    clippy::disallowed_types,
    reason = "forking and signal handlers have no safe interface; what is known of a process is in files"
)]

use std::fs::{self, File};
use std::io::{self, PipeReader, PipeWriter, Read as _, Write as _};
use std::sync::OnceLock;
use std::sync::atomic::{AtomicI32, Ordering::SeqCst};
use std::sync::mpsc::{self, RecvTimeoutError};
use std::thread;
use std::time::{Duration, Instant};

use rustix::process::{
    Pid, Signal, WaitOptions, WaitStatus, getpid, getppid, set_parent_process_death_signal, waitpid,
};
use rustix::stdio::{dup2_stderr, dup2_stdin, dup2_stdout};

use super::Exit;

/// The process that works, in the one that waits for it.
static WORKER: AtomicI32 = AtomicI32::new(0);
/// Where the process that works says how it ended.
static SAYING: OnceLock<PipeWriter> = OnceLock::new();
/// Signals that are passed on.
const PASSED_ON: [libc::c_int; 3] = [libc::SIGINT, libc::SIGTERM, libc::SIGHUP];
/// The process that works is looked at so often.
const LOOK: Duration = Duration::from_millis(250);
/// So long its end is awaited, once it has said how it ended.
const LEAVING: Duration = Duration::from_secs(1);
/// The exit code of a process that a signal ended is this much more (POSIX shells).
const SIGNALLED: u8 = 128;

/// Has `work` done by another process and returns how that ended. To be called before any thread is
/// started.
pub(super) fn supervised(work: impl FnOnce() -> Exit) -> u8 {
    let Ok((said, saying)) = io::pipe() else {
        // Where nothing can be had, there is still the work itself.
        return work().code();
    };
    let waiting = getpid();
    // SAFETY: this process has one thread, so the child's memory is as whole as its own.
    match unsafe { libc::fork() } {
        -1 => work().code(),
        0 => {
            drop(said);
            // Whoever ends the process that was started, means the work.
            let bound = set_parent_process_death_signal(Some(Signal::KILL));
            if bound.is_err() || getppid() != Some(waiting) {
                std::process::exit(1);
            }
            SAYING.set(saying).expect("it is set here alone");
            end(work())
        }
        worker => {
            drop(saying);
            WORKER.store(worker, SeqCst);
            PASSED_ON.into_iter().for_each(pass_on_signals);
            wait(worker, said)
        }
    }
}

/// Ends the program at once. In the process that works, what the system keeps of it for a share that
/// does not answer holds nothing of the person's: no lock, no pipe.
pub(super) fn end(exit: Exit) -> ! {
    // A reader that has gone away misses nothing.
    drop(io::stdout().flush());
    if let Some(mut saying) = SAYING.get() {
        // Where nobody waits any more, nobody wants to know.
        drop(saying.write_all(&[exit.code()]));
        if let Ok(nothing) = File::options().read(true).write(true).open("/dev/null") {
            // What cannot be redirected is closed by the system, maybe later.
            let _ = dup2_stdin(&nothing);
            let _ = dup2_stdout(&nothing);
            let _ = dup2_stderr(&nothing);
        }
    }
    std::process::exit(i32::from(exit.code()))
}

/// Waits until the worker says how it ended, or is gone; the exit code.
fn wait(worker: libc::pid_t, mut said: PipeReader) -> u8 {
    let (tell, told) = mpsc::channel();
    thread::spawn(move || {
        let mut code = [0];
        let told = said.read(&mut code).is_ok_and(|bytes| bytes == 1);
        // The receiver may be content already.
        let _ = tell.send(told.then_some(code[0]));
    });
    loop {
        match told.recv_timeout(LOOK) {
            Ok(Some(code)) => {
                leave(worker);
                return code;
            }
            Ok(None) | Err(RecvTimeoutError::Disconnected) => {
                return ended(worker, WaitOptions::empty()).unwrap_or(Exit::Failed.code());
            }
            Err(RecvTimeoutError::Timeout) if is_ending(worker) => {
                let code = leave(worker);
                // It was ended by a signal, and is held by a share that does not answer.
                return code.unwrap_or(SIGNALLED + Signal::KILL.as_raw() as u8);
            }
            Err(RecvTimeoutError::Timeout) => {}
        }
    }
}

/// Waits for the worker's end, but not for long; its exit code, if it has ended.
fn leave(worker: libc::pid_t) -> Option<u8> {
    let begun = Instant::now();
    while begun.elapsed() < LEAVING {
        let ended = ended(worker, WaitOptions::NOHANG);
        if ended.is_some() {
            return ended;
        }
        thread::sleep(Duration::from_millis(1));
    }
    None
}

/// How the worker has ended, if it has.
fn ended(worker: libc::pid_t, options: WaitOptions) -> Option<u8> {
    let (_, status) = waitpid(Pid::from_raw(worker), options).ok().flatten()?;
    Some(code(status))
}

fn code(status: WaitStatus) -> u8 {
    match (status.exit_status(), status.terminating_signal()) {
        (Some(code), _) => code as u8,
        (None, Some(signal)) => SIGNALLED + signal as u8,
        (None, None) => Exit::Failed.code(),
    }
}

/// Whether the worker's first thread has ended, which is the end of all but those that are stuck.
fn is_ending(worker: libc::pid_t) -> bool {
    let status = fs::read_to_string(format!("/proc/{worker}/stat")).unwrap_or_default();
    // The name in brackets may hold anything.
    let state = status.rsplit_once(')').map(|(_, rest)| rest.trim_start());
    state.is_some_and(|state| state.starts_with('Z'))
}

/// Lets `signal` reach the worker, unless whoever started the program had it ignored.
fn pass_on_signals(signal: libc::c_int) {
    // SAFETY: the structures are plain data; the handler only calls kill, which may be called there.
    unsafe {
        let mut action: libc::sigaction = std::mem::zeroed();
        action.sa_sigaction = pass_on as extern "C" fn(libc::c_int) as usize;
        action.sa_flags = libc::SA_RESTART;
        let mut before: libc::sigaction = std::mem::zeroed();
        let set = libc::sigaction(signal, &raw const action, &raw mut before) == 0;
        if set && before.sa_sigaction == libc::SIG_IGN {
            libc::sigaction(signal, &raw const before, std::ptr::null_mut());
        }
    }
}

extern "C" fn pass_on(signal: libc::c_int) {
    // SAFETY: kill takes any numbers; the worker has not been reaped, or this process is ending.
    unsafe { libc::kill(WORKER.load(SeqCst), signal) };
}

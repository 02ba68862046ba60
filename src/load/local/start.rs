//! Streams that start together: none before all are ready, and the first to go starts the clock.

use std::io;
use std::sync::mpsc::RecvTimeoutError;
use std::sync::{OnceLock, RwLock, mpsc};
use std::thread;
use std::time::{Duration, Instant};

use super::trial::Clock;
use crate::facts::counters::Scheduled;
use crate::probe;
use crate::sys::processor_time;
use crate::units::Nanos;

/// What came of lanes that started together.
pub(super) struct Together<Seen> {
    /// What each saw.
    pub(super) seen: Vec<Seen>,
    /// The clock that all of them had, which still runs.
    pub(super) clock: Clock,
    /// Processor time of this process until the last had done its work, with what the kernel's own workers did for it.
    pub(super) processor: Nanos,
    /// How the lanes' threads, taken together, ran and waited for a processor, where the kernel tells.
    pub(super) scheduled: Option<Scheduled>,
}

/// Makes `count` lanes, each on the thread that works on it, and works on all of them from one
/// moment on; what each saw, and what [`processor_time`] was when its work was done. Making a lane
/// allocates what it needs, so that nothing of it falls into the measured time, nor does what a lane clears
/// away afterwards. Meanwhile the caller's thread does `attend` at the times that it asks for, if it asks for
/// any.
///
/// # Errors
/// When a thread cannot be started or a lane not be made; then none was worked on.
pub(super) fn together<Lane, Seen: Send, Error: From<io::Error> + Send>(
    count: usize,
    make: impl Fn() -> Result<Lane, Error> + Sync,
    work: impl Fn(Lane, Clock) -> (Seen, u64) + Sync,
    attend: impl Fn(Nanos) -> Option<Nanos>,
) -> Result<Together<Seen>, Error> {
    let (gate, clock) = (RwLock::new(false), OnceLock::new());
    let (tell, told) = mpsc::channel();
    // Nothing is ever sent: that nobody is left who could, tells that all have ended.
    let (hold, held) = mpsc::channel::<()>();
    let one = |tell: mpsc::Sender<Result<(), Error>>, _hold| {
        let lane = match make() {
            Ok(lane) => lane,
            Err(error) => {
                // Whoever is told has ended only where another lane failed first.
                drop(tell.send(Err(error)));
                return None;
            }
        };
        // Asking takes processor time, which is counted from the moment at which all are ready.
        let before = probe::scheduled();
        drop(tell.send(Ok(())));
        drop(tell);
        // Held by the caller until all lanes are ready.
        let go = *gate.read().expect("the gate's holder does not panic");
        go.then(|| {
            let (seen, done) = work(lane, *clock.get_or_init(|| Clock(Instant::now())));
            let scheduled = before.zip(probe::scheduled());
            let scheduled = scheduled.map(|(before, after)| after.since(before));
            (seen, scheduled, done)
        })
    };
    let mut closed = gate.write().expect("nobody has touched the gate");
    let (ended, processor) = thread::scope(|scope| {
        let start = |_| {
            let (one, tell, hold) = (&one, tell.clone(), hold.clone());
            thread::Builder::new().spawn_scoped(scope, move || one(tell, hold))
        };
        let started: io::Result<Vec<_>> = (0..count).map(start).collect();
        drop((tell, hold));
        let ready = match &started {
            Ok(_) => told.iter().collect(),
            Err(error) => Err(io::Error::from(error.kind()).into()),
        };
        *closed = ready.is_ok();
        let before = processor_time();
        drop(closed);
        let now = || clock.get().map_or(Nanos(0), |clock: &Clock| clock.now());
        let mut next = attend(Nanos(0)).filter(|_| ready.is_ok());
        while let Some(moment) = next
            && held.recv_timeout(Duration::from(moment - now())) == Err(RecvTimeoutError::Timeout)
        {
            next = attend(now());
        }
        let lanes = started.into_iter().flatten();
        let ended = lanes.filter_map(|lane| lane.join().expect("no lane panics"));
        let ended: Vec<(Seen, Option<Scheduled>, u64)> = ended.collect();
        let done = ended.iter().map(|(_, _, done)| *done).max();
        let spent = done.map_or(0, |done| done - before);
        ready.map(|()| (ended, Nanos(spent)))
    })?;
    let clock = clock.into_inner().unwrap_or_else(|| Clock(Instant::now()));
    let ended = ended
        .into_iter()
        .map(|(seen, scheduled, _)| (seen, scheduled));
    let (seen, scheduled): (Vec<Seen>, Vec<Option<Scheduled>>) = ended.unzip();
    Ok(Together {
        seen,
        clock,
        processor,
        scheduled: scheduled.into_iter().sum(),
    })
}

#[cfg(test)]
mod tests {
    use std::sync::atomic::{AtomicU64, AtomicUsize, Ordering::SeqCst};

    use super::*;
    use crate::sys::thread_time;

    #[test]
    fn nothing_is_worked_on_before_everything_is_made() {
        let made = AtomicUsize::new(0);
        let make = || Ok::<_, io::Error>(made.fetch_add(1, SeqCst));
        let work = |lane, clock: Clock| ((lane, made.load(SeqCst), clock.0), processor_time());
        let Together { seen, clock, .. } = together(20, make, work, |_| None).unwrap();
        assert_eq!(seen.len(), 20);
        assert!(seen.iter().all(|(_, made, _)| *made == 20), "{seen:?}");
        assert!(
            seen.iter().all(|(_, _, begun)| *begun == clock.0),
            "one clock"
        );
    }

    #[test]
    fn what_is_to_be_attended_to_is_until_all_have_ended() {
        let (asked, worked) = (AtomicUsize::new(0), AtomicUsize::new(0));
        let work = |(), _| {
            while asked.load(SeqCst) < 4 {
                std::thread::yield_now();
            }
            (worked.fetch_add(1, SeqCst), processor_time())
        };
        // Four times, a millisecond after one another, and then in an hour: nobody waits for that.
        let attend = |now: Nanos| match asked.fetch_add(1, SeqCst) {
            0..3 => Some(now + Nanos::MILLI),
            _ => Some(now + Nanos(3_600 * Nanos::SECOND.0)),
        };
        let begun = Instant::now();
        together(3, || Ok::<_, io::Error>(()), work, attend).unwrap();
        assert_eq!((asked.into_inner(), worked.into_inner()), (4, 3));
        assert!(begun.elapsed() < Duration::from_secs(600));
    }

    #[test]
    fn what_lanes_cost_is_told() {
        let own = || thread_time().expect("told where tests run");
        let (counted, cleared) = (AtomicU64::new(0), AtomicU64::new(0));
        let busy = |until: u64| while own() < until {};
        let work = |(), _| {
            busy(20_000_000);
            let done = processor_time();
            counted.fetch_max(done, SeqCst);
            busy(40_000_000);
            cleared.fetch_max(processor_time(), SeqCst);
            ((), done)
        };
        let begun = processor_time();
        let done = together(2, || Ok::<_, io::Error>(()), work, |_| None).unwrap();
        let least = Nanos(30_000_000);
        assert!(done.processor >= least, "{}", done.processor);
        // What comes afterwards is not counted.
        let counted = Nanos(counted.into_inner() - begun);
        assert!(done.processor <= counted, "{} of {counted}", done.processor);
        assert!(cleared.into_inner() - begun > counted.0);
        // The kernel need not tell; where it does, both ran.
        if let Some(Scheduled { ran, .. }) = done.scheduled {
            assert!(ran > Nanos(0), "{ran}");
        }
    }

    #[test]
    fn nothing_is_worked_on_when_one_cannot_be_made() {
        let made = AtomicUsize::new(0);
        let make = || match made.fetch_add(1, SeqCst) {
            3 => Err(io::Error::other("refused")),
            lane => Ok(lane),
        };
        let worked = AtomicUsize::new(0);
        let work = |_, _| (worked.fetch_add(1, SeqCst), processor_time());
        let Err(error) = together(8, make, work, |_| None) else {
            panic!("one was refused");
        };
        assert_eq!(
            (error.to_string().as_str(), worked.into_inner()),
            ("refused", 0)
        );
    }
}

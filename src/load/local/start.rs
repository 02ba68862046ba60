//! Streams that start together: none before all are ready, and the first to go starts the clock.

use std::io;
use std::sync::{OnceLock, RwLock, mpsc};
use std::thread;
use std::time::Instant;

use super::trial::Clock;

/// Makes `count` lanes, each on the thread that works on it, and works on all of them from one
/// moment on; what each saw. Making a lane allocates what it needs, so that nothing of it falls into
/// the measured time.
///
/// # Errors
/// When a thread cannot be started or a lane not be made; then none was worked on.
pub(super) fn together<Lane, Seen: Send, Error: From<io::Error> + Send>(
    count: usize,
    make: impl Fn() -> Result<Lane, Error> + Sync,
    work: impl Fn(Lane, Clock) -> Seen + Sync,
) -> Result<(Vec<Seen>, Clock), Error> {
    let (gate, clock) = (RwLock::new(false), OnceLock::new());
    let (tell, told) = mpsc::channel();
    let one = |tell: mpsc::Sender<Result<(), Error>>| {
        let lane = match make() {
            Ok(lane) => lane,
            Err(error) => {
                // Whoever is told has ended only where another lane failed first.
                drop(tell.send(Err(error)));
                return None;
            }
        };
        drop(tell.send(Ok(())));
        drop(tell);
        // Held by the caller until all lanes are ready.
        let go = *gate.read().expect("the gate's holder does not panic");
        go.then(|| work(lane, *clock.get_or_init(|| Clock(Instant::now()))))
    };
    let mut closed = gate.write().expect("nobody has touched the gate");
    let seen = thread::scope(|scope| {
        let start = |_| {
            let (one, tell) = (&one, tell.clone());
            thread::Builder::new().spawn_scoped(scope, move || one(tell))
        };
        let started: io::Result<Vec<_>> = (0..count).map(start).collect();
        drop(tell);
        let ready = match &started {
            Ok(_) => told.iter().collect(),
            Err(error) => Err(io::Error::from(error.kind()).into()),
        };
        *closed = ready.is_ok();
        drop(closed);
        let lanes = started.into_iter().flatten();
        let seen = lanes.filter_map(|lane| lane.join().expect("no lane panics"));
        let seen: Vec<Seen> = seen.collect();
        ready.map(|()| seen)
    })?;
    let clock = clock.into_inner().unwrap_or_else(|| Clock(Instant::now()));
    Ok((seen, clock))
}

#[cfg(test)]
mod tests {
    use std::sync::atomic::{AtomicUsize, Ordering::SeqCst};

    use super::*;

    #[test]
    fn nothing_is_worked_on_before_everything_is_made() {
        let made = AtomicUsize::new(0);
        let make = || Ok::<_, io::Error>(made.fetch_add(1, SeqCst));
        let work = |lane, clock: Clock| (lane, made.load(SeqCst), clock.0);
        let (seen, clock) = together(20, make, work).unwrap();
        assert_eq!(seen.len(), 20);
        assert!(seen.iter().all(|(_, made, _)| *made == 20), "{seen:?}");
        assert!(
            seen.iter().all(|(_, _, begun)| *begun == clock.0),
            "one clock"
        );
    }

    #[test]
    fn nothing_is_worked_on_when_one_cannot_be_made() {
        let made = AtomicUsize::new(0);
        let make = || match made.fetch_add(1, SeqCst) {
            3 => Err(io::Error::other("refused")),
            lane => Ok(lane),
        };
        let worked = AtomicUsize::new(0);
        let work = |_, _| worked.fetch_add(1, SeqCst);
        let error = together(8, make, work).unwrap_err();
        assert_eq!(
            (error.to_string().as_str(), worked.into_inner()),
            ("refused", 0)
        );
    }
}

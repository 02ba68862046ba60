//! Attends work on a share from beginning to end. The work runs on a thread of its own; tokio waits
//! for it, for signals, for the clock that moves the bar, and for the watch over free space.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, Instant};

use tokio::sync::mpsc;
use tokio::task::spawn_blocking;
use tokio::time::{MissedTickBehavior, interval};

use super::screen::Screen;
use super::signals::Signals;
use super::sitting::{Event, NO_SPACE, STOPPED};
use super::supervise::end;
use super::{Exit, Failure, say};
use crate::load::Watch;
use crate::plan::keep_free;
use crate::probe;

/// One wish to end may arrive as several signals: from the terminal, from the shell, and passed on.
const ECHO: Duration = Duration::from_millis(300);

/// Runs `work` and shows its events on `screen`; Ctrl-C, and a share that gets too full, ask it
/// through `watch` to end. A second Ctrl-C ends the program at once.
pub(super) fn attend<T: Send + 'static>(
    share: &Path,
    watch: Arc<Watch>,
    screen: Screen,
    work: impl FnOnce(&mut dyn FnMut(Event)) -> T + Send + 'static,
) -> Result<T, Failure> {
    run(Some(share.to_owned()), watch, screen, work)
}

/// The same for work that only reads: a full share is no reason to end it.
pub(super) fn attend_reading<T: Send + 'static>(
    watch: Arc<Watch>,
    screen: Screen,
    work: impl FnOnce(&mut dyn FnMut(Event)) -> T + Send + 'static,
) -> Result<T, Failure> {
    run(None, watch, screen, work)
}

fn run<T: Send + 'static>(
    guarded: Option<PathBuf>,
    watch: Arc<Watch>,
    screen: Screen,
    work: impl FnOnce(&mut dyn FnMut(Event)) -> T + Send + 'static,
) -> Result<T, Failure> {
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(1)
        .enable_all()
        .build()?;
    let done = runtime.block_on(wait(guarded, watch, screen, work));
    // A look at a dead share that hangs must not keep the program alive.
    runtime.shutdown_background();
    done
}

async fn wait<T: Send + 'static>(
    guarded: Option<PathBuf>,
    watch: Arc<Watch>,
    mut screen: Screen,
    work: impl FnOnce(&mut dyn FnMut(Event)) -> T + Send + 'static,
) -> Result<T, Failure> {
    // Before any work, so that a signal never finds the share half touched and nobody listening.
    let mut signals = Signals::new()?;
    let mut asked: Option<Instant> = None;
    let (events, mut happened) = mpsc::unbounded_channel();
    // Nobody may be listening any more: the work goes on all the same.
    let mut work = spawn_blocking(move || work(&mut |event| drop(events.send(event))));
    let guard = guarded.map(|share| tokio::spawn(guard_space(share, Arc::clone(&watch))));
    let mut ticks = interval(Duration::from_millis(250));
    ticks.set_missed_tick_behavior(MissedTickBehavior::Delay);
    let joined = loop {
        tokio::select! {
            Some(event) = happened.recv() => screen.event(event, watch.bytes()),
            joined = &mut work => break joined,
            () = signals.next() => {
                // Remembered here: the watch may have been stopped for want of space before.
                match asked {
                    None => {
                        asked = Some(Instant::now());
                        watch.stop(STOPPED);
                        say("coming to an end after what is in flight (once more ends at once)");
                    }
                    Some(first) if first.elapsed() < ECHO => {}
                    Some(_) => {
                        say("ended at once; what was finished is kept");
                        end(Exit::Interrupted);
                    }
                }
            }
            _ = ticks.tick() => screen.tick(watch.bytes()),
        }
    };
    if let Some(guard) = guard {
        guard.abort();
    }
    while let Ok(event) = happened.try_recv() {
        screen.event(event, watch.bytes());
    }
    screen.close();
    joined.map_err(|error| Failure::new(Exit::Failed, error))
}

/// Stops the work when the share gets too full, whoever fills it.
async fn guard_space(share: PathBuf, watch: Arc<Watch>) {
    let mut ticks = interval(Duration::from_secs(1));
    ticks.set_missed_tick_behavior(MissedTickBehavior::Delay);
    loop {
        ticks.tick().await;
        let share = share.clone();
        let low = spawn_blocking(move || is_low(&share)).await;
        if low.unwrap_or(false) {
            watch.stop(NO_SPACE);
        }
    }
}

fn is_low(share: &Path) -> bool {
    probe::space(share).is_ok_and(|space| space.available < keep_free(space.total))
}

#[cfg(test)]
mod tests {
    use super::super::signals::ignored;
    use super::*;
    use rustix::process::{Signal as Number, getpid, kill_process};

    /// Signals reach the whole process, so this is one test. A signal that nobody listens to, or a
    /// first one that is taken for a second, ends it.
    #[test]
    fn the_first_signal_is_heard_from_the_beginning_and_after_any_other_end() {
        let folder = tempfile::tempdir().unwrap();
        // Whoever runs the tests may have ignored hang-ups, as nohup does.
        let heeded = |signal: &Number| ignored() & 1 << (signal.as_raw() - 1) == 0;
        let all = [Number::INT, Number::TERM, Number::HUP];
        for signal in all.into_iter().filter(heeded) {
            for earlier in [None, Some(NO_SPACE)] {
                let watch = Arc::new(Watch::default());
                if let Some(reason) = earlier {
                    watch.stop(reason);
                }
                let (watched, (heard, hears)) = (Arc::clone(&watch), std::sync::mpsc::channel());
                let work = move |_: &mut dyn FnMut(Event)| {
                    kill_process(getpid(), signal).unwrap();
                    // The watch tells when the signal was heard, but not after an earlier end.
                    let patience = if earlier.is_some() { 20 } else { 1_000 };
                    let waited = (0..patience).any(|_| {
                        std::thread::sleep(Duration::from_millis(10));
                        earlier.is_none() && watched.stopped()
                    });
                    heard.send(waited).unwrap();
                };
                attend(folder.path(), Arc::clone(&watch), Screen::new(false), work).unwrap();
                assert_eq!(hears.recv(), Ok(earlier.is_none()), "{signal:?}");
                assert_eq!(watch.reason(), Some(earlier.unwrap_or(STOPPED)));
            }
        }
    }
}

//! A share that is waited for only so long.
//!
//! A call on a share that has stopped answering may never return, and neither a signal nor a closed
//! handle ends it. So the share lives on a thread of its own, and whoever asks it looks whether
//! anything goes on there. Nothing does for too long: the thread is left alone, with all that it
//! has, because the kernel may still write into its buffers; and from then on every question has the
//! same answer.
#![expect(
    clippy::disallowed_methods,
    reason = "waiting for a share needs the clock"
)]

use std::fmt;
use std::ops::ControlFlow;
use std::path::Path;
use std::sync::mpsc::{self, Receiver, RecvTimeoutError, Sender};
use std::sync::{Arc, Weak};
use std::thread;
use std::time::{Duration, Instant};

use jiff::Timestamp;

use super::{Assignment, LoadError, LocalShare, Measured, Pace, Progress, Share, Span, Watch};
use crate::facts::Facts;
use crate::integrity::Expected;
use crate::plan::{DataFile, Space, TestData};

/// Whoever waits looks so often whether it goes on.
const TICK: Duration = Duration::from_millis(250);
/// What may take long is waited for so many times as long.
const SLOW: u32 = 10;
/// Once an end was asked for, nothing is waited for longer than this without a sign of progress.
const ENDING: Duration = Duration::from_secs(10);

/// A share on a thread of its own, given up when it does not answer.
pub struct Patient<S> {
    work: Sender<Work<S>>,
    name: String,
    patience: Duration,
    /// What was being done when it was given up, and after how many seconds.
    silent: Option<(&'static str, u64)>,
    /// Ends with the thread, which outlives this value where a call does not return.
    thread: Weak<()>,
}

type Work<S> = Box<dyn FnOnce(&mut S) + Send>;

impl<S: Share + Send + 'static> Patient<S> {
    /// `share`, which is mounted at `name` and given up after `patience` without progress; flushes
    /// and commands get ten times as long.
    pub fn new(mut share: S, name: &str, patience: Duration) -> Self {
        let (work, asked) = mpsc::channel::<Work<S>>();
        let held = Arc::new(());
        let mark = Arc::downgrade(&held);
        thread::spawn(move || {
            asked.iter().for_each(|work| work(&mut share));
            drop(held);
        });
        Self {
            work,
            name: name.to_owned(),
            patience,
            silent: None,
            thread: mark,
        }
    }

    /// Has an owner for as long as the share's thread lives: when this value is gone and the mark is
    /// not, a call hangs there still.
    pub fn thread(&self) -> Weak<()> {
        self.thread.clone()
    }

    /// Has `work` done on the share. It is `doing` something, and tells `watch` when it gets on.
    ///
    /// # Errors
    /// When nothing came of it for too long, now or earlier.
    pub fn ask<T: Send + 'static>(
        &mut self,
        doing: &'static str,
        watch: &Watch,
        work: impl FnOnce(&mut S) -> T + Send + 'static,
    ) -> Result<T, LoadError> {
        self.ask_and(doing, watch, work, &mut || ())
    }

    /// As [`Patient::ask`], doing something `meanwhile`, several times a second.
    fn ask_and<T: Send + 'static>(
        &mut self,
        doing: &'static str,
        watch: &Watch,
        work: impl FnOnce(&mut S) -> T + Send + 'static,
        meanwhile: &mut dyn FnMut(),
    ) -> Result<T, LoadError> {
        if let Some((doing, seconds)) = self.silent {
            return Err(silence(&self.name, doing, seconds));
        }
        let (tell, told) = mpsc::sync_channel(1);
        // Nobody may be listening any more: then nobody misses it.
        let work = move |share: &mut S| drop(tell.send(work(share)));
        self.work
            .send(Box::new(work))
            .expect("the share's thread ends with this value");
        wait(&told, self.patience, watch, meanwhile).map_err(|seconds| {
            self.silent = Some((doing, seconds));
            silence(&self.name, doing, seconds)
        })
    }
}

impl Patient<LocalShare> {
    /// [`LocalShare::read_back`] on the share's thread; what it tells is heard here.
    ///
    /// # Errors
    /// As there, and when the share does not answer.
    pub fn read_back(
        &mut self,
        data: &TestData,
        spans: Vec<Span>,
        expected: Expected,
        pace: Arc<Pace>,
        watch: &Watch,
        tell: &mut dyn FnMut(Progress) -> ControlFlow<()>,
    ) -> Result<(), LoadError> {
        let (data, watched) = (data.clone(), watch.clone());
        let (told, progress) = mpsc::channel();
        let work = move |share: &mut LocalShare| {
            let mut hear = |progress| match told.send(progress) {
                Ok(()) => ControlFlow::Continue(()),
                Err(_) => ControlFlow::Break(()),
            };
            share.read_back(&data, &spans, &expected, &pace, &watched, &mut hear)
        };
        // Where nobody wants to hear more, nobody listens, and that ends the work.
        let mut progress = Some(progress);
        let mut listen = || {
            let heard = progress.iter().flat_map(Receiver::try_iter);
            if heard.map(&mut *tell).any(|flow| flow.is_break()) {
                progress = None;
            }
        };
        self.ask_and("reading test data back", watch, work, &mut listen)?
    }
}

impl<S> fmt::Debug for Patient<S> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Patient")
            .field("name", &self.name)
            .field("silent", &self.silent)
            .finish_non_exhaustive()
    }
}

/// Does `work`, which asks something of `share`, within `patience`, or as long as `watch` tells that
/// it gets on. It is `doing` something.
///
/// # Errors
/// When nothing has come of it by then; it may be under way for ever.
pub fn within<T: Send + 'static>(
    patience: Duration,
    share: &Path,
    doing: &'static str,
    watch: &Watch,
    work: impl FnOnce() -> T + Send + 'static,
) -> Result<T, LoadError> {
    let (tell, told) = mpsc::sync_channel(1);
    thread::spawn(move || drop(tell.send(work())));
    let waited = wait(&told, patience, watch, &mut || ());
    waited.map_err(|seconds| silence(&share.display().to_string(), doing, seconds))
}

/// Hears all that is `told` by whoever is `doing` something on `share`, until nobody is left to tell
/// or `hear` breaks.
///
/// # Errors
/// When for `patience` nothing was told and `watch` did not tell either that it gets on.
pub fn hear<T>(
    patience: Duration,
    share: &Path,
    doing: &'static str,
    watch: &Watch,
    told: &Receiver<T>,
    hear: &mut dyn FnMut(T) -> ControlFlow<()>,
) -> Result<(), LoadError> {
    let (mut waiting, mut before) = (Waiting::begin(watch), Instant::now());
    loop {
        match told.recv_timeout(TICK) {
            Ok(told) => {
                if hear(told).is_break() {
                    return Ok(());
                }
                (waiting, before) = (Waiting::begin(watch), Instant::now());
                continue;
            }
            Err(RecvTimeoutError::Disconnected) => return Ok(()),
            Err(RecvTimeoutError::Timeout) => {}
        }
        let now = Instant::now();
        waiting.tick(now - before, watch);
        before = now;
        if waiting.is_over(patience, watch) {
            let seconds = waiting.waited.as_secs();
            return Err(silence(&share.display().to_string(), doing, seconds));
        }
    }
}

fn silence(share: &str, doing: &'static str, seconds: u64) -> LoadError {
    LoadError::Silent {
        share: share.to_owned(),
        doing,
        seconds,
    }
}

/// What is told; or after how many seconds without any sign it was given up. What is to be done
/// `meanwhile` is done with each look, and once more at the end.
fn wait<T>(
    told: &Receiver<T>,
    patience: Duration,
    watch: &Watch,
    meanwhile: &mut dyn FnMut(),
) -> Result<T, u64> {
    let (mut waiting, mut before) = (Waiting::begin(watch), Instant::now());
    loop {
        let heard = told.recv_timeout(TICK);
        meanwhile();
        match heard {
            Ok(told) => return Ok(told),
            Err(RecvTimeoutError::Disconnected) => panic!("the work on the share broke off"),
            Err(RecvTimeoutError::Timeout) => {}
        }
        let now = Instant::now();
        waiting.tick(now - before, watch);
        before = now;
        if waiting.is_over(patience, watch) {
            return Err(waiting.waited.as_secs());
        }
    }
}

/// How long nothing has moved.
struct Waiting {
    waited: Duration,
    seen: (u64, u64),
}

impl Waiting {
    fn begin(watch: &Watch) -> Self {
        Self {
            waited: Duration::ZERO,
            seen: watch.progress(),
        }
    }

    /// So much time went by since the last look.
    fn tick(&mut self, span: Duration, watch: &Watch) {
        // A program that was halted and goes on has not waited meanwhile, and neither has the share.
        self.waited += span.min(2 * TICK);
        let progress = watch.progress();
        if progress != self.seen {
            (self.seen, self.waited) = (progress, Duration::ZERO);
        }
    }

    fn is_over(&self, patience: Duration, watch: &Watch) -> bool {
        let mut most = patience;
        if watch.stopped() {
            most = most.min(ENDING);
        }
        if watch.slow() {
            most *= SLOW;
        }
        self.waited >= most
    }
}

impl<S: Share + Send + 'static> Share for Patient<S> {
    fn now(&self) -> Timestamp {
        Timestamp::now()
    }

    fn facts(&mut self) -> Facts {
        let facts = self.ask("asking what it is", &Watch::default(), S::facts);
        facts.unwrap_or_else(|silent| Facts {
            missing: vec![silent.to_string()],
            ..Facts::default()
        })
    }

    fn space(&mut self) -> Result<Space, LoadError> {
        self.ask("asking for its free space", &Watch::default(), S::space)?
    }

    fn open_folder(&mut self, data: &TestData) -> Result<(), LoadError> {
        let data = data.clone();
        self.ask(
            "opening the test-data folder",
            &Watch::default(),
            move |share| share.open_folder(&data),
        )?
    }

    fn lay_down(&mut self, file: &DataFile, watch: &Watch) -> Result<(), LoadError> {
        let (file, watched) = (file.clone(), watch.clone());
        self.ask("laying down test data", watch, move |share| {
            share.lay_down(&file, &watched)
        })?
    }

    fn discard(&mut self, file: &DataFile) -> Result<(), LoadError> {
        let file = file.clone();
        self.ask("removing test data", &Watch::default(), move |share| {
            share.discard(&file)
        })?
    }

    fn run(&mut self, assignment: &Assignment<'_>, watch: &Watch) -> Result<Measured, LoadError> {
        let (workload, data) = (assignment.workload.clone(), assignment.data.clone());
        let (pattern, drive) = (assignment.pattern.clone(), assignment.drive.clone());
        let Assignment {
            length,
            until,
            first,
            reach,
            trial,
            observe,
            ..
        } = *assignment;
        let watched = watch.clone();
        self.ask("measuring", watch, move |share| {
            let assignment = Assignment {
                workload: &workload,
                pattern,
                data: &data,
                length,
                until,
                first,
                reach,
                trial,
                drive,
                observe,
            };
            share.run(&assignment, &watched)
        })?
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Bytes;

    /// A share that answers what it is sent, and nothing before that.
    struct Slow(Receiver<Space>);

    impl Share for Slow {
        fn now(&self) -> Timestamp {
            Timestamp::UNIX_EPOCH
        }

        fn facts(&mut self) -> Facts {
            Facts::default()
        }

        fn space(&mut self) -> Result<Space, LoadError> {
            self.0.recv().map_err(|_| LoadError::Stopped)
        }

        fn open_folder(&mut self, _: &TestData) -> Result<(), LoadError> {
            Ok(())
        }

        fn lay_down(&mut self, _: &DataFile, _: &Watch) -> Result<(), LoadError> {
            Ok(())
        }

        fn discard(&mut self, _: &DataFile) -> Result<(), LoadError> {
            Ok(())
        }

        fn run(&mut self, _: &Assignment<'_>, _: &Watch) -> Result<Measured, LoadError> {
            Err(LoadError::Stopped)
        }
    }

    #[test]
    fn a_share_that_does_not_answer_is_given_up_for_good() {
        let (answer, answers) = mpsc::channel();
        let room = Space {
            total: Bytes(9),
            available: Bytes(5),
        };
        answer.send(room).unwrap();
        let mut share = Patient::new(Slow(answers), "/mnt/scans", Duration::from_secs(1));
        assert_eq!(share.space().unwrap(), room);
        let said = share.space().unwrap_err().to_string();
        let wanted = "the share /mnt/scans has not answered for 1 s (asking for its free space)";
        assert!(said.starts_with(wanted), "{said}");
        // It answers now, and is not asked again: whatever was under way may still be.
        answer.send(room).unwrap();
        assert_eq!(share.space().unwrap_err().to_string(), said);
        assert_eq!(share.facts().missing, [said]);
    }

    #[test]
    fn what_may_never_come_back_is_left_alone() {
        let (_answer, answers) = mpsc::channel::<()>();
        let share = Path::new("/mnt/scans");
        let error = within(
            Duration::from_millis(1),
            share,
            "looking",
            &Watch::default(),
            move || answers.recv(),
        );
        assert!(matches!(error, Err(LoadError::Silent { .. })), "{error:?}");
    }

    /// Looks at it so many times, a tick apart; whether patience has ended.
    fn look(waiting: &mut Waiting, watch: &Watch, ticks: u32) -> bool {
        (0..ticks).for_each(|_| waiting.tick(TICK, watch));
        waiting.is_over(Duration::from_secs(60), watch)
    }

    #[test]
    fn patience_begins_anew_with_each_sign_and_is_longer_for_flushes() {
        let watch = Watch::default();
        let mut waiting = Waiting::begin(&watch);
        assert!(!look(&mut waiting, &watch, 239));
        watch.step();
        assert!(!look(&mut waiting, &watch, 240));
        watch.add(4096);
        assert!(!look(&mut waiting, &watch, 240));
        assert!(look(&mut waiting, &watch, 1));
        watch.slowly(|| {
            assert!(!look(&mut waiting, &watch, 2_000));
            assert!(look(&mut waiting, &watch, 400));
        });
        let mut waiting = Waiting::begin(&watch);
        watch.stop("stopped");
        assert!(
            !look(&mut waiting, &watch, 39),
            "what is in flight is awaited"
        );
        assert!(look(&mut waiting, &watch, 1));
    }

    #[test]
    fn time_in_which_the_program_was_halted_does_not_count() {
        let watch = Watch::default();
        let mut waiting = Waiting::begin(&watch);
        waiting.tick(Duration::from_secs(86_400), &watch);
        assert!(!waiting.is_over(Duration::from_secs(60), &watch));
    }
}

//! Probing that outlives its share: after a power cut, or while the share is not mounted, it is opened
//! anew when it is tried again. When that is, the loop decides.

use std::fmt;
use std::sync::{Arc, Weak};

use super::probing::Course;
use super::{Place, Probed, Prober};
use crate::load::LoadError;

/// Opens the share for probing; sets the mark of the thread on which the share lives.
type Open = dyn Fn(&mut Weak<()>) -> Result<Prober, LoadError> + Send + Sync;

/// One prober after another of the same share.
pub struct Probers {
    open: Arc<Open>,
    now: Option<Prober>,
    /// Where the one before stood.
    course: Option<Course>,
    /// The share's thread. One that hangs in a call is waited for: each new one could hang there too.
    thread: Weak<()>,
}

impl Probers {
    /// Probers that `open` makes, the first of them with the first probe.
    pub fn new(
        open: impl Fn(&mut Weak<()>) -> Result<Prober, LoadError> + Send + Sync + 'static,
    ) -> Self {
        Self {
            open: Arc::new(open),
            now: None,
            course: None,
            thread: Weak::new(),
        }
    }

    /// Others like these, which know nothing of them.
    pub(super) fn afresh(&self) -> Self {
        Self {
            open: Arc::clone(&self.open),
            now: None,
            course: self.course,
            thread: self.thread.clone(),
        }
    }

    /// Probes for `seconds`, at least one, and opens the share before where it has to be. Blocks.
    pub fn probe(&mut self, seconds: u64, place: Place) -> Probed {
        let prober = match self.opened() {
            Ok(prober) => prober,
            Err(why) => {
                return Probed {
                    rows: Vec::new(),
                    lost: Some(why),
                };
            }
        };
        let probed = Probed::of(prober.probe(seconds, place));
        self.course = Some(prober.course());
        if probed.lost.is_some() {
            // With it goes the share's thread, unless it hangs.
            self.now = None;
        }
        probed
    }

    fn opened(&mut self) -> Result<&mut Prober, String> {
        if self.now.is_none() {
            if self.thread.strong_count() > 0 {
                return Err("the share has not answered the latest question yet".to_owned());
            }
            let mut opened = (self.open)(&mut self.thread).map_err(|error| error.to_string())?;
            if let Some(course) = self.course {
                opened.resume(course);
            }
            self.now = Some(opened);
        }
        Ok(self.now.as_mut().expect("it is opened just above"))
    }

    /// Probes half as often; `false` when that would be too seldom.
    pub fn slow_down(&mut self) -> bool {
        let now = self.now.as_ref().map(Prober::course);
        let Some(mut course) = now.or(self.course) else {
            return true;
        };
        let goes_on = course.slow_down();
        self.course = Some(course);
        if let Some(prober) = &mut self.now {
            prober.resume(course);
        }
        goes_on
    }
}

impl fmt::Debug for Probers {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Probers")
            .field("now", &self.now)
            .field("course", &self.course)
            .finish_non_exhaustive()
    }
}

#[cfg(test)]
mod tests {
    use std::sync::Mutex;
    use std::sync::atomic::{AtomicUsize, Ordering};

    use jiff::Timestamp;

    use super::*;
    use crate::facts::Facts;
    use crate::load::{Assignment, Measured, Share, Watch};
    use crate::plan::{DataFile, Space, TestData};
    use crate::report::testing::{Scene, study};
    use crate::seed::Seed;
    use crate::sim::{SimulatedShare, demo_scenario};
    use crate::study::ProbeRow;

    /// A made-up share that can be unplugged.
    struct Plugged {
        share: SimulatedShare,
        out: Arc<Mutex<bool>>,
    }

    impl Plugged {
        fn plug(&self) -> Result<(), LoadError> {
            match *self.out.lock().unwrap() {
                true => Err(LoadError::Stopped),
                false => Ok(()),
            }
        }
    }

    impl Share for Plugged {
        fn now(&self) -> Timestamp {
            self.share.now()
        }

        fn facts(&mut self) -> Facts {
            self.share.facts()
        }

        fn space(&mut self) -> Result<Space, LoadError> {
            self.share.space()
        }

        fn open_folder(&mut self, data: &TestData) -> Result<(), LoadError> {
            self.plug()?;
            self.share.open_folder(data)
        }

        fn lay_down(&mut self, file: &DataFile, watch: &Watch) -> Result<(), LoadError> {
            self.share.lay_down(file, watch)
        }

        fn discard(&mut self, file: &DataFile) -> Result<(), LoadError> {
            self.share.discard(file)
        }

        fn run(
            &mut self,
            assignment: &Assignment<'_>,
            watch: &Watch,
        ) -> Result<Measured, LoadError> {
            self.plug()?;
            self.share.run(assignment, watch)
        }
    }

    #[test]
    fn an_unplugged_share_is_opened_anew_and_probing_goes_on_in_its_order() {
        let study = study(Scene::Simulated);
        let (out, opened) = (Arc::new(Mutex::new(false)), Arc::new(AtomicUsize::new(0)));
        let (plug, counted) = (Arc::clone(&out), Arc::clone(&opened));
        let mut probers = Probers::new(move |_| {
            counted.fetch_add(1, Ordering::SeqCst);
            let share = SimulatedShare::new(demo_scenario(Seed(8))).unwrap();
            let out = Arc::clone(&plug);
            Prober::new(Box::new(Plugged { share, out }), &study)
        });
        let small = |probed: &Probed| {
            let row = probed.rows.iter().find(|row| row.kind == ProbeRow::SMALL);
            row.map(|row| row.next_operation)
        };
        let first = probers.probe(60, Place::default());
        assert_eq!(first.lost, None);
        assert!(probers.slow_down());
        *out.lock().unwrap() = true;
        let lost = probers.probe(60, Place::default());
        assert!(lost.lost.is_some() && !lost.rows.is_empty(), "{lost:?}");
        // Nothing is read where nothing can be opened.
        let still = probers.probe(60, Place::default());
        assert!(still.lost.is_some() && still.rows.is_empty(), "{still:?}");
        *out.lock().unwrap() = false;
        let back = probers.probe(60, Place::default());
        assert_eq!(back.lost, None);
        assert!(small(&back) > small(&first), "{back:?} after {first:?}");
        let row = back.rows.last().unwrap();
        assert!(row.period_s.unwrap() >= 3.0, "half as often: {row:?}");
        assert_eq!(opened.load(Ordering::SeqCst), 3);
    }

    #[test]
    fn a_thread_that_hangs_is_waited_for_before_another_is_begun() {
        let hanging = Arc::new(());
        let (mark, opened) = (Arc::downgrade(&hanging), Arc::new(AtomicUsize::new(0)));
        let counted = Arc::clone(&opened);
        let mut probers = Probers::new(move |thread| {
            counted.fetch_add(1, Ordering::SeqCst);
            *thread = mark.clone();
            Err(LoadError::Stopped)
        });
        for _ in 0..3 {
            assert!(probers.probe(1, Place::default()).lost.is_some());
        }
        assert_eq!(opened.load(Ordering::SeqCst), 1);
        drop(hanging);
        probers.probe(1, Place::default());
        assert_eq!(opened.load(Ordering::SeqCst), 2);
    }
}

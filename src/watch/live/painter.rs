//! Makes of a moment what is shown: markup, figures.

use std::sync::Arc;
use std::time::Duration;

use jiff::tz::TimeZone;
use tokio::sync::watch;
use tokio::task::spawn_blocking;

use super::Moment;
use crate::compare::now::Before;
use crate::report::{Dialect, Live, live_main, live_title, open_metrics};
use crate::reshape::Source;
use crate::study::{Study, Windows};
use crate::watch::Orders;

/// A browser without scripts looks again after a quarter of the time between readings, within these seconds.
const AGAIN: (u64, u64) = (5, 60);

/// What is shown of a moment.
#[derive(Clone, Debug, PartialEq)]
pub struct Painted {
    /// Title of the page.
    pub title: String,
    /// Inside of the page, as markup.
    pub main: String,
    /// Seconds after which a browser without scripts looks again.
    pub again: u64,
    /// Whether nothing will follow.
    pub over: bool,
    /// Figures for who asks for OpenMetrics.
    pub metrics: String,
    /// Figures for a file.
    pub figures: String,
}

/// Knows what never changes while a watch runs.
#[derive(Debug)]
pub struct Painter {
    study: Study,
    before: Before,
    source: Source,
    every: Duration,
    zone: TimeZone,
}

impl Painter {
    /// A painter of the watch over `study` with these `orders`. Judges and compares its trials, once.
    pub fn new(study: &Study, orders: &Orders) -> Self {
        let before = Before::of(study);
        let mut study = study.clone();
        // Trials are not looked at again, and may be large.
        study.trials.clear();
        study.windows = Windows::default();
        study.observations.clear();
        Self {
            study,
            before,
            source: orders.source,
            every: orders.every,
            zone: orders.zone.clone(),
        }
    }

    /// What is shown of `moment`.
    pub fn paint(&mut self, moment: &Moment) -> Painted {
        self.study.progress.clone_from(&moment.progress);
        self.study.probes.clone_from(&moment.probes);
        let live = Live {
            study: &self.study,
            before: &self.before,
            seen: moment.seen.as_ref(),
            probing: moment.probing,
            notes: &moment.notes,
            over: moment.over,
            now: moment.at,
            source: self.source,
            every: self.every,
            zone: &self.zone,
        };
        Painted {
            title: live_title(&live),
            main: live_main(&live),
            again: (self.every.as_secs() / 4).clamp(AGAIN.0, AGAIN.1),
            over: moment.over.is_some(),
            metrics: open_metrics(&live, Dialect::Full),
            figures: open_metrics(&live, Dialect::Plain),
        }
    }

    /// Paints the latest moment whenever there is a new one, until there will be none.
    pub async fn paint_all(
        mut self,
        mut moments: watch::Receiver<Arc<Moment>>,
        painted: watch::Sender<Arc<Painted>>,
    ) {
        while moments.changed().await.is_ok() {
            // Taken out at once: the loop could not publish while it is borrowed.
            let moment = Arc::clone(&moments.borrow_and_update());
            let work = move || {
                let picture = self.paint(&moment);
                (self, picture)
            };
            // A fault in here ends the page, and never the watch.
            let Ok((painter, picture)) = spawn_blocking(work).await else {
                return;
            };
            self = painter;
            painted.send_replace(Arc::new(picture));
        }
    }
}

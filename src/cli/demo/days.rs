//! The days of the reshape: the follower, as `watch` runs it, and sittings beside it.

use std::time::Duration;

use jiff::SignedDuration;
use jiff::tz::TimeZone;

use super::told::Told;
use super::{Demo, HOURS, lines};
use crate::cli::{Exit, Failure, owner};
use crate::load::Share;
use crate::plan::Phase;
use crate::reshape::Source;
use crate::store::Follower;
use crate::text::typed;
use crate::watch::{MadeUp, Orders, Turns, follow};

/// Time between readings.
const EVERY: Duration = Duration::from_secs(300);
/// A reshape that lasts longer never ends.
const LONGEST: SignedDuration = SignedDuration::from_hours(24 * 30);

impl Demo {
    /// Follows the reshape to its end. A sitting puts full load on a pool that is busy enough: all
    /// are on one day.
    pub(super) fn days(&self) -> Result<(), Failure> {
        let begun = self.share.now();
        let mut store = Follower::open(&self.root, &owner("demo"), begun)?;
        let mut world = MadeUp::new(&self.share, store.study())
            .map_err(|error| Failure::new(Exit::Share, error))?;
        let orders = Orders {
            study: typed(&self.root),
            source: Source::Percent,
            array: None,
            every: EVERY,
            once: false,
            zone: TimeZone::UTC,
        };
        let mut told = Told::default();
        let mut tell = |event: crate::watch::Event<'_>| told.hear(event);
        let clock = world.clock();
        let mut turns = Turns::new(clock, follow(&mut world, &mut store, &orders, &mut tell));
        for hour in HOURS {
            turns.pass_until(self.next(hour));
            self.sitting(Phase::During, hour, &mut || turns.take())?;
        }
        turns.pass_until(begun + LONGEST);
        if turns.ended().is_none() {
            return Err(Failure::new(Exit::Failed, "the reshape did not end"));
        }
        drop(turns);
        let rows = (store.study().progress.len(), store.study().probes.len());
        lines(&told.end(begun, self.share.now(), rows));
        Ok(())
    }
}

//! The world around the follower of a made-up reshape, and how those who share its clock take turns.
//!
//! Days pass at once: the follower is polled until it rests, and whoever drives it lets the made-up
//! time pass, or holds a sitting on the same share meanwhile.

use std::cell::Cell;
use std::fmt;
use std::future::poll_fn;
use std::pin::Pin;
use std::rc::Rc;
use std::task::{Context, Poll, Waker};

use jiff::Timestamp;

use super::{Place, Probed, Prober, World};
use crate::load::{LoadError, Share};
use crate::sim::JointShare;
use crate::study::Study;
use crate::units::Nanos;

/// A made-up server with its share.
#[derive(Debug)]
pub struct MadeUp {
    clock: Clock,
    prober: Option<Prober>,
}

/// The clock of a made-up world.
#[derive(Clone, Debug)]
pub struct Clock {
    share: JointShare,
    /// When the one who rests goes on, in seconds since the begin of the scenario.
    wakes: Rc<Cell<f64>>,
}

impl Clock {
    fn seconds(&self) -> f64 {
        self.share.share().elapsed()
    }
}

impl MadeUp {
    /// The world around `share`, which is probed on the test data of `study`.
    ///
    /// # Errors
    /// When the folder of the test data cannot be opened.
    pub fn new(share: &JointShare, study: &Study) -> Result<Self, LoadError> {
        Ok(Self {
            clock: Clock {
                share: share.clone(),
                wakes: Rc::default(),
            },
            prober: Some(Prober::new(Box::new(share.clone()), study)?),
        })
    }

    /// Its clock.
    pub fn clock(&self) -> Clock {
        self.clock.clone()
    }
}

impl World for MadeUp {
    fn now(&self) -> Timestamp {
        self.clock.share.now()
    }

    fn steady(&self) -> f64 {
        self.clock.seconds()
    }

    async fn ask(&mut self) -> Result<String, String> {
        self.clock.share.share().status()
    }

    async fn members_read(&mut self) -> Option<u64> {
        self.clock.share.share().members_read()
    }

    fn can_probe(&self) -> bool {
        self.prober.is_some()
    }

    async fn probe(&mut self, seconds: u64, place: Place) -> Probed {
        let probes = |prober: &mut Prober| Probed::of(prober.probe(seconds, place));
        self.prober.as_mut().map_or_else(Probed::default, probes)
    }

    fn probe_less(&mut self) -> bool {
        let goes_on = self.prober.as_mut().is_some_and(Prober::slow_down);
        if !goes_on {
            self.prober = None;
        }
        goes_on
    }

    async fn rest(&mut self, seconds: f64) {
        let until = self.clock.seconds() + seconds;
        self.clock.wakes.set(until);
        let reached = |_: &mut Context<'_>| match self.clock.seconds() >= until {
            true => Poll::Ready(()),
            false => Poll::Pending,
        };
        poll_fn(reached).await;
    }

    async fn raise(&mut self, _: &str, _: &str) -> Result<(), String> {
        Ok(())
    }
}

/// A follower in a made-up world, taking turns with whatever else happens there.
pub struct Turns<'a, T> {
    clock: Clock,
    following: Pin<Box<dyn Future<Output = T> + 'a>>,
    ended: Option<T>,
}

impl<'a, T> Turns<'a, T> {
    /// Of `following`, which rests in the world with this `clock`.
    pub fn new(clock: Clock, following: impl Future<Output = T> + 'a) -> Self {
        Self {
            clock,
            following: Box::pin(following),
            ended: None,
        }
    }

    /// How the follower ended, if it did.
    pub fn ended(&self) -> Option<&T> {
        self.ended.as_ref()
    }

    /// Gives the follower its turn, if it rests no longer: between the trials of a sitting.
    pub fn take(&mut self) {
        let due = self.clock.seconds() >= self.clock.wakes.get();
        if !due || self.ended.is_some() {
            return;
        }
        let mut nobody = Context::from_waker(Waker::noop());
        if let Poll::Ready(ended) = self.following.as_mut().poll(&mut nobody) {
            self.ended = Some(ended);
        }
    }

    /// Lets time pass until `moment`, or until the follower has ended.
    pub fn pass_until(&mut self, moment: Timestamp) {
        let now = self.clock.share.now();
        let until = self.clock.seconds() + moment.duration_since(now).as_secs_f64();
        loop {
            self.take();
            let now = self.clock.seconds();
            if self.ended.is_some() || now >= until {
                return;
            }
            let next = self.clock.wakes.get().min(until);
            let span = Nanos::from_secs_f64(next - now).max(Nanos(1));
            self.clock.share.share().advance(span);
        }
    }
}

impl<T> fmt::Debug for Turns<'_, T> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Turns")
            .field("clock", &self.clock)
            .finish_non_exhaustive()
    }
}

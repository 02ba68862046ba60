//! Control reads: small reads beside a trial of which it is known how long ago their blocks were last read.
//!
//! What a trial reads may lie in caches that nobody asked. But a block that was read a moment ago lies in
//! every cache that keeps what is read, so its latency is that of the caches; and blocks that the trial is
//! about to read are a sample of it. The judge compares them. Reading twice to find a cache: N. C. Burnett, J. Bent,
//! A. C. Arpaci-Dusseau and R. H. Arpaci-Dusseau, *Exploiting Gray-Box Knowledge of Buffer-Cache
//! Management*, USENIX Annual Technical Conference (2002).

use super::observation::{Observations, names};
use crate::units::Nanos;

/// Fewer of a rung tell nothing.
const LEAST: usize = 8;

/// How long ago a control's block was read.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Rung {
    /// As long ago as what the trial reads: the whole of its part of the test data lies between.
    First,
    /// A moment ago.
    Again,
    /// Before the trial, whose own bytes lie between.
    Later,
}

impl Rung {
    /// From the trial's own distance to that of its end.
    pub const ALL: [Self; 3] = [Self::First, Self::Again, Self::Later];

    /// The word used in tags.
    pub fn word(self) -> &'static str {
        match self {
            Self::First => "first",
            Self::Again => "again",
            Self::Later => "later",
        }
    }

    /// The rung that has this word.
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|rung| rung.word() == word)
    }
}

/// Latencies of a trial's control reads by rung.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Controls {
    /// See [`Rung::First`].
    pub first: Vec<Nanos>,
    /// See [`Rung::Again`].
    pub again: Vec<Nanos>,
    /// See [`Rung::Later`].
    pub later: Vec<Nanos>,
}

impl Controls {
    /// Those of one rung.
    pub fn of(&self, rung: Rung) -> &[Nanos] {
        match rung {
            Rung::First => &self.first,
            Rung::Again => &self.again,
            Rung::Later => &self.later,
        }
    }

    /// Those of one rung, to be changed.
    pub fn of_mut(&mut self, rung: Rung) -> &mut Vec<Nanos> {
        match rung {
            Rung::First => &mut self.first,
            Rung::Again => &mut self.again,
            Rung::Later => &mut self.later,
        }
    }

    /// What both rungs before the trial come to, as observations; nothing where there are too few.
    pub fn put(&self, seen: &mut Observations) {
        let count = self.first.len().min(self.again.len());
        if count < LEAST {
            return;
        }
        let (first, again) = (&self.first[..count], &self.again[..count]);
        let rate = |times: &[Nanos]| {
            let span: f64 = times.iter().map(|time| time.secs()).sum();
            times.len() as f64 / span.max(1e-9)
        };
        let log = |times: &[Nanos]| {
            let logs = times.iter().map(|time| (time.0.max(1) as f64).ln());
            logs.sum::<f64>() / times.len() as f64
        };
        seen.put(names::TWICE_OPERATIONS, count as f64);
        seen.put(names::TWICE_FIRST_RATE, rate(first));
        seen.put(names::TWICE_SECOND_RATE, rate(again));
        seen.put(names::TWICE_FIRST_LOG, log(first));
        seen.put(names::TWICE_SECOND_LOG, log(again));
    }
}

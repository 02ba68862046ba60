//! How long a sitting goes on: so many rounds, or until each workload is known as well as asked.
//!
//! A round holds each workload that is not yet known well enough once, in a shuffled order, so that
//! drifts of the share still fall alike on all that are in it. One looks at fixed numbers of trials
//! ([`LOOKS`]), with intervals that allow for having looked ([`stats::precise`](crate::stats::precise)).

use std::collections::{BTreeMap, VecDeque};
use std::time::Duration;

use jiff::Timestamp;

use super::{Event, Request};
use crate::compare::Quantity;
use crate::load::Until;
use crate::plan::{self, Workload};
use crate::record::{Observations, Recording, Window, observed};
use crate::seed::Seed;
use crate::stats::precise::{LOOKS, half_width_at_look, is_look, steady_half_width};
use crate::study::{State, Study, Trial};
use crate::units::{Nanos, percent};

/// How well a sitting is to know each workload, and the time it may take for it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(in crate::cli) struct Precision {
    /// Half of the 95 % interval of the sitting's mean, over that mean.
    pub(in crate::cli) half_width: f64,
    /// No round begins that may end after so long.
    pub(in crate::cli) within: Duration,
}

/// The most trials of a workload that are ever taken.
pub(in crate::cli) const MOST: usize = LOOKS[LOOKS.len() - 1];
/// The fewest with which a spread is known at all.
pub(in crate::cli) const LEAST: usize = LOOKS[0];
/// A trial that ends early runs a quarter of its time: longer ones beside it scatter half as much at
/// most, and the fewest windows that say whether it is steady are eight.
const SHORTEST_PART: u64 = 4;
const SHORTEST: u64 = 8;
/// What a trial costs beside its own time until some have shown it: looking and touching before it,
/// checking after it, in seconds (measured on the simulated share and on ext4).
const AROUND: f64 = 3.0;

/// When a trial of `workload` may end before its `seconds`: where it only reads, in a closed loop.
///
/// What writes runs its time: only trials of one length owe their cache alike. Of a paced load the
/// latency is compared, and the rare stalls that make it are not to be seen in a short trial.
pub(super) fn until(workload: &Workload, request: &Request) -> Option<Until> {
    let precision = request.precision?;
    let may = !workload.writes() && workload.operations_per_second.is_none();
    may.then(|| Until {
        half_width: precision.half_width,
        least: shortest(request.seconds),
    })
}

/// The fewest seconds of a reading trial that would run for `seconds`.
pub(super) fn shortest(seconds: u64) -> u64 {
    SHORTEST.max(seconds.div_ceil(SHORTEST_PART)).min(seconds)
}

/// Writes down what was asked of a trial and how it ended.
pub(super) fn observe(
    workload: &Workload,
    request: &Request,
    recording: &Recording,
    observations: &mut Observations,
) {
    let Some(precision) = request.precision else {
        return;
    };
    observations.put(observed::PRECISION_ASKED, precision.half_width);
    observations.put(observed::LONGEST, request.seconds as f64);
    if until(workload, request).is_some() {
        let moved = |window: &Window| window.bytes().0 as f64;
        let windows: Vec<f64> = recording.windows.iter().map(moved).collect();
        observations.put_some(observed::PRECISION_REACHED, steady_half_width(&windows));
        let early = (windows.len() as u64) < request.seconds;
        observations.put(observed::ENDED_PRECISE, f64::from(u8::from(early)));
    }
}

/// The precision that the latest sitting asked for, and the time of its trials in seconds, so that
/// later phases can ask for the same.
pub(in crate::cli) fn asked_before(study: &Study) -> Option<(f64, u64)> {
    let seen = study.observations.get(&study.trials.last()?.trial)?;
    let longest = seen.get(observed::LONGEST)?;
    Some((seen.get(observed::PRECISION_ASKED)?, longest as u64))
}

/// The course of one sitting.
pub(super) struct Course<'a> {
    chosen: &'a [Workload],
    request: &'a Request,
    sitting: u64,
    seed: Seed,
    queue: VecDeque<&'a Workload>,
    round: usize,
    /// Half of the interval of each workload's mean, as it was at the latest look.
    looked: BTreeMap<&'a str, f64>,
    /// When the latest trial began, and for how many seconds it ran.
    latest: Option<(Timestamp, f64)>,
    /// Seconds that those before it took, and of these what went by around them.
    spent: f64,
    around: f64,
    before: usize,
}

impl<'a> Course<'a> {
    pub(super) fn new(chosen: &'a [Workload], request: &'a Request, study: &Study) -> Self {
        let sitting = study.next_sitting();
        let seed = study.config.seed.child("sitting", sitting);
        let mut queue = VecDeque::new();
        if request.precision.is_none() {
            let order = plan::order(chosen.len(), request.trials, seed);
            queue.extend(order.into_iter().map(|index| &chosen[index]));
        }
        Self {
            chosen,
            request,
            sitting,
            seed,
            queue,
            round: 0,
            looked: BTreeMap::new(),
            latest: None,
            spent: 0.0,
            around: 0.0,
            before: 0,
        }
    }

    /// The most trials that there will be.
    pub(super) fn most(&self) -> usize {
        self.chosen.len() * self.request.trials
    }

    /// The next trial's workload; `None` when the sitting is over, with the reason told.
    pub(super) fn next(
        &mut self,
        study: &Study,
        tell: &mut dyn FnMut(Event),
    ) -> Option<&'a Workload> {
        if let (true, Some(precision)) = (self.queue.is_empty(), self.request.precision) {
            self.begin_round(study, precision, tell);
        }
        self.queue.pop_front()
    }

    fn begin_round(&mut self, study: &Study, precision: Precision, tell: &mut dyn FnMut(Event)) {
        let mut note = |text: String| tell(Event::Note(text));
        for workload in self.chosen {
            let logs = logs(study, self.sitting, workload);
            let known = self.is_known(workload, precision);
            if let Some(half) = half_width_at_look(&logs).filter(|_| !known && is_look(logs.len())) {
                self.looked.insert(&workload.name, half);
                if half <= precision.half_width {
                    note(format!("{}: known to {}", workload.name, give(half, logs.len())));
                }
            }
        }
        let open: Vec<&Workload> = self
            .chosen
            .iter()
            .filter(|workload| !self.is_known(workload, precision))
            .collect();
        let each = self.request.seconds as f64 + self.around();
        let fits = self.spent() + open.len() as f64 * each <= precision.within.as_secs_f64();
        let why = match () {
            () if open.is_empty() => "every workload is known as well as asked",
            () if self.round == self.request.trials => "there are as many trials as there may be",
            () if !fits && self.round > 0 => "another round may not end within the time",
            () => {
                let order = plan::order(open.len(), 1, self.seed.child("round", self.round as u64));
                self.queue.extend(order.into_iter().map(|index| open[index]));
                self.round += 1;
                return;
            }
        };
        note(format!("the sitting ends: {why}"));
        for workload in open {
            let half = self.looked.get(workload.name.as_str());
            let reached = half.map_or("not known, too few trials".to_owned(), |half| {
                format!("known to ±{} only", percent(*half, 1))
            });
            note(format!("{}: {reached}", workload.name));
        }
    }

    fn is_known(&self, workload: &Workload, precision: Precision) -> bool {
        let half = self.looked.get(workload.name.as_str());
        half.is_some_and(|half| *half <= precision.half_width)
    }

    /// Learns of a trial that has ended. The clock of the day may be set meanwhile: what it tells from
    /// one beginning to the next counts for a minute beside the trial's own time at most.
    pub(super) fn took(&mut self, trial: &Trial) {
        if let Some((began, own)) = self.latest {
            let told = trial.started.duration_since(began).as_secs_f64();
            let taken = told.clamp(own, own + 60.0);
            self.spent += taken;
            self.around += taken - own;
            self.before += 1;
        }
        let own = trial.windows as f64 + trial.flush_seconds.unwrap_or(0.0);
        self.latest = Some((trial.started, own));
    }

    /// Seconds of the sitting so far.
    fn spent(&self) -> f64 {
        let latest = self.latest.map_or(0.0, |(_, own)| own + self.around());
        self.spent + latest
    }

    /// Seconds around a trial.
    fn around(&self) -> f64 {
        match self.before {
            0 => AROUND,
            trials => self.around / trials as f64,
        }
    }
}

/// The logarithms of what is compared of a workload, of the finished trials of a sitting.
fn logs(study: &Study, sitting: u64, workload: &Workload) -> Vec<f64> {
    let quantity = Quantity::of(workload);
    let of = |trial: &&Trial| {
        trial.sitting == sitting
            && trial.workload == workload.name
            && trial.state == State::Complete
    };
    let values = study.trials.iter().filter(of);
    let values = values.filter_map(|trial| quantity.value(trial));
    values.filter(|value| *value > 0.0).map(f64::ln).collect()
}

fn give(half: f64, trials: usize) -> String {
    format!(
        "±{} after {trials} trials, and left out from here on",
        percent(half, 1)
    )
}

/// The time that `trials` trials take, `each` running for so many seconds.
pub(super) fn taking(trials: usize, each: f64) -> Nanos {
    Nanos::from_secs_f64(trials as f64 * (each + AROUND))
}

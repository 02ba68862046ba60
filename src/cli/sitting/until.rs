//! How long a sitting goes on: so many rounds, as many as end within a time, or until each workload is
//! known as well as asked.
//!
//! A round holds each workload that is not yet known well enough once, in a shuffled order, so that
//! drifts of the share still fall alike on all that are in it. One looks at fixed numbers of trials
//! ([`LOOKS`]), with intervals that allow for having looked ([`stats::precise`](crate::stats::precise)).

use std::collections::{BTreeMap, VecDeque};

use super::{Event, Request};
use crate::cli::say;
use crate::compare::Quantity;
use crate::load::Until;
use crate::plan::{self, Workload};
use crate::record::{Observations, Recording, Window, observed};
use crate::seed::Seed;
use crate::stats::precise::{LOOKS, half_width_at_look, is_look, steady_half_width};
use crate::study::{State, Study, Trial};
use crate::units::{Bytes, percent};

/// The most trials of a workload that are ever taken.
pub(in crate::cli) const MOST: usize = LOOKS[LOOKS.len() - 1];
/// The fewest with which a spread is known at all.
pub(in crate::cli) const LEAST: usize = LOOKS[0];
/// A trial that ends early runs a fifth of its time at least, so that it is no other measurement than a
/// long one; and below six windows nothing is known of their memory.
const SHORTEST_PART: u64 = 5;
const SHORTEST: u64 = 6;
/// What a trial costs beside its own time until some have shown it: looking and touching before it,
/// checking after it, in seconds (measured on the simulated share and on ext4).
pub(super) const AROUND: f64 = 3.0;

/// When a trial of `workload` may end before its `seconds`: where it only reads, in a closed loop.
///
/// What writes runs its time: only trials of one length owe their cache alike. Of a paced load the
/// latency is compared, and the rare stalls that make it are not to be seen in a short trial.
pub(super) fn until(workload: &Workload, request: &Request) -> Option<Until> {
    let half_width = request.precision?;
    let may = !workload.writes() && workload.operations_per_second.is_none();
    may.then(|| Until {
        half_width,
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
    // A first look sets no example.
    if !request.brief {
        observations.put(observed::LONGEST, request.seconds as f64);
        let size = request.size.map(|size| size.0 as f64);
        observations.put_some(observed::SIZE_ASKED, size);
    }
    let Some(asked) = request.precision else {
        return;
    };
    observations.put(observed::PRECISION_ASKED, asked);
    if until(workload, request).is_some() {
        let moved = |window: &Window| window.bytes().0 as f64;
        let windows: Vec<f64> = recording.windows.iter().map(moved).collect();
        observations.put_some(observed::PRECISION_REACHED, steady_half_width(&windows));
        let early = (windows.len() as u64) < request.seconds;
        observations.put(observed::ENDED_PRECISE, f64::from(u8::from(early)));
    }
}

/// What a sitting was asked for, so that later ones can be asked for the same: others are no match for
/// its trials.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(in crate::cli) struct Asked {
    /// The time of its trials in seconds, the most of it where they may end early.
    pub(in crate::cli) seconds: u64,
    /// The size of the data to read, where one was asked for.
    pub(in crate::cli) size: Option<Bytes>,
    /// How well each workload was to be known, where that was asked for.
    pub(in crate::cli) precision: Option<f64>,
}

/// What the latest sitting was asked for that was no first look.
pub(in crate::cli) fn asked_before(study: &Study) -> Option<Asked> {
    let trials = study.trials.iter().rev();
    let mut seen = trials.filter_map(|trial| study.observations.get(&trial.trial));
    seen.find_map(|seen| {
        Some(Asked {
            seconds: seen.get(observed::LONGEST)? as u64,
            size: seen
                .get(observed::SIZE_ASKED)
                .map(|size| Bytes(size as u64)),
            precision: seen.get(observed::PRECISION_ASKED),
        })
    })
}

/// The size of the data to read that the sitting before was asked for, if it was, which is said: what is laid down
/// beyond it is read by later trials, too.
pub(in crate::cli) fn size_as_before(study: &Study) -> Option<Bytes> {
    let size = asked_before(study)?.size?;
    say(&format!(
        "as in the sitting before: {} to read (--size for more: earlier trials do not count beside it)",
        size.iec()
    ));
    Some(size)
}

/// The course of one sitting.
pub(super) struct Course<'a> {
    chosen: &'a [Workload],
    request: &'a Request,
    sitting: u64,
    seed: Seed,
    queue: VecDeque<&'a Workload>,
    /// Rounds that have begun; none where all of them stand in the queue from the beginning.
    round: Option<usize>,
    /// Half of the interval of each workload's mean, as it was at the latest look.
    looked: BTreeMap<&'a str, f64>,
    latest: Option<Trial>,
    /// Seconds that went by before the latest trial.
    spent: f64,
    /// The most seconds that a trial of each workload took beside its own time.
    around: BTreeMap<String, f64>,
}

impl<'a> Course<'a> {
    /// A sitting that has taken `spent` seconds before its first trial.
    pub(super) fn new(
        chosen: &'a [Workload],
        request: &'a Request,
        study: &Study,
        spent: f64,
    ) -> Self {
        let sitting = study.next_sitting();
        let seed = study.config.seed.child("sitting", sitting);
        let mut queue = VecDeque::new();
        let rounds = request.precision.is_some() || request.within.is_some();
        if !rounds {
            let order = plan::order(chosen.len(), request.trials, seed);
            queue.extend(order.into_iter().map(|index| &chosen[index]));
        }
        Self {
            chosen,
            request,
            sitting,
            seed,
            queue,
            round: rounds.then_some(0),
            looked: BTreeMap::new(),
            latest: None,
            spent,
            around: BTreeMap::new(),
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
        if let (true, Some(round)) = (self.queue.is_empty(), self.round) {
            self.look(study, tell);
            self.begin_round(round, tell);
        }
        self.queue.pop_front()
    }

    /// Looks at the workloads that are not known well enough yet.
    fn look(&mut self, study: &Study, tell: &mut dyn FnMut(Event)) {
        let Some(asked) = self.request.precision else {
            return;
        };
        for workload in self.chosen {
            let logs = logs(study, self.sitting, workload);
            if self.is_known(workload) || !is_look(logs.len()) {
                continue;
            }
            if let Some(half) = half_width_at_look(&logs) {
                self.looked.insert(&workload.name, half);
                if half <= asked {
                    tell(Event::Note(format!(
                        "{}: known to ±{} after {} trials, and left out from here on",
                        workload.name,
                        percent(half, 1),
                        logs.len()
                    )));
                }
            }
        }
    }

    /// Puts another round into the queue, or tells why there is none.
    fn begin_round(&mut self, round: usize, tell: &mut dyn FnMut(Event)) {
        let open = |workload: &&'a Workload| !self.is_known(workload);
        let open: Vec<&Workload> = self.chosen.iter().filter(open).collect();
        let fitting = match round {
            0 => open.clone(),
            _ => self.fitting(&open),
        };
        let why = match () {
            () if open.is_empty() => "every workload is known as well as asked",
            () if round == self.request.trials => match self.request.precision {
                Some(_) => "there are as many trials as there may be",
                None => return,
            },
            () if fitting.is_empty() => "another trial may not end within the time",
            () => {
                let seed = self.seed.child("round", round as u64);
                let order = plan::order(fitting.len(), 1, seed);
                self.queue
                    .extend(order.into_iter().map(|index| fitting[index]));
                self.round = Some(round + 1);
                return;
            }
        };
        tell(Event::Note(format!("the sitting ends: {why}")));
        for workload in open.iter().filter(|_| self.request.precision.is_some()) {
            let half = self.looked.get(workload.name.as_str());
            let reached = half.map_or("not known, too few trials".to_owned(), |half| {
                format!("known to ±{} only", percent(*half, 1))
            });
            tell(Event::Note(format!("{}: {reached}", workload.name)));
        }
    }

    fn is_known(&self, workload: &Workload) -> bool {
        let half = self.looked.get(workload.name.as_str());
        half.zip(self.request.precision)
            .is_some_and(|(half, asked)| *half <= asked)
    }

    /// Learns of a trial that has ended. The clock of the day may be set meanwhile: what it tells from
    /// one beginning to the next counts for a minute beside the trial's own time at most.
    pub(super) fn took(&mut self, trial: &Trial) {
        if let Some(before) = self.latest.replace(trial.clone()) {
            let windows = before.windows as f64;
            let own = windows + before.flush_seconds.unwrap_or(0.0);
            let told = trial.started.duration_since(before.started).as_secs_f64();
            let taken = told.clamp(own, own + 60.0);
            self.spent += taken;
            let around = self.around.entry(before.workload).or_default();
            *around = around.max(taken - windows);
        }
    }

    /// Of `open`, those whose trials end within the time, the shortest first.
    fn fitting(&self, open: &[&'a Workload]) -> Vec<&'a Workload> {
        let Some(within) = self.request.within else {
            return open.to_vec();
        };
        let takes = |workload: &&Workload| self.request.seconds as f64 + self.around(workload);
        let mut shortest_first = open.to_vec();
        shortest_first.sort_by(|a, b| takes(a).total_cmp(&takes(b)));
        let mut end = self.spent();
        let fits = |workload: &&Workload| {
            end += takes(workload);
            end <= within.as_secs_f64()
        };
        shortest_first.into_iter().take_while(fits).collect()
    }

    /// Seconds of the sitting so far.
    fn spent(&self) -> f64 {
        let latest = |trial: &Trial| trial.windows as f64 + beside(trial);
        self.spent + self.latest.as_ref().map_or(0.0, latest)
    }

    /// Seconds of a workload's trial beside its own time, flush included: the most so far.
    fn around(&self, workload: &Workload) -> f64 {
        let seen = self.around.get(workload.name.as_str());
        seen.copied().unwrap_or(AROUND)
    }
}

/// What a trial took beside its own time as far as it tells itself, in seconds.
fn beside(trial: &Trial) -> f64 {
    trial.flush_seconds.unwrap_or(0.0) + AROUND
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

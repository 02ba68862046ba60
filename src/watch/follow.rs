//! The loop: ask, keep, assess, tell, wait.

use std::time::Duration;

use jiff::tz::TimeZone;

use super::absent::Absent;
use super::{Place, World};
use crate::report;
use crate::reshape::{
    Assessment, Cost, Reading, Reported, Source, State, Word, assess, probing_cost,
};
use crate::seed::Seed;
use crate::store::Follower;
use crate::study::{ProbeRow, ProgressRow};
use crate::text::plain;

/// Waiting looks at the steady clock so often: a machine that slept is late by no more.
const NAP: f64 = 30.0;
/// A probe lasts no longer, so that an end, or a sitting, is not kept waiting.
const PROBE: f64 = 60.0;
/// Probing that costs more than this part of the reshape's speed is too much.
const DEAR: f64 = 0.10;
/// The cost of probing is told from so many pairs on.
const PAIRS: usize = 4;
/// And taken from so many of the latest readings.
const LATEST: usize = 96;

/// What the follower is asked to do.
#[derive(Clone, Debug)]
pub struct Orders {
    /// The study in a command.
    pub study: String,
    /// Whose text it is.
    pub source: Source,
    /// Name of the array, where the text tells of several.
    pub array: Option<String>,
    /// Time between readings.
    pub every: Duration,
    /// Whether one reading is all.
    pub once: bool,
    /// The clock on which a person reads times.
    pub zone: TimeZone,
}

/// What happens, for whoever listens.
#[derive(Debug)]
pub enum Event<'a> {
    /// A reading is on disk: what all of them say, and its row.
    Read(&'a Assessment, &'a ProgressRow),
    /// An alarm begins, or changes to another.
    Alarm(&'a str),
    /// The alarm before is over.
    Calm,
    /// A probe is on disk.
    Probed(&'a ProbeRow),
    /// What probing costs, with another pair.
    Cost(Cost),
    /// Something a person should know.
    Note(String),
}

/// Why it ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Ended {
    /// The reshape is done.
    Finished,
    /// It runs no more, and nobody but a person can tell whether it was done.
    Unsettled,
    /// One reading was asked for; whether an alarm stands.
    Once {
        /// Whether somebody has to know something.
        alarm: bool,
    },
}

/// Follows the reshape of the study in `store` until it is done, or for one reading. Dropping the
/// future ends it at any moment without loss: what is read is on disk before anything is awaited.
pub async fn follow<W: World>(
    world: &mut W,
    store: &mut Follower,
    orders: &Orders,
    tell: &mut dyn FnMut(Event<'_>),
) -> Ended {
    let mut follower = Following::new(store, orders);
    loop {
        let begun = world.steady();
        let assessment = follower.read(world, tell).await;
        follower.alarm(world, assessment.as_ref(), tell).await;
        if orders.once {
            let alarm = assessment.is_some_and(|seen| seen.alarm.is_some());
            return Ended::Once { alarm };
        }
        if let Some(ended) = follower.ended(assessment.as_ref()) {
            return ended;
        }
        let place = place(assessment.as_ref());
        follower.weigh_probes(world, tell);
        let due = begun + orders.every.as_secs_f64();
        follower.wait(world, due, place, tell).await;
    }
}

fn place(assessment: Option<&Assessment>) -> Place {
    assessment.map_or(Place::default(), |seen| Place {
        fraction: seen.fraction,
        fraction_per_h: seen.speed.map(|speed| speed * 3600.0),
    })
}

struct Following<'a> {
    store: &'a mut Follower,
    orders: &'a Orders,
    readings: Vec<Reading>,
    /// Readings that could not be written yet.
    unwritten: Vec<ProgressRow>,
    /// Steady clock at the latest reading of this run.
    before: Option<f64>,
    /// Whether the time since then was probed: `None` when there is nothing to compare.
    probed: Option<bool>,
    /// While the share cannot be probed: how long already.
    absent: Option<Absent>,
    /// The alarm that stands.
    standing: Option<&'static str>,
    /// Readings before this do not tell what probing costs now.
    weighed: usize,
    pairs: usize,
    turns: Seed,
}

impl<'a> Following<'a> {
    fn new(store: &'a mut Follower, orders: &'a Orders) -> Self {
        let study = store.study();
        let readings: Vec<Reading> = study.progress.iter().map(ProgressRow::reading).collect();
        Self {
            turns: study.config.seed.child("probing", 0),
            weighed: readings.len(),
            readings,
            unwritten: Vec::new(),
            before: None,
            probed: None,
            absent: None,
            standing: None,
            pairs: 0,
            orders,
            store,
        }
    }

    /// Takes a reading, keeps it, and assesses all.
    async fn read<W: World>(
        &mut self,
        world: &mut W,
        tell: &mut dyn FnMut(Event<'_>),
    ) -> Option<Assessment> {
        let text = world.ask().await;
        let read = |text: String| {
            let array = self.orders.array.as_deref();
            self.orders
                .source
                .read(&text, array)
                .map_err(|why| why.to_string())
        };
        let reported = text
            .and_then(read)
            .unwrap_or_else(|why| Reported::bare(Word::Unreadable, why));
        let members_read = world.members_read().await;
        let steady = world.steady();
        let reading = Reading {
            at: world.now(),
            elapsed: self.before.map(|before| (steady - before).max(0.0)),
            reported,
            probed: self.probed,
            members_read,
        };
        self.before = Some(steady);
        let simulated = self.store.study().config.simulated;
        let row = ProgressRow::of(&reading, self.orders.source, simulated);
        self.unwritten.push(row.clone());
        self.write(tell);
        self.readings.push(reading);
        let config = &self.store.study().config;
        let hours = config.hours(self.orders.zone.clone());
        let assessment = assess(&self.readings, config.zones(), hours.as_ref());
        if let Some(seen) = &assessment {
            tracing::debug!(state = seen.state.word(), fraction = ?seen.fraction, "read the reshape");
            tell(Event::Read(seen, &row));
        }
        assessment
    }

    /// Brings readings to disk; those that find no room there are tried again with the next.
    fn write(&mut self, tell: &mut dyn FnMut(Event<'_>)) {
        while let Some(row) = self.unwritten.first().cloned() {
            if let Err(error) = self.store.add_reading(row) {
                let waiting = self.unwritten.len();
                tell(Event::Note(format!(
                    "{error}; {waiting} readings are kept in memory until there is room"
                )));
                return;
            }
            self.unwritten.remove(0);
        }
    }

    /// Raises an alarm when it begins or changes.
    async fn alarm<W: World>(
        &mut self,
        world: &mut W,
        assessment: Option<&Assessment>,
        tell: &mut dyn FnMut(Event<'_>),
    ) {
        let Some(seen) = assessment else { return };
        let now = seen.alarm.as_ref().map(crate::reshape::Alarm::word);
        if now == self.standing {
            return;
        }
        self.standing = now;
        let clock = report::Clock::every(self.orders.every, &self.orders.zone);
        match report::alarm_sentence(seen, &self.orders.study, clock) {
            Some(sentence) => {
                tell(Event::Alarm(&sentence));
                if let Err(why) = world.raise(seen.state.word(), &sentence).await {
                    tell(Event::Note(format!("the command for alarms failed: {why}")));
                }
            }
            None => tell(Event::Calm),
        }
    }

    /// How it ended, when that is sure: the source says so, does not mention the reshape twice in a
    /// row, or tells of another pass.
    fn ended(&self, assessment: Option<&Assessment>) -> Option<Ended> {
        let seen = assessment.filter(|_| self.unwritten.is_empty())?;
        if seen.state == State::Ended {
            return Some(Ended::Unsettled);
        }
        let words: Vec<Word> = self
            .readings
            .iter()
            .rev()
            .take(2)
            .map(|r| r.reported.word)
            .collect();
        let gone = |word: &Word| matches!(word, Word::Absent | Word::Other);
        let sure = words.first() == Some(&Word::Finished) || words.iter().all(gone);
        let over = seen.state == State::Finished && (sure || seen.another.is_some());
        over.then_some(Ended::Finished)
    }

    /// Looks at what probing costs, and lets it cost less.
    fn weigh_probes<W: World>(&mut self, world: &mut W, tell: &mut dyn FnMut(Event<'_>)) {
        let from = self.weighed.max(self.readings.len().saturating_sub(LATEST));
        let Some(cost) = probing_cost(&self.readings[from..]).filter(|cost| cost.pairs >= PAIRS)
        else {
            return;
        };
        if cost.pairs != self.pairs {
            self.pairs = cost.pairs;
            tell(Event::Cost(cost));
        }
        let sure = cost.interval.is_some_and(|interval| interval.low > 0.0);
        if world.can_probe() && cost.loss > DEAR && sure {
            let less = if world.probe_less() {
                "from now on there are half as many probes"
            } else {
                "there are no more probes"
            };
            tell(Event::Note(format!(
                "probing costs the reshape {}: {less}",
                crate::units::percent(cost.loss, 0)
            )));
            (self.weighed, self.pairs) = (self.readings.len(), 0);
        }
    }

    /// Whether the coming stretch is probed: stretches go in pairs, each in an order of its own.
    fn takes_probes(&self) -> bool {
        let (pair, second) = (self.readings.len() / 2, self.readings.len() % 2 == 1);
        self.turns.child("pair", pair as u64).rng().bool() != second
    }

    /// Waits until `due` on the steady clock, probing when it is the turn of probes.
    async fn wait<W: World>(
        &mut self,
        world: &mut W,
        due: f64,
        place: Place,
        tell: &mut dyn FnMut(Event<'_>),
    ) {
        let mut turn = world.can_probe().then(|| self.takes_probes());
        // Where the share is not there all the time, there is nothing to compare.
        let mut compared = self.absent.is_none();
        loop {
            let now = world.steady();
            let left = due - now;
            if left <= 0.0 {
                break;
            }
            // A sitting loads the share as no probe does: then there is nothing to compare.
            if turn.is_some() && self.store.sitting_at_work() {
                turn = None;
            }
            let held = self.absent.as_ref().map_or(0.0, |absent| absent.next - now);
            if turn != Some(true) || left < 1.0 || held > 0.0 {
                let rest = if held > 0.0 { left.min(held) } else { left };
                world.rest(rest.min(NAP)).await;
                continue;
            }
            let probed = world.probe(left.min(PROBE) as u64, place).await;
            for row in &probed.rows {
                if let Err(error) = self.store.add_probe(row.clone()) {
                    tell(Event::Note(format!("{error}; a probe is lost")));
                }
                tell(Event::Probed(row));
            }
            self.look_for_share(world.steady(), probed.lost.as_deref(), tell);
            compared &= probed.lost.is_none();
        }
        self.probed = turn.filter(|_| compared);
    }

    /// Whether the share is there after a probe at `now`: says once that it is gone, and once that it is
    /// back.
    fn look_for_share(&mut self, now: f64, lost: Option<&str>, tell: &mut dyn FnMut(Event<'_>)) {
        match (lost, &mut self.absent) {
            (Some(why), None) => {
                self.absent = Some(Absent::begin(now));
                tell(Event::Note(format!(
                    "the share cannot be probed ({}): the watch goes on without, and tries again from time to time",
                    plain(why)
                )));
            }
            (Some(_), Some(absent)) => absent.again(now),
            (None, Some(absent)) => {
                let without = report::span(now - absent.since);
                self.absent = None;
                tell(Event::Note(format!(
                    "the share is probed again, after {without} without"
                )));
            }
            (None, None) => {}
        }
    }
}

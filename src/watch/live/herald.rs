//! Gathers what the loop tells, and publishes it.

use std::sync::Arc;

use jiff::Timestamp;
use jiff::tz::TimeZone;
use tokio::sync::watch;

use super::super::Event;
use crate::report::Over;
use crate::reshape::{Assessment, Cost, assess};
use crate::study::{Packed, ProbeRow, ProgressRow, Study};

/// So many of the latest notes are kept.
const NOTES: usize = 50;

/// All that a watch has told so far.
#[derive(Clone, Debug, PartialEq)]
pub struct Moment {
    /// When it was told.
    pub at: Timestamp,
    /// All readings.
    pub progress: Packed<ProgressRow>,
    /// All probes.
    pub probes: Packed<ProbeRow>,
    /// What the readings say.
    pub seen: Option<Assessment>,
    /// What probing costs the reshape.
    pub probing: Option<Cost>,
    /// What a person should know, the latest last.
    pub notes: Vec<(Timestamp, String)>,
    /// How the watch ended.
    pub over: Option<Over>,
}

/// Tells whoever looks what the loop tells; never waits for anybody.
#[derive(Debug)]
pub struct Herald {
    moment: Moment,
    told: watch::Sender<Arc<Moment>>,
}

impl Herald {
    /// Begins with what the tables of `study` hold; hours are those of the clock of `zone`.
    pub fn new(
        study: &Study,
        zone: &TimeZone,
        now: Timestamp,
    ) -> (Self, watch::Receiver<Arc<Moment>>) {
        let hours = study.config.hours(zone.clone());
        let moment = Moment {
            at: now,
            seen: assess(&study.progress, study.config.zones(), hours.as_ref()),
            progress: study.progress.clone(),
            probes: study.probes.clone(),
            probing: None,
            notes: Vec::new(),
            over: None,
        };
        let (told, hears) = watch::channel(Arc::new(moment.clone()));
        (Self { moment, told }, hears)
    }

    /// Takes in what the loop tells.
    pub fn hear(&mut self, event: &Event<'_>, now: Timestamp) {
        let moment = &mut self.moment;
        match event {
            Event::Read(seen, row) => {
                moment.seen = Some((*seen).clone());
                moment.progress.push(*row);
            }
            Event::Probed(row) => moment.probes.push(*row),
            Event::Cost(cost) => moment.probing = Some(*cost),
            Event::Note(note) => {
                moment.notes.push((now, note.clone()));
                let many = moment.notes.len().saturating_sub(NOTES);
                moment.notes.drain(..many);
            }
            // Both follow from the reading that was told before.
            Event::Alarm(_) | Event::Calm => return,
        }
        self.tell(now);
    }

    /// The last that is told.
    pub fn end(mut self, over: Over, now: Timestamp) {
        self.moment.over = Some(over);
        self.tell(now);
    }

    fn tell(&mut self, now: Timestamp) {
        self.moment.at = now;
        self.told.send_replace(Arc::new(self.moment.clone()));
    }
}

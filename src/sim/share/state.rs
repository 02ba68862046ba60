//! What the made-up server says of itself, and what befalls its reshape.

use super::SimulatedShare;
use crate::sim::incident::{Happening, Incident};
use crate::units::Nanos;

impl SimulatedShare {
    /// Seconds since the begin of the scenario, by a clock that nobody sets.
    pub fn elapsed(&self) -> f64 {
        self.clock.secs()
    }

    /// Bytes read from all drives since the server was started; `None` while it is without power.
    pub fn members_read(&self) -> Option<u64> {
        (!self.is_off()).then_some(self.members_read)
    }

    /// How far the expansion is, as the server's own status tells it, in the words of a plain
    /// percentage; 0 before it begins.
    ///
    /// # Errors
    /// One sentence, while the server is without power.
    pub fn status(&self) -> Result<String, String> {
        if self.is_off() {
            return Err("the SIMULATED server does not answer".to_owned());
        }
        Ok(match &self.reshape {
            Some(reshape) => {
                let progress = reshape.progress();
                let percent = 100.0 * progress.done.0 as f64 / progress.total.0 as f64;
                let held = self.is_on(Happening::Pause);
                format!("{percent:.5}{}", if held { " paused" } else { "" })
            }
            None if self.pool == self.grown => "finished".to_owned(),
            None => "0".to_owned(),
        })
    }

    /// Whether the server is without power.
    pub(super) fn is_off(&self) -> bool {
        self.is_on(Happening::PowerCut)
    }

    fn is_on(&self, what: Happening) -> bool {
        self.incidents()
            .any(|(incident, age)| incident.what == what && incident.is_on(age))
    }

    /// What befalls the reshape, each with the time since its begin; nothing before it.
    fn incidents(&self) -> impl Iterator<Item = (&Incident, Nanos)> {
        let age = self.begun.map(|begun| self.clock - begun);
        let all = self.scenario.incidents.iter();
        all.filter_map(move |incident| Some((incident, age?)))
    }

    /// Lets what begins or ends by now take effect.
    pub(super) fn note_incidents(&mut self) {
        let begun = |(incident, age): &(&Incident, Nanos)| {
            incident.what == Happening::PowerCut && incident.after <= *age
        };
        let cuts = self.incidents().filter(begun).count();
        while self.cuts < cuts {
            self.cuts += 1;
            self.power_cut();
        }
        let stands = self.incidents().any(|(incident, age)| incident.is_on(age));
        if let Some(reshape) = &mut self.reshape {
            reshape.hold(stands);
        }
    }

    /// Time until something begins or ends.
    pub(super) fn to_the_next_incident(&self) -> Nanos {
        let edges = self
            .incidents()
            .flat_map(|(incident, age)| [incident.after, incident.end()].map(|edge| (edge, age)));
        edges
            .filter(|(edge, age)| edge > age)
            .map(|(edge, age)| edge - age)
            .min()
            .unwrap_or(Nanos(u64::MAX))
    }
}

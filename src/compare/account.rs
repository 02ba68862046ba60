//! What the expansion cost while it ran, and what it gave: everything that stands beside the ratios.

use std::collections::BTreeMap;
use std::thread::scope;

use jiff::tz::TimeZone;
use serde::Serialize;

use super::Comparison;
use super::cost::Cost;
use super::expected::{Expectations, expectations};
use super::forecasted::Forecasted;
use super::gain::{Gain, Setting, gains, settings};
use super::limits::{Kept, kept};
use super::probes::probes;
use super::reshaped::Reshaped;
use crate::judge::Judgement;
use crate::study::Study;

/// What an expansion cost and gave.
#[derive(Clone, Debug, Serialize)]
pub struct Account {
    /// Whether anything of it is made up.
    pub simulated: bool,
    /// Name of the zone whose clock the hours are of.
    pub clock: String,
    /// What it cost users while it ran.
    pub cost: Cost,
    /// How the person's limits were kept.
    pub limits: Vec<Kept>,
    /// Forecasts against the actual end; `None` where nobody read the reshape.
    pub forecasts: Option<Forecasted>,
    /// What the gains are made of.
    pub gains: Vec<Gain>,
    /// Settings that changed beside the drives.
    pub settings: Vec<Setting>,
    /// What was expected against what was measured.
    pub expected: Expectations,
    /// Whether it was followed so far that it has not begun.
    #[serde(skip)]
    pub waits: bool,
    /// The reshape as it was followed.
    #[serde(skip)]
    pub reshaped: Option<Reshaped>,
    /// The zone of the clock.
    #[serde(skip)]
    pub zone: TimeZone,
}

impl Account {
    /// Hours from the first reading of the reshape to its end, or to the latest reading; `None` where it was
    /// not followed.
    pub fn lasted_h(&self) -> Option<f64> {
        let of = self.reshaped.as_ref()?;
        Some(of.until.duration_since(of.began).as_secs_f64() / 3600.0)
    }

    /// Why nothing is told of the reshape where there is none.
    pub fn unfollowed(&self) -> &'static str {
        match self.waits {
            true => "has not begun",
            false => "was not followed",
        }
    }

    /// The account of `study`, whose trials were judged and compared; hours are those of the clock of
    /// `zone`, that of the place.
    pub fn of(
        study: &Study,
        comparison: &Comparison,
        judgements: &BTreeMap<u64, Judgement>,
        zone: TimeZone,
    ) -> Self {
        let reshaped = Reshaped::of(study);
        let of = reshaped.as_ref();
        let made_up = study.progress.iter().map(|row| row.simulated);
        // Forecasts are made again from the readings alone, beside all that probes and trials tell.
        let (forecasts, cost, limits) = scope(|scope| {
            let forecasts =
                scope.spawn(|| of.map(|reshaped| Forecasted::of(study, reshaped, &zone)));
            let probes = probes(study, of);
            let cost = Cost::of(study, comparison, of, &probes, &zone);
            let limits = kept(study, of, &probes);
            (forecasts.join().expect("forecasting ends"), cost, limits)
        });
        let simulated = made_up
            .chain(study.probes.iter().map(|row| row.simulated))
            .chain(study.trials.iter().map(|trial| trial.simulated))
            .any(|simulated| simulated);
        Self {
            simulated: simulated || study.config.simulated,
            clock: zone.iana_name().unwrap_or("local time").to_owned(),
            cost,
            limits,
            forecasts,
            gains: gains(study, comparison),
            settings: settings(study),
            expected: expectations(study, comparison, judgements),
            waits: study.waits(),
            reshaped,
            zone,
        }
    }
}

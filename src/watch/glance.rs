//! One look at the reshape, for a trial that is measured beside it.

use std::path::Path;
use std::time::Duration;

use jiff::Timestamp;

use crate::probe::shell_ending;
use crate::record::{Observations, observed};
use crate::reshape::{Reading, Reported, assess};
use crate::store;
use crate::study::{Config, Following, ProgressRow};

/// A reading older than this says nothing of a trial.
const FRESH: f64 = 900.0;

/// Where the reshape is, and how fast.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Glance {
    /// Part that is done.
    pub fraction: Option<f64>,
    /// Speed by the latest readings, in parts of the whole an hour.
    pub fraction_per_h: Option<f64>,
    /// Speed that the source tells of just now, in bytes per second. Linux md's is a mean over half a
    /// minute: asked at the end of a trial, it is the speed during it.
    pub bytes_per_s: Option<f64>,
}

impl Glance {
    /// Keeps what was seen with the observations of a trial.
    pub fn put(self, observations: &mut Observations) {
        observations.put_some(observed::RESHAPE_FRACTION, self.fraction);
        observations.put_some(observed::RESHAPE_PACE, self.fraction_per_h);
        observations.put_some(observed::RESHAPE_RATE, self.bytes_per_s);
    }
}

/// What the configured source says just now; `None` without a command for it.
///
/// # Errors
/// One sentence, when the command fails or its text is no answer.
pub fn asked(following: &Following) -> Option<Result<Reported, String>> {
    let command = following.command.as_ref()?;
    let patience = Duration::from_secs(following.timeout_seconds);
    let text = shell_ending(command, following.source.codes(), patience);
    let read = |text: String| following.source.read(&text, following.array.as_deref());
    Some(text.and_then(|text| read(text).map_err(|error| error.to_string())))
}

/// Looks at the reshape of the study in the folder `root`: asks the configured command, else takes
/// the last reading of `progress.csv`, when it is not older than a quarter of an hour. What cannot be
/// known stays unknown.
pub fn glance(root: &Path, config: &Config, now: Timestamp) -> Glance {
    let rows = store::progress(root).unwrap_or_default();
    let fresh = rows
        .last()
        .map(ProgressRow::reading)
        .filter(|last| now.duration_since(last.at).as_secs_f64().abs() <= FRESH);
    let asked = config
        .reshape
        .as_ref()
        .and_then(|following| Some(Reading::of(now, asked(following)?.ok()?)));
    let pace = fresh
        .as_ref()
        .and_then(|_| assess(&rows, None, None)?.speed)
        .map(|speed| speed * 3600.0);
    let seen = asked.as_ref().or(fresh.as_ref());
    Glance {
        fraction: seen.and_then(Reading::position),
        fraction_per_h: pace,
        bytes_per_s: seen
            .filter(|reading| reading.position().is_some())
            .and_then(|reading| reading.reported.speed),
    }
}

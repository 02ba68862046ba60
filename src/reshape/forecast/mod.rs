//! When a reshape will be done, and how sure that is.
//!
//! The position is the running sum of a speed that wanders and remembers, so errors of a progress
//! curve pile up: they are no independent residuals about a line. Hence the speed is taken from the
//! whole stretch that counts, and its uncertainty from the long-run variance of the speeds of equal
//! blocks of time ([`long_run`]): over a time `T` seen and a time `R` to come, the mean speeds of
//! the two differ by `sd · √(1/T + 1/R)`, in logarithms. That is wide after an hour and narrow near
//! the end; over a time that is short beside the speed's memory it is narrower yet, and after a
//! change of speed it is wider until a day has passed.
//!
//! How far the drives' zones set the pace is learnt from the curve: a few models, from none of it to
//! all of it, are weighted by how evenly each makes the work flow, and their predictions are mixed.

use jiff::{SignedDuration, Timestamp};

use super::straight::Straight;
use super::track::{Move, Track};
use super::work::{Hours, Model, Zones};
use crate::stats::change_point::levels;
use crate::stats::long_run::{long_run, robust_long_run_sd};
use crate::stats::student_mixture::{Component, quantile};

/// The fewest movements that say anything of the speed.
const FEWEST: usize = 3;
/// The most blocks of time that the speed is taken of.
const BLOCKS: usize = 48;
/// A change of speed needs so many blocks on each side.
const LEAST: usize = 4;
/// A smaller change of speed (as a factor) does not begin a new stretch.
const CHANGE: f64 = 1.25;
/// Before anything is seen, the speed of one hour is taken to spread by so much of itself, which
/// counts like so many degrees of freedom. Reshapes of lightly used arrays are steadier, those of
/// busy ones are not (common practice, no source).
const SUPPOSED_SPREAD: f64 = 0.06;
const SUPPOSED_WEIGHT: f64 = 1.0;
/// A whole day holds hours of all kinds. What was seen of a part of one says less of the next: so
/// much of the speed may change with what the rest of the day brings, where nothing is known of it.
const UNSEEN_DAY: f64 = 0.04;
const DAY: f64 = 86_400.0;
/// Parts of the time that may go with the zones.
const PARTS: [f64; 5] = [0.0, 0.25, 0.5, 0.75, 1.0];
/// How far they are believed beforehand, when the person stated the drives' zones: a reshape that
/// nobody holds back is limited by its drives.
const STATED: [f64; 5] = [0.15, 0.1, 0.15, 0.25, 0.35];
/// The same when the drives are only known to rotate: it may be held back as well.
const SUPPOSED: [f64; 5] = [0.35, 0.1, 0.15, 0.15, 0.25];

/// A range of moments.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Range {
    /// Not before.
    pub early: Timestamp,
    /// Not after.
    pub late: Timestamp,
}

/// When it will be done.
#[derive(Clone, Debug, PartialEq)]
pub struct Forecast {
    /// The reading from which it looks ahead.
    pub made: Timestamp,
    /// Part that is done then.
    pub fraction: f64,
    /// As likely before as after.
    pub finish: Timestamp,
    /// Holds the end in 80 of 100 cases.
    pub range80: Range,
    /// Holds the end in 95 of 100 cases.
    pub range95: Range,
    /// Fraction per second, over the stretch that counts.
    pub speed: f64,
    /// When that stretch began.
    pub since: Timestamp,
    /// Whether it began with a change of speed, so that what came before is left out.
    pub changed: bool,
    /// Part of the time that goes with the drives' zones, 0 to 1; `None` where nothing is known of
    /// them.
    pub zoned: Option<f64>,
    /// Whether the hours of the day are reckoned with.
    pub hourly: bool,
    /// The straight line through the stretch, for comparison: its intervals take the readings for
    /// independent and are far too narrow.
    pub straight: Option<Straight>,
}

/// The end of the reshape on `track`; `zones` where the drives are known to have some, `hours` where
/// it is known how fast the hours of the day are.
///
/// `None` before three movements, at the end, and when nothing moves.
pub fn forecast(track: &Track, zones: Option<Zones>, hours: Option<&Hours>) -> Option<Forecast> {
    let last = track.last()?;
    if track.moves.len() < FEWEST || last.fraction >= 1.0 {
        return None;
    }
    let models: Vec<(f64, f64, Model)> = match zones {
        Some(known) => PARTS
            .into_iter()
            .zip(if known.stated { STATED } else { SUPPOSED })
            .map(|(part, belief)| (part, belief, Model::new(zones, part)))
            .collect(),
        None => vec![(0.0, 1.0, Model::new(None, 0.0))],
    };
    let regime = |model: &Model| latest_regime(&track.moves, model, hours);
    let (plain, zoned) = (regime(&models[0].2), regime(&models[models.len() - 1].2));
    let Regime { begins, change } = if zoned.begins > plain.begins {
        zoned
    } else {
        plain
    };
    let changed = begins > 0;
    let moves = &track.moves[begins..];
    let fits: Vec<Fit> = models
        .iter()
        .map(|(part, belief, model)| Fit::new(moves, model, hours, *part, *belief, last.fraction))
        .collect::<Option<_>>()?;
    let components = components(&fits, hours.is_none(), change);
    let weights: f64 = components.iter().map(|c| c.weight).sum();
    let zoned = fits
        .iter()
        .zip(&components)
        .map(|(fit, c)| fit.part * c.weight);
    let zoned = zones.map(|_| zoned.sum::<f64>() / weights);
    let at = |p: f64| {
        let effective = quantile(&components, p)?.exp();
        let seconds = hours.map_or(effective, |hours| hours.seconds(last.at, effective));
        // Ten years are as good as never.
        let span = SignedDuration::try_from_secs_f64(seconds.min(3650.0 * DAY)).ok()?;
        last.at.checked_add(span).ok()
    };
    let range = |inside: f64| {
        Some(Range {
            early: at((1.0 - inside) / 2.0)?,
            late: at((1.0 + inside) / 2.0)?,
        })
    };
    let first = moves.first()?;
    let (way, time) = moves.iter().fold((0.0, 0.0), |(way, time), m| {
        (way + m.to - m.from, time + m.seconds)
    });
    Some(Forecast {
        made: last.at,
        fraction: last.fraction,
        finish: at(0.5)?,
        range80: range(0.8)?,
        range95: range(0.95)?,
        speed: way / time,
        since: first.began,
        changed,
        zoned,
        hourly: hours.is_some(),
        straight: Straight::since(&track.points, first.began),
    })
}

/// One model, fitted.
struct Fit {
    part: f64,
    belief: f64,
    /// Logarithm of the seconds that are left, at the mean speed of the day.
    log_left: f64,
    /// Time seen and time to come, in seconds.
    seen: f64,
    left: f64,
    /// Long-run variance of the relative speed over a second.
    variance: f64,
    /// Seconds over which the speed remembers.
    memory: f64,
    degrees_of_freedom: f64,
}

impl Fit {
    fn new(
        moves: &[Move],
        model: &Model,
        hours: Option<&Hours>,
        part: f64,
        belief: f64,
        fraction: f64,
    ) -> Option<Self> {
        let flow = Flow::new(moves, model, hours);
        let count = moves.len().min(BLOCKS);
        let speeds = flow.blocks(count);
        let length = flow.time() / count as f64;
        let speed = flow.work() / flow.time();
        let spread = long_run(&speeds)?;
        let left = (1.0 - model.work(fraction)) / speed;
        Some(Self {
            part,
            belief,
            log_left: left.ln(),
            seen: flow.time(),
            left,
            variance: spread.variance / (speed * speed) * length,
            memory: match spread.memory > 0.0 {
                true => -length / spread.memory.ln(),
                false => 0.0,
            },
            degrees_of_freedom: spread.degrees_of_freedom,
        })
        .filter(|fit| fit.log_left.is_finite() && fit.variance.is_finite())
    }

    /// The variance with what is supposed before anything is seen.
    fn tempered(&self) -> f64 {
        let supposed = SUPPOSED_SPREAD * SUPPOSED_SPREAD * 3600.0;
        let both = SUPPOSED_WEIGHT * supposed + self.degrees_of_freedom * self.variance;
        both / (SUPPOSED_WEIGHT + self.degrees_of_freedom)
    }

    /// Variance of the mean speed of what is to come over that of what was seen. Over a time that is
    /// no longer than its memory the speed hardly wanders: of an exponential memory `m`, the part
    /// `1 − (1 − exp(−R/m))·m/R` of the long-run variance is left.
    fn wander(&self) -> f64 {
        let lasts = self.memory / self.left;
        let part = match lasts > 0.0 {
            true => 1.0 - lasts * (1.0 - (-1.0 / lasts).exp()),
            false => 1.0,
        };
        self.tempered() * (1.0 / self.seen + part / self.left)
    }

    /// How much of a day is still to be seen, and to come: 0 to 1.
    fn unsettled(&self) -> f64 {
        let part = |seconds: f64| (seconds / DAY).min(1.0);
        (1.0 - part(self.seen)) * part(self.left).sqrt()
    }
}

/// Predictions of the logarithm of the seconds left. A model's weight is its belief times its
/// likelihood, which for normal errors of unknown spread goes with the spread to the power of minus
/// the degrees of freedom.
///
/// A speed that has just changed by `change` (a logarithm) may change back, as it does every evening:
/// half of it counts, until a day has passed.
fn components(fits: &[Fit], hours_differ: bool, change: f64) -> Vec<Component> {
    let fewest = fits
        .iter()
        .map(|fit| fit.degrees_of_freedom)
        .fold(f64::INFINITY, f64::min);
    let power = (fewest + SUPPOSED_WEIGHT) / 2.0;
    let least = fits.iter().map(Fit::tempered).fold(f64::INFINITY, f64::min);
    fits.iter()
        .map(|fit| {
            let variance = fit.tempered();
            let unseen = if hours_differ { UNSEEN_DAY } else { 0.0 };
            let unsettled = fit.unsettled() * (unseen + change.abs() / 2.0);
            Component {
                weight: fit.belief * (least / variance).powf(power),
                centre: fit.log_left,
                scale: (fit.wander() + unsettled.powi(2)).sqrt().min(2.0),
                degrees_of_freedom: fit.degrees_of_freedom + SUPPOSED_WEIGHT,
            }
        })
        .collect()
}

/// Work over time, as a line through the ends of movements.
struct Flow {
    /// Time and work at the end of each movement, from (0, 0) on.
    ends: Vec<(f64, f64)>,
}

impl Flow {
    fn new(moves: &[Move], model: &Model, hours: Option<&Hours>) -> Self {
        let (mut time, mut work) = (0.0, 0.0);
        let mut ends = vec![(0.0, 0.0)];
        for m in moves {
            time += hours
                .map_or(m.seconds, |hours| hours.worth(m.began, m.seconds))
                .max(1e-6);
            work += model.work(m.to) - model.work(m.from);
            ends.push((time, work));
        }
        Self { ends }
    }

    fn time(&self) -> f64 {
        self.ends[self.ends.len() - 1].0
    }

    fn work(&self) -> f64 {
        self.ends[self.ends.len() - 1].1
    }

    /// Mean speeds of `count` equal blocks of time.
    fn blocks(&self, count: usize) -> Vec<f64> {
        let length = self.time() / count as f64;
        let heights: Vec<f64> = (0..=count)
            .map(|block| self.at(block as f64 * length))
            .collect();
        heights
            .windows(2)
            .map(|pair| (pair[1] - pair[0]) / length)
            .collect()
    }

    fn at(&self, time: f64) -> f64 {
        let next = self
            .ends
            .partition_point(|end| end.0 < time)
            .clamp(1, self.ends.len() - 1);
        let ((t0, w0), (t1, w1)) = (self.ends[next - 1], self.ends[next]);
        w0 + (w1 - w0) * ((time - t0) / (t1 - t0)).clamp(0.0, 1.0)
    }
}

/// The stretch since the speed last changed.
#[derive(Clone, Copy, Debug, Default)]
struct Regime {
    /// Its first movement; 0 when the speed never changed.
    begins: usize,
    /// Logarithm of its speed over that before.
    change: f64,
}

fn latest_regime(moves: &[Move], model: &Model, hours: Option<&Hours>) -> Regime {
    let flow = Flow::new(moves, model, hours);
    let count = moves.len().min(BLOCKS);
    if count < 2 * LEAST || flow.time() <= 0.0 {
        return Regime::default();
    }
    let speeds: Vec<f64> = flow
        .blocks(count)
        .iter()
        .map(|v| v.max(1e-15).ln())
        .collect();
    let noise = robust_long_run_sd(&speeds).unwrap_or(0.0).max(0.01);
    let Some(found) = levels(&speeds, LEAST, noise) else {
        return Regime::default();
    };
    let real = found
        .windows(2)
        .rfind(|pair| (pair[1].mean - pair[0].mean).abs() > CHANGE.ln());
    let Some([before, latest]) = real else {
        return Regime::default();
    };
    let begins = flow.time() * latest.start as f64 / count as f64;
    // A movement that spans the change belongs to what came before.
    let first = flow
        .ends
        .iter()
        .position(|end| end.0 >= begins - 1e-9)
        .unwrap_or(0);
    if moves.len() - first < FEWEST {
        return Regime::default();
    }
    Regime {
        begins: first,
        change: latest.mean - before.mean,
    }
}

#[cfg(test)]
mod tests;

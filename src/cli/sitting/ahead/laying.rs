//! How long laying down test data takes, told before it begins.

use super::{latest, span};
use crate::plan::Access;
use crate::stats::describe::median;
use crate::study::{State, Study, Trial};
use crate::units::{Bytes, Rate};

/// What the trials of a sitting take, in seconds.
#[derive(Clone, Copy, Debug)]
pub(super) struct Trials {
    pub(super) least: f64,
    pub(super) likely: Option<f64>,
    pub(super) most: f64,
}

/// What is known of the time that laying down takes, in seconds.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Laying {
    /// There is nothing to lay down.
    Nothing,
    /// About so long, at the rate at which a workload has last written.
    About {
        seconds: f64,
        rate: Rate,
        workload: String,
    },
    /// No less than the link takes for it.
    AtLeast {
        seconds: f64,
        line: Rate,
    },
    Unknown,
}

impl Laying {
    /// For `laid` bytes. It is written as large files are, so the latest workload that did just that tells
    /// how fast it goes, flush included; before any did, the link, which carries `line`, bounds it.
    pub(super) fn of(study: &Study, laid: Bytes, line: Option<Rate>) -> Self {
        let time = |rate: Rate| laid.0 as f64 / rate.0;
        if laid.0 == 0 {
            return Self::Nothing;
        }
        if let Some((workload, rate)) = written(study) {
            return Self::About {
                seconds: time(rate),
                rate,
                workload,
            };
        }
        match line.filter(|line| line.0 > 0.0) {
            Some(line) => Self::AtLeast {
                seconds: time(line),
                line,
            },
            None => Self::Unknown,
        }
    }

    /// The seconds that it takes as far as they are known; 0 otherwise.
    pub(super) fn known(&self) -> f64 {
        match self {
            Self::About { seconds, .. } => *seconds,
            Self::Nothing | Self::AtLeast { .. } | Self::Unknown => 0.0,
        }
    }

    /// What is said of it, with the sum of it and `trials` where that is known.
    pub(super) fn sentence(&self, trials: &Trials) -> Option<String> {
        Some(match self {
            Self::Nothing => return None,
            Self::About {
                seconds,
                rate,
                workload,
            } => {
                let sum = |trials: f64| span(seconds + trials);
                let most = sum(trials.most);
                let all = match trials.likely {
                    Some(likely) if sum(likely) == most => format!("about {most} in all"),
                    Some(likely) => format!("about {} in all, {most} at most", sum(likely)),
                    None => format!("{} at least and {most} at most in all", sum(trials.least)),
                };
                format!(
                    "laying down before them takes about {} at the {rate} of the latest {workload}: {all}",
                    span(*seconds)
                )
            }
            Self::AtLeast { seconds, line } => format!(
                "laying down before them takes at least {} over this link, which carries {line}: at least {} in all",
                no_less(*seconds),
                no_less(seconds + trials.least)
            ),
            Self::Unknown => {
                "how long laying down before them takes is not known before a sitting has written"
                    .to_owned()
            }
        })
    }
}

/// The latest workload that wrote as laying down does, as fast as it could and from the beginning to the end
/// of files, and the median rate of its latest sitting.
fn written(study: &Study) -> Option<(String, Rate)> {
    let like_laying = |trial: &&Trial| {
        trial.state == State::Complete
            && trial.read_percent == 0
            && trial.access == Access::Sequential
            && trial.paced_operations_per_s.is_none()
    };
    let workload = &study.trials.iter().rev().find(like_laying)?.workload;
    let of = latest(study, workload);
    let rates: Vec<f64> = of.iter().filter_map(|t| t.rate_bytes_per_s).collect();
    let rate = median(&rates).filter(|rate| *rate > 0.0)?;
    Some((workload.clone(), Rate(rate)))
}

/// A time that is a bound from below, so nothing is rounded up.
fn no_less(seconds: f64) -> String {
    match seconds {
        ..120.0 => format!("{} s", seconds.floor()),
        120.0..600.0 => format!("{:.1} min", (seconds / 6.0).floor() / 10.0),
        _ => span((seconds / 60.0).floor() * 60.0),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_bound_from_below_is_never_rounded_up() {
        for (seconds, told) in [
            (91.9, "91 s"),
            (119.99, "119 s"),
            (143.9, "2.3 min"),
            (144.0, "2.4 min"),
            (599.9, "9.9 min"),
            (659.0, "10 min"),
            (7_259.0, "2 h 00 min"),
        ] {
            assert_eq!(no_less(seconds), told);
        }
    }
}

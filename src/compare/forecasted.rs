//! What was forecast against what came: the forecast made again as it would have been at four moments,
//! and the plan's hours, beside the actual ones.

use jiff::Timestamp;
use jiff::tz::TimeZone;
use serde::Serialize;

use super::reshaped::Reshaped;
use crate::reshape::{Range, State, assess};
use crate::study::Study;
use crate::workers;

/// The positions at which the forecast is made again, those together that are made at once: each takes memory for
/// all readings up to its mark, so the two longest are not.
const MARKS: [[f64; 2]; 2] = [[0.1, 0.9], [1.0 / 3.0, 0.5]];

/// Forecasts against the actual end.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Forecasted {
    /// The first reading.
    pub began: Timestamp,
    /// The position that it told.
    pub from_fraction: f64,
    /// When the reshape began; `None` where it was not read soon enough to tell.
    pub begun: Option<Timestamp>,
    /// When it was done; `None` before that.
    pub finished: Option<Timestamp>,
    /// Hours from the first reading to the end.
    pub hours: Option<f64>,
    /// Seconds between the last reading of it and the first that found it done: the end lies between.
    pub unseen_s: Option<f64>,
    /// Whether the speed of the hours of the day was stated, and reckoned with.
    pub hourly: bool,
    /// The forecast at each of four positions.
    pub moments: Vec<Moment>,
    /// The plan's hours.
    pub plan: Planned,
}

/// The forecast at one position.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Moment {
    /// The position, 0 to 1.
    pub mark: f64,
    /// What would have been said there.
    pub told: Told,
}

/// What would have been said.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Told {
    /// It was not followed there: not yet reached, or passed before the first reading.
    NotRead,
    /// No finish time: the state that it was in.
    Nothing(&'static str),
    /// A finish time with its ranges.
    Finish(Finish),
}

/// A finish time that would have been told.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Finish {
    /// When it would have been told.
    pub made: Timestamp,
    /// The position then.
    pub fraction: f64,
    /// As likely before as after.
    pub finish: Timestamp,
    /// The range that holds the end in 80 of 100 cases.
    pub range80: [Timestamp; 2],
    /// The range that holds it in 95 of 100.
    pub range95: [Timestamp; 2],
    /// Hours by which the finish time was too late; negative when it was too early. `None` before
    /// the end.
    pub error_h: Option<f64>,
    /// The same over the hours that were left.
    pub error_of_left: Option<f64>,
    /// Whether the 80 % range held the end.
    pub held80: Option<bool>,
    /// Whether the 95 % range held it.
    pub held95: Option<bool>,
}

/// The plan's hours against the actual ones.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Planned {
    /// There is no plan to hold it against, or not all of the reshape was seen: why.
    Unknown(String),
    /// Best, likely and worst hours, from the moment at which it began.
    Hours {
        /// Best case; `None` where it is over ten years, as below.
        best: Option<f64>,
        /// Likely.
        likely: Option<f64>,
        /// Worst case.
        worst: Option<f64>,
        /// Whether the actual hours lie between best and worst; `None` before the end.
        held: Option<bool>,
    },
}

impl Told {
    /// Why there is no finish time; `None` where there is one.
    pub fn without(&self) -> Option<String> {
        match self {
            Self::Finish(_) => None,
            Self::NotRead => Some("not read there".to_owned()),
            Self::Nothing("moving" | "slowing") => {
                Some("no finish: too few positions were read".to_owned())
            }
            Self::Nothing(state) => Some(format!("no finish: {state}")),
        }
    }
}

impl Forecasted {
    /// The forecasts of `reshaped` against its end, with what `study` says now of zones and of the
    /// hours of the clock of `zone`.
    pub fn of(study: &Study, reshaped: &Reshaped, zone: &TimeZone) -> Self {
        let moment = |mark: &f64| Moment {
            mark: *mark,
            told: told(study, reshaped, zone, *mark),
        };
        let made = MARKS.iter().map(|marks| workers::each(marks, 1, moment));
        let mut moments: Vec<Moment> = made.flatten().collect();
        moments.sort_by(|one, other| one.mark.total_cmp(&other.mark));
        Self {
            began: reshaped.began,
            from_fraction: reshaped.from,
            begun: reshaped.begun(),
            finished: reshaped.ending.map(|ending| ending.at),
            hours: reshaped.hours(),
            unseen_s: reshaped.ending.map(|ending| {
                let unseen = ending.not_after.duration_since(ending.not_before);
                unseen.as_secs_f64()
            }),
            hourly: study.config.hours(zone.clone()).is_some(),
            moments,
            plan: planned(study, reshaped, zone),
        }
    }
}

fn told(study: &Study, reshaped: &Reshaped, zone: &TimeZone, mark: f64) -> Told {
    let points = &reshaped.track.points;
    // The first reading that counts at or beyond the mark, reached while it was followed.
    let reached = points.iter().find(|point| point.fraction >= mark);
    let Some(reached) = reached.filter(|_| reshaped.from < mark) else {
        return Told::NotRead;
    };
    let readings = reshaped.readings(study);
    let until = readings.iter().position(|reading| {
        reading.at == reached.at && reading.position() == Some(reached.fraction)
    });
    let Some(until) = until else {
        return Told::NotRead;
    };
    let hours = study.config.hours(zone.clone());
    let known = readings.up_to(until + 1);
    let Some(seen) = assess(&known, study.config.zones(), hours.as_ref()) else {
        return Told::NotRead;
    };
    if seen.state == State::Finished {
        return Told::NotRead;
    }
    let Some(forecast) = seen.forecast else {
        return Told::Nothing(seen.state.word());
    };
    let ends = |range: Range| [range.early, range.late];
    let hours = |from: Timestamp, to: Timestamp| to.duration_since(from).as_secs_f64() / 3600.0;
    let actual = reshaped.ending.map(|ending| ending.at);
    let held = |range: Range| actual.map(|at| (range.early..=range.late).contains(&at));
    let error = actual.map(|at| hours(at, forecast.finish));
    let left = actual.map(|at| hours(forecast.made, at));
    Told::Finish(Finish {
        made: forecast.made,
        fraction: forecast.fraction,
        finish: forecast.finish,
        range80: ends(forecast.range80),
        range95: ends(forecast.range95),
        error_h: error,
        error_of_left: error
            .zip(left.filter(|left| *left > 0.0))
            .map(|(error, left)| error / left),
        held80: held(forecast.range80),
        held95: held(forecast.range95),
    })
}

fn planned(study: &Study, reshaped: &Reshaped, zone: &TimeZone) -> Planned {
    let start = reshaped.began.to_zoned_datetime(zone.clone()).datetime();
    let proposal = match study.known_pool().proposal(start) {
        Ok(proposal) => proposal,
        Err(why) => return Planned::Unknown(why.to_owned()),
    };
    if reshaped.begun().is_none() {
        let why = "its begin was not read, so its hours are not known";
        return Planned::Unknown(why.to_owned());
    }
    let outlook = match proposal.outlook() {
        Ok(outlook) => outlook,
        Err(objections) => {
            let why = objections.first().map(ToString::to_string);
            return Planned::Unknown(format!("a plan refuses it: {}", why.unwrap_or_default()));
        }
    };
    let [best, likely, worst] = outlook.time.growth.hours;
    let held = reshaped
        .hours()
        .zip(best)
        .map(|(actual, best)| actual >= best && worst.is_none_or(|worst| actual <= worst));
    Planned::Hours {
        best,
        likely,
        worst,
        held,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::compare::scene::{at, reshaping};
    use crate::reshape::Word;

    fn forecasted(study: &Study) -> Forecasted {
        Forecasted::of(study, &Reshaped::of(study).unwrap(), &TimeZone::UTC)
    }

    fn finish(of: &Forecasted, mark: usize) -> Finish {
        match of.moments[mark].told {
            Told::Finish(finish) => finish,
            ref other => panic!("{other:?}"),
        }
    }

    /// At 2.5 % an hour to the end: every forecast is right.
    #[test]
    fn a_straight_reshape_was_forecast_at_every_moment() {
        let study = reshaping(|hour| match hour < 40.0 {
            true => (hour / 40.0, Word::Running),
            false => (1.0, Word::Finished),
        });
        let found = forecasted(&study);
        assert!((found.hours.unwrap() - 40.0).abs() < 0.01, "{found:?}");
        assert_eq!(found.unseen_s, Some(300.0));
        for mark in 0..4 {
            let finish = finish(&found, mark);
            assert!(finish.error_h.unwrap().abs() < 0.5, "{finish:?}");
            assert_eq!((finish.held80, finish.held95), (Some(true), Some(true)));
        }
        let made = finish(&found, 0).made;
        assert!((made.duration_since(at(4.0)).as_secs_f64()).abs() <= 300.0);
        // RAID 6 of four 6 TB drives: the plan knows drives, and best is before worst.
        let Planned::Hours {
            best, worst, held, ..
        } = found.plan
        else {
            panic!("{:?}", found.plan);
        };
        let (best, worst) = (best.unwrap(), worst.unwrap());
        assert_eq!(held, Some(best <= 40.0 && 40.0 <= worst));
    }

    /// It halves its speed at 60 %: what was forecast before is too early by the same 8 hours.
    #[test]
    fn a_change_that_nobody_could_know_is_an_error_with_its_sign() {
        let study = reshaping(|hour| match hour {
            h if h < 12.0 => (0.05 * h, Word::Running),
            h if h < 28.0 => (0.6 + 0.025 * (h - 12.0), Word::Running),
            _ => (1.0, Word::Finished),
        });
        let found = forecasted(&study);
        let half = finish(&found, 2);
        assert!((half.error_h.unwrap() + 8.0).abs() < 0.5, "{half:?}");
        assert!((half.error_of_left.unwrap() + 8.0 / 18.0).abs() < 0.03);
        assert_eq!(half.held80, Some(false));
        let late = finish(&found, 3);
        assert!(late.error_h.unwrap().abs() < 0.3 && late.held95 == Some(true));
    }

    /// A power cut takes it from 50 % back to 45 %, it stands an hour, is read wrong once at 95 %, and
    /// was followed from 20 % on only.
    #[test]
    fn what_was_not_read_or_stood_has_no_forecast() {
        let mut study = reshaping(|hour| match hour {
            h if h < 6.0 => (0.2 + 0.05 * h, Word::Running),
            h if h < 7.0 => (0.5, Word::Running),
            h if h < 18.0 => (0.45 + 0.05 * (h - 7.0), Word::Running),
            _ => (1.0, Word::Finished),
        });
        study.progress.change(|place, row| {
            row.fraction = if place == 30 {
                Some(0.95)
            } else {
                row.fraction
            };
        });
        let found = forecasted(&study);
        assert_eq!(found.moments[0].told, Told::NotRead);
        assert!(finish(&found, 1).error_h.is_some());
        // The wrong reading at 2:30 is not taken for nine tenths.
        assert!(finish(&found, 3).made > at(15.0), "{found:?}");
        assert!(matches!(&found.plan, Planned::Unknown(why) if why.contains("not read")));
        let running = reshaping(|hour| ((0.01 * hour).min(0.4), Word::Running));
        let found = forecasted(&running);
        assert_eq!((found.finished, finish(&found, 0).error_h), (None, None));
        assert_eq!(found.moments[2].told, Told::NotRead);
    }
}

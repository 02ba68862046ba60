//! What was expected against what was measured, and why they differ, as far as the study's facts tell.
//!
//! Expected is a band between textbook models, as a plan gives it: the drives' part, times the place of
//! the data. A client measures through its link, so that what the link lets through caps it. Reasons
//! are rules on facts; where none fits, that is said, and nothing is made up.

use jiff::civil::DateTime;
use serde::Serialize;

use super::diff;
use super::location::{Unexplained, explain};
use super::{BetweenSittings, Bounds, Comparison, Contrast, Group, Row, Verdict};
use crate::judge::{Judgement, Limit};
use crate::plan::{Phase, StandardSet};
use crate::pool::{self, IpVersion, Outlook, payload_rate};
use crate::record::observed;
use crate::study::Study;
use std::collections::BTreeMap;

/// All expectations, or why there are none.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Expectations {
    /// Why nothing can be expected.
    Unknown(String),
    /// A row a workload that has a model.
    Known(Vec<Expectation>),
}

/// How the measured interval lies to the expected band.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Accord {
    /// They share values.
    AsExpected,
    /// The interval lies above.
    More,
    /// The interval lies below.
    Less,
    /// There is no interval, or one that is too wide to tell.
    Unknown,
}

impl Accord {
    /// The word used in tables and files.
    pub fn word(self) -> &'static str {
        match self {
            Self::AsExpected => "as expected",
            Self::More => "more than expected",
            Self::Less => "less than expected",
            Self::Unknown => "not known",
        }
    }
}

/// What was expected of one workload.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Expectation {
    /// Its name.
    pub workload: String,
    /// After over before by the drives alone, between models.
    pub drives: Bounds,
    /// The factor of the place of the data: between 1 and what a plan reckons, or as it was seen.
    pub location: Bounds,
    /// Whether the place was seen; else nothing tells it, and it is a plan's.
    pub located: bool,
    /// Both, and what the link lets through of it to one client.
    pub band: Bounds,
    /// Whether the link caps the band.
    pub capped: bool,
    /// After over before as measured; `None` where it is void or was not measured.
    pub measured: Option<f64>,
    /// Its interval.
    pub interval: Option<Bounds>,
    /// How they lie.
    pub accord: Accord,
    /// Why, as far as facts tell.
    pub reasons: Vec<Reason>,
}

/// One reason.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Reason {
    /// A word for tables and programs.
    pub word: &'static str,
    /// A sentence without a full stop.
    pub sentence: String,
}

fn reason(word: &'static str, sentence: impl Into<String>) -> Reason {
    let sentence = sentence.into();
    Reason { word, sentence }
}

/// What was expected of the workloads of `study`, against `comparison`.
pub fn expectations(
    study: &Study,
    comparison: &Comparison,
    judgements: &BTreeMap<u64, Judgement>,
) -> Expectations {
    // Speed does not depend on when it begins.
    let proposal = match study.known_pool().proposal(DateTime::default()) {
        Ok(proposal) => proposal,
        Err(why) => return Expectations::Unknown(why.to_owned()),
    };
    let outlook = match proposal.outlook() {
        Ok(outlook) => outlook,
        Err(objections) => {
            let why = objections.first().map(ToString::to_string);
            return Expectations::Unknown(format!(
                "a plan refuses it: {}",
                why.unwrap_or_default()
            ));
        }
    };
    let context = Context {
        study,
        judgements,
        outlook: &outlook,
    };
    let rows = comparison.workloads.iter();
    Expectations::Known(rows.filter_map(|row| context.expectation(row)).collect())
}

/// A gain is not believed that lies wholly above so many times the most that was expected: models and places of data
/// are not so wrong, and caches that nobody saw are often that quick (a choice of ours, no source).
const BELIEVED: f64 = 1.5;

/// Takes the proof from every gain that is too good to be the drives'.
pub(super) fn disbelieve(
    study: &Study,
    comparison: &mut Comparison,
    judgements: &BTreeMap<u64, Judgement>,
) {
    let Expectations::Known(known) = expectations(study, comparison, judgements) else {
        return;
    };
    for row in &mut comparison.workloads {
        let found = known.iter().find(|found| found.workload == row.workload);
        let above = found.is_some_and(|found| {
            let interval = found.interval.map(|interval| interval.low);
            interval.is_some_and(|low| low > BELIEVED * found.band.high)
        });
        if let Some(contrast) = row.after_before.as_mut().filter(|_| above)
            && contrast.verdict == Verdict::Gain
        {
            contrast.verdict = Verdict::NotBelieved;
        }
    }
}

struct Context<'a> {
    study: &'a Study,
    judgements: &'a BTreeMap<u64, Judgement>,
    outlook: &'a Outlook,
}

impl Context<'_> {
    /// `None` for a workload without a model, and for one that was not measured after.
    fn expectation(&self, row: &Row) -> Option<Expectation> {
        let workloads = &self.study.config.workloads;
        (workloads.contains(&row.load) && StandardSet::knows(&row.load)).then_some(())?;
        let contrast = row.after_before.as_ref()?;
        let model = self
            .outlook
            .speed
            .iter()
            .find(|expected| expected.work.word() == row.workload)?;
        let drives = Bounds {
            low: model.ratio.low,
            high: model.ratio.high,
        };
        let place = explain(self.study, row);
        let location = match place {
            Ok(split) => Bounds {
                low: split.location,
                high: split.location,
            },
            Err(_) => Bounds {
                low: model.location.min(1.0),
                high: model.location.max(1.0),
            },
        };
        let pool = Bounds {
            low: drives.low * location.low,
            high: drives.high * location.high,
        };
        let cap = self.cap(row);
        let at_most = |ratio: f64| cap.map_or(ratio, |cap| ratio.min(cap));
        let band = Bounds {
            low: at_most(pool.low),
            high: at_most(pool.high),
        };
        let void = matches!(contrast.verdict, Verdict::Void { .. });
        let interval = contrast.welch.filter(|_| !void).map(|welch| Bounds {
            low: welch.low,
            high: welch.high,
        });
        let accord = accord(band, interval);
        let mut expectation = Expectation {
            workload: row.workload.clone(),
            drives,
            location,
            located: place.is_ok(),
            band,
            capped: band != pool,
            measured: Some(contrast.ratio).filter(|ratio| !void && ratio.is_finite()),
            interval,
            accord,
            reasons: Vec::new(),
        };
        expectation.reasons = self.reasons(row, contrast, model, &expectation, place.err());
        Some(expectation)
    }

    /// The most that the link lets one client see, over what it saw before; `None` where nobody tells
    /// the link.
    fn cap(&self, row: &Row) -> Option<f64> {
        let before = row.group(Phase::Before)?;
        let after = row.group(Phase::After)?;
        let payload = self.payload(after)?;
        // Where the baseline came near it already, noise is no gain and no loss.
        Some((payload / before.median_rate).max(1.0))
    }

    fn payload(&self, group: &Group) -> Option<f64> {
        let seen = |name: &str| {
            let mut trials = group.trials.iter();
            trials.find_map(|trial| self.study.observations.get(trial)?.get(name))
        };
        let stated = self
            .study
            .config
            .link_gigabits
            .map(|gigabits| gigabits * 1e9);
        let line = stated.or_else(|| seen(observed::WIRE_LINE_RATE))?;
        let mtu = seen(observed::WIRE_MTU).unwrap_or(1500.0);
        let version = match seen(observed::WIRE_IP) {
            Some(6.0) => IpVersion::V6,
            _ => IpVersion::V4,
        };
        Some(payload_rate(line as u64, mtu as u64, version, true, false).0)
    }

    fn limit(&self, group: Option<&Group>, limit: Limit) -> bool {
        let trials = group.map_or(&[][..], |group| &group.trials);
        let limited = trials
            .iter()
            .filter_map(|trial| self.judgements.get(trial))
            .filter(|judged| judged.limiting.limit == limit)
            .count();
        2 * limited > trials.len()
    }

    fn reasons(
        &self,
        row: &Row,
        contrast: &Contrast,
        model: &pool::Expected,
        found: &Expectation,
        place: Option<Unexplained>,
    ) -> Vec<Reason> {
        if let Verdict::Void { phase, .. } = contrast.verdict {
            let sentence =
                format!("{phase} is not the drives' speed, so there is nothing to hold against it");
            return vec![reason("void", sentence)];
        }
        let after = row.group(Phase::After);
        let mut reasons = Vec::new();
        if found.capped || self.limit(after, Limit::Link) {
            reasons.push(reason(
                "link",
                "the link is full, so that no more of the pool's speed can be seen through it",
            ));
        }
        let below_models = below(model, found);
        if below_models {
            let sentence = format!(
                "with {} in flight some drives idle by chance, and more drives idle more often",
                model.in_flight
            );
            reasons.push(reason("idle-drives", sentence));
        }
        if found.accord == Accord::AsExpected {
            return reasons;
        }
        if self.limit(after, Limit::Client) {
            reasons.push(reason(
                "client",
                "this client's processor was the limit after the expansion",
            ));
        }
        let zones = self
            .study
            .config
            .stated_inner()
            .is_none_or(|inner| inner < 1.0);
        if model.work.large() && zones && place.is_some() {
            let sentence = "where the test data lies is not known: other tracks of rotating drives are up to twice as fast or half as fast";
            reasons.push(reason("location", sentence));
        }
        let changed = diff::lines(self.study).into_iter();
        let changed: Vec<diff::Line> = changed.filter(diff::Line::differs_after).collect();
        let names: Vec<&str> = changed
            .iter()
            .filter(|line| line.is_setting())
            .map(|line| line.fact.as_str())
            .collect();
        if !names.is_empty() {
            let sentence = format!("beside the drives there changed: {}", names.join(", "));
            reasons.push(reason("settings", sentence));
        }
        let fill = changed.iter().find(|line| !line.is_setting());
        reasons.extend(fill.and_then(|line| filled(line, found.accord)));
        let proposal = &self.outlook.proposal;
        if proposal.scheme != proposal.becoming {
            let sentence = "the level changed with the drives, and the models know only what the new one costs in the end";
            reasons.push(reason("level", sentence));
        }
        if let BetweenSittings::NotIncluded { .. } = contrast.between_sittings {
            let sentence = "differences between sittings are not in the interval, which is too narrow for that";
            reasons.push(reason("sittings", sentence));
        }
        if reasons.is_empty() && found.accord != Accord::Unknown {
            reasons.push(reason("none", "no reason seen"));
        }
        reasons
    }
}

/// The fill level, where it moved the way in which the result differs: data on emptier drives lies
/// further out, and heads go shorter ways.
fn filled(line: &diff::Line, accord: Accord) -> Option<Reason> {
    let [before, _, after] = &line.values;
    let (before, after) = (before.last()?, after.last()?);
    let percent = |text: &str| text.split(' ').next()?.parse::<f64>().ok();
    let emptier = percent(after)? < percent(before)?;
    let fits = accord == if emptier { Accord::More } else { Accord::Less };
    let word = if emptier { "emptier" } else { "fuller" };
    let sentence = format!(
        "the share was {before} full before and {after} after: of {word} drives, other tracks and other ways of the heads are used"
    );
    fits.then(|| reason("fill", sentence))
}

/// Whether the interval lies below what models promise that let no drive idle by chance.
fn below(model: &pool::Expected, found: &Expectation) -> bool {
    let top = |idling: bool| {
        let of = model.promises.iter().filter(|p| p.idling == idling);
        of.map(pool::Promise::ratio)
            .fold(f64::NEG_INFINITY, f64::max)
    };
    let (busy, idling) = (top(false), top(true));
    let high = found.interval.map(|interval| interval.high);
    idling.is_finite()
        && idling < busy * 0.995
        && high.is_some_and(|high| high < busy * found.location.high)
}

/// An interval that spans more than this, and all that was expected, tells nothing of it (a rule of this house,
/// no source).
const WIDE: f64 = 1.5;

fn accord(band: Bounds, interval: Option<Bounds>) -> Accord {
    let wide = |of: Bounds| of.low < band.low && of.high > band.high && of.high > WIDE * of.low;
    match interval {
        None => Accord::Unknown,
        Some(interval) if wide(interval) => Accord::Unknown,
        Some(interval) if interval.low > band.high => Accord::More,
        Some(interval) if interval.high < band.low => Accord::Less,
        Some(_) => Accord::AsExpected,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::compare::{Rules, compare};
    use crate::judge::judge_all;
    use crate::report::testing::{Scene, study};

    fn of(study: &Study) -> Vec<Expectation> {
        let judgements = judge_all(study);
        let comparison = compare(study, &judgements, Rules::of(study));
        match expectations(study, &comparison, &judgements) {
            Expectations::Known(all) => all,
            Expectations::Unknown(why) => panic!("{why}"),
        }
    }

    fn words(of: &Expectation) -> Vec<&'static str> {
        of.reasons.iter().map(|reason| reason.word).collect()
    }

    /// RAID 6 of four drives growing to five: large reads ×1.25 (Chen et al. 1994) to ×1.5 (OSTEP);
    /// the scene's are made to grow to 1.47.
    #[test]
    fn a_gain_within_the_band_is_as_expected() {
        let found = of(&study(Scene::Full));
        assert_eq!(found.len(), 6);
        let read = &found[0];
        assert_eq!((read.drives.low, read.drives.high), (1.25, 1.5));
        assert!(
            read.location.low == 1.0 && read.location.high > 1.03,
            "{read:?}"
        );
        assert!((read.measured.unwrap() / 1.47 - 1.0).abs() < 0.05);
        assert_eq!((read.accord, words(read)), (Accord::AsExpected, vec![]));
        // One read at a time gains nothing: made 1.01.
        let small = &found[2];
        assert_eq!((small.drives.low, small.drives.high), (1.0, 1.0));
        assert_eq!(small.accord, Accord::AsExpected);
    }

    #[test]
    fn what_might_be_anything_is_not_as_expected() {
        let bounds = |low, high| Bounds { low, high };
        let band = bounds(1.0, 1.07);
        assert_eq!(accord(band, Some(bounds(0.56, 1.24))), Accord::Unknown);
        assert_eq!(accord(band, Some(bounds(0.97, 1.1))), Accord::AsExpected);
        // As wide, and all of it above.
        assert_eq!(accord(band, Some(bounds(1.2, 2.6))), Accord::More);
        assert_eq!(accord(band, None), Accord::Unknown);
    }

    #[test]
    fn what_differs_has_the_reasons_that_facts_tell() {
        let mut slow = study(Scene::Full);
        for trial in &mut slow.trials {
            if trial.phase == Phase::After && trial.workload == "large-read" {
                trial.rate_bytes_per_s = trial.rate_bytes_per_s.map(|rate| rate * 0.6);
            }
        }
        let found = of(&slow);
        assert_eq!(found[0].accord, Accord::Less);
        // The packet size and the fill level changed in this scene, and each phase is one sitting.
        assert_eq!(words(&found[0]), ["location", "settings", "sittings"]);
        assert!(
            found[0].reasons[1]
                .sentence
                .contains("largest packet of lan0")
        );
        // With equal facts and drives without zones, nothing is left to say but that.
        let facts = slow.trials[0].facts.clone();
        slow.trials
            .iter_mut()
            .for_each(|trial| trial.facts.clone_from(&facts));
        slow.config.plan = Some(crate::study::Planning {
            assume: pool::Stated {
                inner_percent: Some(100.0),
                ..pool::Stated::default()
            },
            ..crate::study::Planning::default()
        });
        for (number, trial) in slow.trials.iter_mut().enumerate() {
            trial.sitting = trial.sitting * 10 + number as u64 % 2;
        }
        slow.trials.sort_by_key(|trial| trial.sitting);
        let found = of(&slow);
        assert_eq!(
            (found[0].accord, words(&found[0])),
            (Accord::Less, vec!["none"])
        );
    }

    #[test]
    fn a_fill_level_is_a_reason_only_in_its_own_direction() {
        let line = diff::Line {
            fact: "filled part of the share".into(),
            values: [vec!["67 %".into()], vec![], vec!["44 %".into()]],
        };
        assert!(
            filled(&line, Accord::More)
                .unwrap()
                .sentence
                .contains("emptier")
        );
        assert_eq!(filled(&line, Accord::Less), None);
    }

    #[test]
    fn a_full_link_caps_what_one_client_can_see() {
        let mut study = study(Scene::Full);
        // 330 MiB/s before; 2.5 Gb/s carry 294 MB/s of payload (derived from header sizes), less than
        // that already.
        study.config.link_gigabits = Some(2.5);
        let read = of(&study).remove(0);
        assert!(read.capped && read.band.high == 1.0, "{read:?}");
        assert_eq!(words(&read)[0], "link");
        // 10 Gb/s cap nothing.
        study.config.link_gigabits = Some(10.0);
        assert!(!of(&study)[0].capped);
    }

    #[test]
    fn idle_drives_and_void_phases_are_named() {
        let found = of(&study(Scene::Warm));
        assert_eq!(words(&found[0]), ["void"]);
        assert_eq!(
            (found[0].measured, found[0].accord),
            (None, Accord::Unknown)
        );
        let mut low = study(Scene::Full);
        for trial in &mut low.trials {
            if trial.phase == Phase::After && trial.workload == "small-read-deep" {
                trial.rate_bytes_per_s = trial.rate_bytes_per_s.map(|rate| rate * 0.95);
            }
        }
        // 1.27 × 0.95 = 1.21, below the ×1.25 of five busy drives over four.
        let deep = of(&low)
            .into_iter()
            .find(|of| of.workload == "small-read-deep");
        assert_eq!(words(&deep.unwrap()), ["idle-drives"]);
    }

    #[test]
    fn without_a_pool_nothing_is_expected() {
        let mut study = study(Scene::Full);
        study.config.pool = None;
        let judgements = judge_all(&study);
        let comparison = compare(&study, &judgements, Rules::of(&study));
        let found = expectations(&study, &comparison, &judgements);
        assert!(matches!(found, Expectations::Unknown(why) if why.contains("[pool]")));
    }
}

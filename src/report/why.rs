//! Why a trial has its grade: the evidence, what limits, what was not seen, what to do next. Of one that
//! did not run its time: its cause, what that means, what to do.

use serde::Serialize;

use super::data::{csv, text};
use super::grades::{self, Judgements};
use super::json::json;
use super::layout::{clamp, heading, list, paragraph, table};
use super::study::moment;
use super::words;
use super::{advice, layers, sitting, spark};
use crate::judge::{Evidence, Judgement, Says, Share};
use crate::study::tables::cell;
use crate::study::{Fault, State, Study, Trial};
use crate::text::plain;
use crate::units::Rate;

/// The trial that is asked for, or the latest complete one, with its judgement; `None` for that of one
/// that did not run its time.
fn find<'a>(
    study: &'a Study,
    trial: Option<u64>,
    judgements: &'a Judgements,
) -> Result<(&'a Trial, Option<&'a Judgement>), String> {
    let number = match trial {
        Some(number) => number,
        None => *judgements
            .keys()
            .next_back()
            .ok_or("no trial of the study is complete yet: measure first")?,
    };
    let found = study.trials.iter().find(|trial| trial.trial == number);
    let trial = found.ok_or_else(|| {
        let last = study.trials.iter().map(|trial| trial.trial).max();
        let known = last.map_or("it has none yet".to_owned(), |last| {
            let nearest = judgements
                .keys()
                .min_by_key(|other| number.abs_diff(**other));
            let nearest = nearest.map_or(String::new(), |nearest| {
                format!("; the nearest that is complete is {nearest}")
            });
            format!("its last is {last}{nearest}")
        });
        format!("the study has no trial {number}: {known}")
    })?;
    let judged = judgements.get(&number);
    Ok((trial, judged))
}

/// What is told of a trial that did not run its time: what ended it, what that means, what to do.
struct CutShort {
    /// How it ended, and why.
    cause: String,
    /// What that means.
    meaning: &'static str,
    /// What to do.
    next: String,
}

impl CutShort {
    fn of(trial: &Trial) -> Self {
        let again = "Measure again where its workload has too few trials.";
        let (meaning, next) = match (trial.fault(), trial.state) {
            (Some(fault), _) => (
                fault.meaning(),
                format!("{}.", words::sentence_case(Fault::ADVICE)),
            ),
            (None, State::Failed) => (
                "It says nothing of the drives: what it needed was not there, or this machine did not keep still.",
                format!("Mend what the cause names. {again}"),
            ),
            (None, _) => (
                "It was ended before its time, which says nothing of the share.",
                again.to_owned(),
            ),
        };
        Self {
            cause: sitting::cause(trial).unwrap_or_default(),
            meaning,
            next,
        }
    }
}

/// Why `trial`, by default the latest complete one, has its grade: at most `width` characters wide
/// (held between 60 and 110). Text from outside carries no control characters.
///
/// # Errors
/// A sentence when there is no such trial, or when none is named and none is complete.
pub fn why_text(
    study: &Study,
    trial: Option<u64>,
    judgements: &Judgements,
    width: usize,
) -> Result<String, String> {
    let (trial, judged) = find(study, trial, judgements)?;
    let width = clamp(width);
    let banner = words::banner(words::made_up(study));
    let mut text = heading(&format!("{banner}Trial {}", trial.trial));
    let Some(judged) = judged else {
        let cut = CutShort::of(trial);
        text += &paragraph(width, "", &cut.cause);
        text += &paragraph(
            width,
            "",
            &format!(
                "No grade: only trials that ran their time are judged. {}",
                cut.meaning
            ),
        );
        return Ok(text + &list(width, "What to do next", &[cut.next]));
    };
    text += &paragraph(width, "", &format!("{}.", grades::sentence(&judged.ruling)));
    text.push('\n');
    for (name, value) in summary(study, trial, judged) {
        text += &paragraph(width, &format!("{name:<10}"), &value);
    }
    text += &seconds(study, trial, judged, width);
    text += &format!("\n{banner}Evidence, from the client to the drives\n");
    text += &evidence_table(&judged.evidence, width);
    text += &format!("\n{banner}From a drive to the client: bars are known ceilings\n");
    let reached = layers::reached(trial, judged);
    text += &layers::picture(&layers::stages(study, trial, judged), reached.as_ref());
    text += &list(
        width,
        "Not observed, which speaks neither for nor against",
        &advice::absent(study, trial, judged),
    );
    let steps = advice::steps(study, trial, judged);
    Ok(text + &list(width, "What to do next", &steps))
}

/// Names and values of what is known of a trial in short.
fn summary(study: &Study, trial: &Trial, judged: &Judgement) -> Vec<(&'static str, String)> {
    let load = trial.as_workload();
    let rate = sitting::rate(trial);
    let rate = match judged.ruling.grade.is_void() {
        false => rate,
        true => format!("void: {rate} is no speed of the drives"),
    };
    let mut summary = vec![
        (
            "workload",
            format!("{} ({})", plain(&load.name), load.signature()),
        ),
        (
            "measured",
            format!("{} the expansion, {}", trial.phase, moment(trial.started)),
        ),
        ("rate", rate),
        ("cached", grades::share(&judged.ruling)),
        ("limit", plain(&judged.limiting.sentence())),
    ];
    summary.extend(sitting::submission(study, trial).map(|submission| ("submitted", submission)));
    summary
}

/// The trial second by second: bars, what the tallest stands for, and what was taken for warm-up.
fn seconds(study: &Study, trial: &Trial, judged: &Judgement, width: usize) -> String {
    let windows = study.windows.of(trial.trial);
    let rates: Vec<f64> = windows
        .iter()
        .map(|window| (window.read_bytes + window.written_bytes) as f64)
        .collect();
    if rates.len() < 2 {
        return String::new();
    }
    let (shown, each) = spark::gathered(&rates, width - 12);
    let most = shown.iter().copied().fold(0.0, f64::max);
    let bars = spark::bars(shown.into_iter().map(Some), most);
    let top = words::rate(sitting::family(trial), most, trial.block_bytes);
    let top = match judged.ruling.grade.is_void() {
        false => format!("0 to {top}"),
        true => "void, so without a scale".to_owned(),
    };
    let warmup = match windows.iter().filter(|window| window.warmup).count() {
        0 if !trial.steady => "it never got steady, so all of it counts".to_owned(),
        0 => "steady at once, so all of it counts".to_owned(),
        warmup => format!("the first {warmup} s are warm-up"),
    };
    let scale = format!("a bar {each} s, {top}; {warmup}");
    paragraph(width, "seconds   ", &bars) + &paragraph(width, "          ", &scale)
}

fn evidence_table(evidence: &[Evidence], width: usize) -> String {
    if evidence.is_empty() {
        return paragraph(width, "  ", "Nothing was observed beside the operations.");
    }
    let head = [
        "looked at",
        "expected",
        "seen",
        "what it proves",
        "strength",
    ];
    let row = |sign: &Evidence| {
        [sign.source, &sign.expected, &sign.seen, &sign.meaning]
            .map(plain)
            .into_iter()
            .chain([sign.strength.word().to_owned()])
            .collect::<Vec<_>>()
    };
    // An empty line keeps wrapped rows apart.
    let blank = || vec![String::new(); head.len()];
    let rows = evidence.iter().enumerate().flat_map(|(index, sign)| {
        let gap = (index > 0).then(blank);
        gap.into_iter().chain([row(sign)])
    });
    table(width, head.len(), &head, rows)
}

/// The judgement of every complete trial, a row a trial; shares from 0 to 1, an empty cell where
/// nothing tells.
pub fn why_csv(study: &Study, judgements: &Judgements) -> String {
    let head = [
        "trial",
        "phase",
        "workload",
        "simulated",
        "grade",
        "void",
        "cached_share",
        "cached_low",
        "cached_high",
        "limit",
        "reason",
        "limit_sentence",
    ];
    let complete = study
        .trials
        .iter()
        .filter(|trial| trial.state == State::Complete);
    let rows = complete.filter_map(|trial| {
        let judged = judgements.get(&trial.trial)?;
        let cached = judged.ruling.cached;
        Some(vec![
            trial.trial.to_string(),
            trial.phase.to_string(),
            cell(&trial.workload),
            trial.simulated.to_string(),
            judged.ruling.grade.letter().to_owned(),
            (judged.ruling.grade.is_void()).to_string(),
            text(cached.and_then(|cached| cached.estimate)),
            text(cached.map(|cached| cached.low)),
            text(cached.map(|cached| cached.high)),
            judged.limiting.limit.word().to_owned(),
            cell(&judged.ruling.reason),
            cell(&judged.limiting.sentence()),
        ])
    });
    csv(std::iter::once(head.map(str::to_owned).to_vec()).chain(rows))
}

#[derive(Serialize)]
struct WhyJson<'a> {
    study: &'a str,
    simulated: bool,
    trial: u64,
    phase: &'static str,
    workload: &'a str,
    signature: String,
    submission: &'a str,
    /// Empty where none is recorded.
    submission_reason: &'a str,
    grade: &'static str,
    grade_words: &'static str,
    reason: &'a str,
    void: bool,
    /// Null for a void trial, whose rate stands beside it under its own name.
    rate_bytes_per_s: Option<f64>,
    void_rate_bytes_per_s: Option<f64>,
    cached_share: Option<ShareJson>,
    limit: &'static str,
    limit_sentence: String,
    evidence: Vec<EvidenceJson<'a>>,
    layers: Vec<StageJson>,
    not_observed: Vec<String>,
    next: Vec<String>,
}

/// A trial that did not run its time and has no grade.
#[derive(Serialize)]
struct CutShortJson<'a> {
    study: &'a str,
    simulated: bool,
    trial: u64,
    phase: &'static str,
    workload: &'a str,
    state: &'static str,
    cause: &'a str,
    meaning: &'static str,
    next: Vec<String>,
}

#[derive(Serialize)]
struct ShareJson {
    /// Null where there are only bounds.
    estimate: Option<f64>,
    low: f64,
    high: f64,
}

#[derive(Serialize)]
struct EvidenceJson<'a> {
    source: &'a str,
    expected: &'a str,
    seen: &'a str,
    meaning: &'a str,
    says: &'static str,
    layer: Option<&'static str>,
    share: Option<ShareJson>,
    strength: &'static str,
}

#[derive(Serialize)]
struct StageJson {
    layer: &'static str,
    ceiling_bytes_per_s: Option<f64>,
    words: String,
    mark: Option<&'static str>,
}

/// What [`why_text`] tells, as JSON: indented, keys in a fixed order, `null` where nothing tells.
///
/// # Errors
/// As [`why_text`].
pub fn why_json(
    study: &Study,
    trial: Option<u64>,
    judgements: &Judgements,
) -> Result<String, String> {
    let (trial, judged) = find(study, trial, judgements)?;
    let Some(judged) = judged else {
        let cut = CutShort::of(trial);
        return Ok(json(&CutShortJson {
            study: &study.name,
            simulated: words::made_up(study),
            trial: trial.trial,
            phase: trial.phase.word(),
            workload: &trial.workload,
            state: trial.state.word(),
            cause: &trial.cause,
            meaning: cut.meaning,
            next: vec![cut.next],
        }));
    };
    let ruling = &judged.ruling;
    let void = ruling.grade.is_void();
    let rate = trial.rate_bytes_per_s;
    let stages = layers::stages(study, trial, judged);
    let document = WhyJson {
        study: &study.name,
        simulated: words::made_up(study),
        trial: trial.trial,
        phase: trial.phase.word(),
        workload: &trial.workload,
        signature: trial.as_workload().signature(),
        submission: &trial.submission,
        submission_reason: &trial.submission_reason,
        grade: ruling.grade.letter(),
        grade_words: ruling.grade.words(),
        reason: &ruling.reason,
        void,
        rate_bytes_per_s: rate.filter(|_| !void),
        void_rate_bytes_per_s: rate.filter(|_| void),
        cached_share: ruling.cached.map(|cached| ShareJson {
            estimate: cached.estimate,
            low: cached.low,
            high: cached.high,
        }),
        limit: judged.limiting.limit.word(),
        limit_sentence: judged.limiting.sentence(),
        evidence: judged.evidence.iter().map(evidence_json).collect(),
        layers: stages
            .into_iter()
            .map(|stage| StageJson {
                layer: stage.name,
                ceiling_bytes_per_s: stage.ceiling.map(|Rate(rate)| rate),
                words: stage.words,
                mark: stage.mark,
            })
            .collect(),
        not_observed: advice::absent(study, trial, judged),
        next: advice::steps(study, trial, judged),
    };
    Ok(json(&document))
}

fn share_json(share: Share) -> ShareJson {
    ShareJson {
        estimate: Some(share.estimate),
        low: share.low,
        high: share.high,
    }
}

fn evidence_json(sign: &Evidence) -> EvidenceJson<'_> {
    let (says, layer) = grades::says(sign.says);
    EvidenceJson {
        source: sign.source,
        expected: &sign.expected,
        seen: &sign.seen,
        meaning: &sign.meaning,
        says,
        layer: layer.map(grades::layer),
        share: match sign.says {
            Says::Served(_, share) => Some(share_json(share)),
            Says::AtLeast(_, least) => Some(ShareJson {
                estimate: None,
                low: least,
                high: 1.0,
            }),
            Says::AtMost(_, most) => Some(ShareJson {
                estimate: None,
                low: 0.0,
                high: most,
            }),
            Says::Maybe(_, share) => Some(ShareJson {
                estimate: None,
                low: 0.0,
                high: share,
            }),
            Says::Suspect(_) | Says::Broken | Says::Remark => None,
        },
        strength: sign.strength.word(),
    }
}

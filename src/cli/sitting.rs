//! One sitting, on any share: facts, test data, interleaved trials, each on disk before the next.

use std::path::{Path, PathBuf};
use std::time::Duration;

use jiff::Timestamp;

use crate::judge::{Case, Judgement, cache_size, judge, levels};
use crate::load::{Assignment, Drive, LoadError, Measured, Share, Submission, UNTOLD, Watch};
use crate::plan::{Access, Memory, Pattern, Phase, RunPlan, Set, Sizing, Workload};
use crate::record::{Observations, Recording, observed, summarize};
use crate::reshape::assess;
use crate::store::{self, Writer};
use crate::study::tables::line;
use crate::study::{Config, FRESH, State, Study, SweepRow, Trial};
use crate::text::unknown;
use crate::units::{Bytes, Nanos};
use crate::watch::glance;

use super::test_data::{Asked, lay_down, lay_fresh};
use super::{Exit, Failure};

#[cfg(test)]
mod tests;
#[cfg(test)]
mod timed;
pub(super) mod ahead;
pub(super) mod until;

use until::Course;

/// What a sitting is asked to do.
#[derive(Clone, Debug)]
pub(super) struct Request {
    pub(super) phase: Phase,
    /// `key=value` pairs, checked.
    pub(super) tags: Vec<String>,
    /// Names of workloads; empty for all.
    pub(super) workloads: Vec<String>,
    pub(super) trials: usize,
    pub(super) seconds: u64,
    /// Ends trials and the sitting as soon as workloads are known so well (half of the 95 % interval of
    /// the sitting's mean, over that mean); `trials` and `seconds` are the most then.
    pub(super) precision: Option<f64>,
    /// No round of trials begins that may end so long after the sitting began.
    pub(super) within: Option<Duration>,
    pub(super) size: Option<Bytes>,
    pub(super) brief: bool,
    /// What is to keep several operations in flight, where the person said it.
    pub(super) submission: Option<Submission>,
    /// Folder of the study, where a real reshape is looked at with each trial of the phase during.
    pub(super) reshape: Option<PathBuf>,
}

/// What happens in a sitting, for whoever watches.
#[derive(Clone, Debug)]
pub(super) enum Event {
    /// Something that is good to know.
    Note(String),
    /// Something that the person has to know.
    Warning(String),
    /// What the sitting will take, in a sentence.
    Ahead(String),
    /// Test data will be laid down, so much.
    Laying { bytes: Bytes },
    /// So much will be read back, of what.
    Reading { what: &'static str, bytes: Bytes },
    /// So much more of what is laid down or read back is done.
    Laid { bytes: Bytes },
    /// So many trials of so many seconds will be made, or fewer and shorter ones where they are `most`.
    Trials {
        count: usize,
        seconds: u64,
        most: bool,
    },
    /// A trial begins.
    Begin {
        index: usize,
        workload: String,
        /// Bytes of an operation where they are random and so are counted; else bytes are.
        counted: Option<Bytes>,
    },
    /// A working set of a sweep has been read again and is on disk.
    Swept { row: SweepRow },
    /// A trial has ended and is on disk, with its judgement where it is complete.
    End {
        trial: Box<Trial>,
        judged: Option<Box<Judgement>>,
    },
}

/// How a sitting ended.
#[derive(Clone, Copy, Debug)]
pub(super) struct Ended {
    /// Its number.
    pub(super) sitting: u64,
    /// How the program should end.
    pub(super) exit: Exit,
}

/// Steady state is judged on five windows of a second at least.
const SHORTEST: u64 = 5;

/// Operations beyond those of a trial that may have been tried before it. After a share that fell
/// silent, the next trial goes on behind them.
const BEFORE: u64 = 64;

/// A first look is to answer within so long.
const BRIEF: Duration = Duration::from_secs(120);

/// A sitting gives up after so many failed trials in a row.
const FAILURES: usize = 2;

/// Holds a sitting.
///
/// # Errors
/// When it cannot begin or go on; finished trials are kept.
pub(super) fn hold(
    share: &mut dyn Share,
    store: &mut Writer,
    request: &Request,
    watch: &Watch,
    tell: &mut dyn FnMut(Event),
) -> Result<Ended, Failure> {
    let began = share.now();
    let all = store.study().config.all_workloads();
    let chosen = choose(&all, request)?;
    let facts = share.facts();
    for gap in &facts.missing {
        tell(Event::Note(format!("not known: {gap}")));
    }
    if let Some(bytes) = served_test_data(store.study()).filter(|_| request.size.is_none()) {
        tell(Event::Note(format!(
            "a cache served most of the latest sitting from {} of test data: more is laid down where there is room",
            bytes.iec()
        )));
    }
    let (memory, smaller) = ahead::needed(store.study(), facts.client.memory);
    smaller.into_iter().for_each(|said| tell(Event::Note(said)));
    for said in ahead::foresee(share, store, request, &facts)? {
        tell(Event::Ahead(said));
    }
    let facts_id = store.put_facts(facts)?;
    let sizing = lay_down(share, store, request.data(), memory, watch, tell)?;
    if request.fresh() {
        lay_fresh(share, store, request.phase, watch, tell)?;
    }
    let sitting = store.study().next_sitting();
    let before = match request.within {
        Some(_) => share.now().duration_since(began).as_secs_f64().max(0.0),
        None => 0.0,
    };
    let mut course = Course::new(&chosen, request, store.study(), before);
    if request.seconds < SHORTEST {
        tell(Event::Note(format!(
            "trials shorter than {SHORTEST} s cannot be judged steady or not: take longer ones for a verdict"
        )));
    }
    tell(Event::Trials {
        count: course.most(),
        seconds: request.seconds,
        most: request.precision.is_some() || request.within.is_some(),
    });
    let mut failures = 0;
    for index in 0.. {
        if let Some(at) = ended_meanwhile(request, &store.study().config) {
            tell(Event::Warning(format!(
                "the reshape ended {} UTC: what would follow is of the time after (--phase after), and the finished trials are kept",
                at.strftime("%Y-%m-%d %H:%M:%S")
            )));
            break;
        }
        let Some(workload) = course.next(store.study(), tell) else {
            break;
        };
        tell(Event::Begin {
            index,
            workload: workload.name.clone(),
            counted: (workload.access == Access::Random).then_some(workload.block),
        });
        let begun = begin(share, store, request, sitting, workload, &sizing, &facts_id);
        let (trial, hopeless) = run(share, store, &all, workload, begun, request, watch)?;
        course.took(&trial);
        let (state, number, cause) = (trial.state, trial.trial, trial.cause.clone());
        let judged = (state == State::Complete).then(|| judge(&Case::of(store.study(), &trial)));
        tell(Event::End {
            trial: Box::new(trial),
            judged: judged.map(Box::new),
        });
        if damaged(store.study(), |t| t.trial == number) {
            tell(Event::Warning(format!(
                "DAMAGE: trial {number} has read what was never written there: {cause}. Copy what matters elsewhere, then run `poolproof verify` to see how far it reaches"
            )));
        }
        failures = if state == State::Failed {
            failures + 1
        } else {
            0
        };
        if state == State::Interrupted || watch.stopped() {
            let why = watch.reason().unwrap_or(STOPPED);
            tell(Event::Warning(format!("{why}; finished trials are kept")));
            let exit = if why == STOPPED {
                Exit::Interrupted
            } else {
                Exit::Share
            };
            return Ok(Ended { sitting, exit });
        }
        if failures == FAILURES || hopeless {
            let message = format!("trial {number} failed: {cause}; finished trials are kept");
            let exit = match damaged(store.study(), |t| t.sitting == sitting) {
                true => Exit::Damage,
                false => Exit::Share,
            };
            return Err(Failure::new(exit, message));
        }
    }
    let study = store.study();
    let failed = |trial: &Trial| trial.sitting == sitting && trial.state == State::Failed;
    let exit = if damaged(study, |trial| trial.sitting == sitting) {
        Exit::Damage
    } else if study.trials.iter().any(failed) {
        Exit::Share
    } else {
        Exit::Done
    };
    Ok(Ended { sitting, exit })
}

/// When the reshape ended that this sitting is measured beside, by what `watch` has read of it so far.
fn ended_meanwhile(request: &Request, config: &Config) -> Option<Timestamp> {
    let root = request.beside()?;
    let rows = store::progress(root).unwrap_or_default();
    Some(assess(&rows, config.zones(), None)?.ending?.at)
}

/// Whether one of these trials has read damaged blocks.
fn damaged(study: &Study, these: impl Fn(&Trial) -> bool) -> bool {
    study
        .trials
        .iter()
        .filter(|trial| these(trial))
        .any(|trial| {
            let seen = study.observations.get(&trial.trial);
            seen.and_then(|seen| seen.get(observed::DAMAGED_BLOCKS))
                .is_some_and(|blocks| blocks > 0.0)
        })
}

/// The reason of an end that the person asked for.
pub(super) const STOPPED: &str = "stopped on your request";
/// The reason of an end for want of space.
pub(super) const NO_SPACE: &str =
    "stopped because less than a tenth of the share is free: free some space, then measure again";

fn choose(all: &[Workload], request: &Request) -> Result<Vec<Workload>, Failure> {
    // What is written goes to the write set, old data or not.
    let fits = |workload: &&Workload| !request.fresh() || !workload.writes();
    let names = &request.workloads;
    if all.is_empty() {
        let message =
            "study.toml has no [[workload]], so there is nothing to measure: put one back";
        return Err(Failure::new(Exit::Study, message));
    }
    if names.is_empty() {
        return Ok(all.iter().filter(fits).cloned().collect());
    }
    let find = |name: &String| {
        all.iter()
            .find(|workload| workload.name == *name)
            .cloned()
            .ok_or_else(|| {
                let known = all.iter().map(|workload| workload.name.as_str());
                Failure::new(Exit::Usage, unknown("workload", name, known))
            })
    };
    let chosen: Vec<Workload> = names.iter().map(find).collect::<Result<_, _>>()?;
    match chosen.iter().find(|workload| !fits(workload)) {
        Some(writes) => {
            let message = format!(
                "{} writes, and --fresh only reads what it has laid down: leave it out",
                writes.name
            );
            Err(Failure::new(Exit::Usage, message))
        }
        None => Ok(chosen),
    }
}

/// The memories that could serve this share's data, as far as they are known: the largest of what
/// the person stated of the server, what a sweep has found, and the test data itself when a cache
/// served it in the latest sitting. The client's is to be filled in.
pub(super) fn memory(study: &Study) -> Memory {
    let swept = cache_size(&levels(study.latest_sweep()));
    let server = study
        .config
        .server_memory
        .max(swept)
        .max(served_test_data(study));
    Memory {
        client: Bytes(0),
        server,
    }
}

/// The size of the test data, when most of the latest sitting's reading trials came from a cache.
pub(super) fn served_test_data(study: &Study) -> Option<Bytes> {
    let latest = study.trials.last()?.sitting;
    let readers = study.trials.iter().filter(|trial| {
        trial.sitting == latest && trial.state == State::Complete && trial.read_percent > 0
    });
    let (mut served, mut all) = (0, 0);
    for trial in readers {
        all += 1;
        served += usize::from(judge(&Case::of(study, trial)).ruling.grade.is_void());
    }
    (2 * served > all)
        .then(|| study.data.bytes(Set::Read))
        .filter(|bytes| bytes.0 > 0)
}

impl Request {
    /// A first look at all workloads: three trials of 6 s each, or as many as end within the two minutes for
    /// which a person waits at the screen.
    pub(super) fn brief(phase: Phase) -> Self {
        Self {
            phase,
            tags: Vec::new(),
            workloads: Vec::new(),
            trials: 3,
            seconds: 6,
            precision: None,
            within: Some(BRIEF),
            size: None,
            brief: true,
            submission: None,
            reshape: None,
        }
    }

    /// A run as the study is measured: `run` of its `study.toml`.
    pub(super) fn usual(phase: Phase, run: RunPlan) -> Self {
        Self {
            trials: usize::from(run.trials),
            seconds: u64::from(run.seconds),
            within: None,
            brief: false,
            ..Self::brief(phase)
        }
    }

    /// Whether data is read that is laid down now, as its tag says.
    fn fresh(&self) -> bool {
        self.tags.iter().any(|tag| tag == FRESH)
    }

    /// The study's folder, where this is measured beside a real reshape.
    fn beside(&self) -> Option<&Path> {
        let root = self.reshape.as_deref();
        root.filter(|_| self.phase == Phase::During)
    }

    fn data(&self) -> Asked {
        Asked {
            phase: self.phase,
            size: self.size,
            brief: self.brief,
        }
    }
}

fn begin(
    share: &dyn Share,
    store: &Writer,
    request: &Request,
    sitting: u64,
    workload: &Workload,
    sizing: &Sizing,
    facts: &str,
) -> Trial {
    let study = store.study();
    let number = study.next_trial();
    let set = if request.fresh() {
        Set::Fresh
    } else {
        Set::Read
    };
    Trial {
        simulated: study.config.simulated,
        tags: request.tags.join(";"),
        first_operation: study.position(&workload.name, request.fresh()),
        test_data_bytes: study.data.bytes(set).0,
        cacheable_fraction: sizing.cacheable,
        facts: facts.to_owned(),
        ..Trial::begin(number, sitting, request.phase, share.now(), workload)
    }
}

/// What drives a trial of `workload`: what was asked for, what drove it before in this study, on the
/// same kind of file system, or what a short measurement finds.
fn drive(study: &Study, request: &Request, workload: &Workload, facts: &str) -> Drive {
    if !workload.overlaps() {
        return Drive::Measured;
    }
    if let Some(submission) = request.submission {
        return Drive::Given(submission, "asked for".to_owned());
    }
    let usual = study.submission_of(workload, facts);
    let usual = usual.and_then(|(word, first)| Some((Submission::from_word(word)?, first)));
    match usual {
        Some((submission, first)) => Drive::Given(submission, format!("as trial {first}")),
        None => Drive::Measured,
    }
}

/// Runs one trial and puts it on disk, whatever came of it; the trial, and whether it failed so that
/// none can follow.
fn run(
    share: &mut dyn Share,
    store: &mut Writer,
    all: &[Workload],
    workload: &Workload,
    mut trial: Trial,
    request: &Request,
    watch: &Watch,
) -> Result<(Trial, bool), Failure> {
    let study = store.study();
    let fresh = request.fresh().then(|| study.data.fresh_to_read());
    let visited = fresh.as_ref().unwrap_or(&study.data);
    let pattern = Pattern::new(workload, all, visited, study.config.seed)
        .map_err(|error| Failure::new(Exit::Share, error))?;
    trial.pass_operations = pattern.operations();
    let assignment = Assignment {
        workload,
        pattern,
        data: &study.data,
        length: Nanos(request.seconds * Nanos::SECOND.0),
        until: until::until(workload, request),
        first: trial.first_operation,
        reach: study.reach_of(workload, request.seconds),
        trial: trial.trial,
        drive: drive(study, request, workload, &trial.facts),
        observe: true,
    };
    let moved = watch.bytes();
    let mut measured = match share.run(&assignment, watch) {
        Ok(measured) => measured,
        Err(error) => {
            trial.next_operation = trial.first_operation;
            if matches!(error, LoadError::Silent { .. }) {
                let ended = (watch.bytes() - moved) / workload.block.0;
                let under_way = u64::from(workload.depth * workload.streams);
                trial.next_operation += ended + under_way * (1 + UNTOLD) + BEFORE;
            }
            return failed(store, trial, &error);
        }
    };
    if let Some(root) = request.beside() {
        glance(root, &study.config, share.now()).put(&mut measured.observations);
    }
    until::observe(
        workload,
        request,
        &measured.recording,
        &mut measured.observations,
    );
    let summary = summarize(&measured.recording, measured.flush);
    let trial = finish(
        trial.with_summary(&summary, &measured.recording),
        &measured,
        watch,
    );
    store.add_trial(
        trial.clone(),
        &measured.recording,
        &summary,
        &measured.observations,
    )?;
    let full = measured
        .recording
        .failure
        .is_some_and(|failure| failure.is_full());
    Ok((trial, full))
}

/// Puts a trial of which nothing ran on disk; the trial, and whether none can follow.
fn failed(
    store: &mut Writer,
    mut trial: Trial,
    error: &LoadError,
) -> Result<(Trial, bool), Failure> {
    let recording = Recording::nothing();
    let summary = summarize(&recording, None);
    trial.state = State::Failed;
    trial.cause = line(&error.to_string());
    store.add_trial(
        trial.clone(),
        &recording,
        &summary,
        &Observations::default(),
    )?;
    let hopeless = match error {
        LoadError::Full { .. }
        | LoadError::Foreign { .. }
        | LoadError::Missing { .. }
        | LoadError::Silent { .. } => true,
        LoadError::Io { .. } | LoadError::Stopped => false,
    };
    Ok((trial, hopeless))
}

fn finish(mut trial: Trial, measured: &Measured, watch: &Watch) -> Trial {
    trial.submission = measured.submission.word().to_owned();
    trial.submission_reason = line(&measured.submission_reason);
    trial.direct = measured.direct;
    trial.flush_seconds = measured.flush.map(Nanos::secs);
    trial.next_operation = measured.next_first;
    let notes: Vec<String> = measured.notes.iter().map(|note| line(note)).collect();
    trial.notes = notes.join("; ");
    (trial.state, trial.cause) = match (&measured.recording.failure, measured.interrupted) {
        (Some(failure), _) => (State::Failed, line(&failure.to_string())),
        (None, true) => (
            State::Interrupted,
            watch.reason().unwrap_or(STOPPED).to_owned(),
        ),
        (None, false) => (State::Complete, String::new()),
    };
    trial
}

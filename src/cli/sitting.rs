//! One sitting, on any share: facts, test data, interleaved trials, each on disk before the next.

use std::path::PathBuf;

use crate::judge::{Case, cache_size, judge, levels};
use crate::load::{Assignment, LoadError, Measured, Share, Watch};
use crate::plan::{
    self, DataFile, Memory, Pattern, Phase, Set, Sizing, TestData, Workload, keep_free,
};
use crate::record::summarize;
use crate::store::Writer;
use crate::study::tables::cell;
use crate::study::{State, Study, SweepRow, Trial};
use crate::units::{Bytes, Nanos};
use crate::watch::glance;

use super::{Exit, Failure};

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
    pub(super) size: Option<Bytes>,
    pub(super) brief: bool,
    /// Folder of the study, where a real reshape is looked at with each trial of the phase during.
    pub(super) reshape: Option<PathBuf>,
}

/// What happens in a sitting, for whoever watches.
#[derive(Clone, Debug)]
pub(super) enum Event {
    /// Something the person should know.
    Note(String),
    /// Test data will be laid down, so much.
    Laying { bytes: Bytes },
    /// A file of it is on the share.
    Laid { bytes: Bytes },
    /// So many trials of so many seconds will be made.
    Trials { count: usize, seconds: u64 },
    /// A trial begins.
    Begin { index: usize, workload: String },
    /// A working set of a sweep has been read again and is on disk.
    Swept { row: SweepRow },
    /// A trial has ended and is on disk.
    End { trial: Box<Trial> },
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
    let all = store.study().config.all_workloads();
    let chosen = choose(&all, &request.workloads)?;
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
    let memory = Memory {
        client: facts.client.memory,
        ..memory(store.study())
    };
    let facts_id = store.put_facts(facts)?;
    let sizing = lay_down(share, store, request.data(), memory, watch, tell)?;
    let sitting = store.study().next_sitting();
    let order = order(store, &chosen, request, sitting);
    if request.seconds < SHORTEST {
        tell(Event::Note(format!(
            "trials shorter than {SHORTEST} s cannot be judged steady or not: take longer ones for a verdict"
        )));
    }
    tell(Event::Trials {
        count: order.len(),
        seconds: request.seconds,
    });
    let mut failures = 0;
    for (index, workload) in order.iter().enumerate() {
        tell(Event::Begin {
            index,
            workload: workload.name.clone(),
        });
        let begun = begin(share, store, request, sitting, workload, &sizing, &facts_id);
        let (trial, full) = run(share, store, &all, workload, begun, request, watch)?;
        let (state, number, cause) = (trial.state, trial.trial, trial.cause.clone());
        tell(Event::End {
            trial: Box::new(trial),
        });
        failures = if state == State::Failed {
            failures + 1
        } else {
            0
        };
        if state == State::Interrupted || watch.stopped() {
            let why = watch.reason().unwrap_or(STOPPED);
            tell(Event::Note(format!("{why}; finished trials are kept")));
            let exit = if why == STOPPED {
                Exit::Interrupted
            } else {
                Exit::Share
            };
            return Ok(Ended { sitting, exit });
        }
        if failures == FAILURES || full {
            let message = format!("trial {number} failed: {cause}; finished trials are kept");
            return Err(Failure::new(Exit::Share, message));
        }
    }
    let failed = store
        .study()
        .trials
        .iter()
        .any(|t| t.sitting == sitting && t.state == State::Failed);
    Ok(Ended {
        sitting,
        exit: if failed { Exit::Share } else { Exit::Done },
    })
}

/// The reason of an end that the person asked for.
pub(super) const STOPPED: &str = "stopped on your request";
/// The reason of an end for want of space.
pub(super) const NO_SPACE: &str =
    "stopped because less than a tenth of the share is free: free some space, then measure again";

fn choose(all: &[Workload], names: &[String]) -> Result<Vec<Workload>, Failure> {
    if names.is_empty() {
        return Ok(all.to_vec());
    }
    let find = |name: &String| {
        all.iter()
            .find(|workload| workload.name == *name)
            .cloned()
            .ok_or_else(|| {
                let known: Vec<&str> = all.iter().map(|workload| workload.name.as_str()).collect();
                let known = known.join(", ");
                Failure::new(
                    Exit::Usage,
                    format!(
                        "no workload is named '{}': choose from {known}",
                        name.escape_debug()
                    ),
                )
            })
    };
    names.iter().map(find).collect()
}

fn order(store: &Writer, chosen: &[Workload], request: &Request, sitting: u64) -> Vec<Workload> {
    let seed = store.study().config.seed.child("sitting", sitting);
    let order = plan::order(chosen.len(), request.trials, seed);
    order
        .into_iter()
        .map(|index| chosen[index].clone())
        .collect()
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
fn served_test_data(study: &Study) -> Option<Bytes> {
    let latest = study.trials.last()?.sitting;
    let readers = study.trials.iter().filter(|trial| {
        trial.sitting == latest && trial.state == State::Complete && trial.read_percent > 0
    });
    let (mut served, mut all) = (0, 0);
    for trial in readers {
        all += 1;
        served += usize::from(!judge(&Case::of(study, trial)).ruling.grade.holds());
    }
    (2 * served > all)
        .then(|| study.data.bytes(Set::Read))
        .filter(|bytes| bytes.0 > 0)
}

/// What is asked of the test data.
#[derive(Clone, Copy, Debug)]
pub(super) struct Data {
    pub(super) phase: Phase,
    pub(super) size: Option<Bytes>,
    pub(super) brief: bool,
}

impl Request {
    fn data(&self) -> Data {
        Data {
            phase: self.phase,
            size: self.size,
            brief: self.brief,
        }
    }
}

/// Brings the test data to its size, or finds it there.
pub(super) fn lay_down(
    share: &mut dyn Share,
    store: &mut Writer,
    asked: Data,
    memory: Memory,
    watch: &Watch,
    tell: &mut dyn FnMut(Event),
) -> Result<Sizing, Failure> {
    let space = share.space()?;
    let keep = keep_free(space.total);
    if space.available < keep {
        let (available, total) = (space.available.iec(), space.total.iec());
        let message = format!(
            "only {available} of the share's {total} are free, and a tenth has to stay free: free some space, then measure again"
        );
        return Err(Failure::new(Exit::Share, message));
    }
    let mut data = store.study().data.clone();
    // After the baseline the data stays as it is unless more is asked for: trials on another size
    // of test data are no match for it, and free space changes when a pool grows.
    let present = data.bytes(Set::Read);
    let kept = (asked.phase != Phase::Before && present.0 > 0).then_some(present);
    let sizing = plan::size(&data, asked.size.or(kept), asked.brief, memory, space)
        .map_err(|error| Failure::new(Exit::Share, error))?;
    sizing
        .note
        .iter()
        .for_each(|note| tell(Event::Note(note.clone())));
    if data.folder.is_empty() {
        data.folder = format!("poolproof-{}", store.study().config.id.short());
    }
    add_files(&mut data, &sizing, asked.phase);
    // The manifest comes first: whatever happens next, it names every file that may be there.
    store.put_data(data.clone())?;
    share.open_folder(&data)?;
    let missing = || {
        store
            .study()
            .data
            .files
            .iter()
            .filter(|file| !file.complete)
            .cloned()
    };
    let missing: Vec<DataFile> = missing().collect();
    if !missing.is_empty() {
        tell(Event::Laying {
            bytes: missing.iter().map(|file| file.bytes).sum(),
        });
    }
    for file in missing {
        if share.space()?.available < keep + file.bytes {
            return Err(Failure::new(Exit::Share, NO_SPACE));
        }
        match share.lay_down(&file, watch) {
            Err(LoadError::Stopped) => {
                let (why, exit) = match watch.reason() {
                    Some(NO_SPACE) => (NO_SPACE, Exit::Share),
                    _ => (
                        "stopped while test data was laid down; what is complete is kept",
                        Exit::Interrupted,
                    ),
                };
                return Err(Failure::new(exit, why));
            }
            laid => laid?,
        }
        if let Some(entry) = data
            .files
            .iter_mut()
            .find(|entry| entry.number == file.number)
        {
            entry.complete = true;
        }
        store.put_data(data.clone())?;
        tell(Event::Laid { bytes: file.bytes });
    }
    Ok(sizing)
}

/// Adds what `sizing` asks for beyond the files that are listed, complete or not.
fn add_files(data: &mut TestData, sizing: &Sizing, phase: Phase) {
    for (set, wanted) in [
        (Set::Read, sizing.read_files),
        (Set::Write, sizing.write_files),
    ] {
        let present = data.files.iter().filter(|file| file.set == set).count() as u64;
        for _ in present..wanted {
            data.add(set, sizing.file, phase);
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
    Trial {
        simulated: study.config.simulated,
        tags: request.tags.join(";"),
        first_operation: study.position(&workload.name),
        test_data_bytes: study.data.bytes(Set::Read).0,
        cacheable_fraction: sizing.cacheable,
        facts: facts.to_owned(),
        ..Trial::begin(number, sitting, request.phase, share.now(), workload)
    }
}

/// Runs one trial and puts it on disk; the trial, and whether it found the share full.
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
    let pattern = Pattern::new(workload, all, &study.data, study.config.seed)
        .map_err(|error| Failure::new(Exit::Share, error))?;
    trial.pass_operations = pattern.operations();
    let assignment = Assignment {
        workload,
        pattern,
        data: &study.data,
        length: Nanos(request.seconds * Nanos::SECOND.0),
        first: trial.first_operation,
        trial: trial.trial,
        observe: true,
    };
    let mut measured = share.run(&assignment, watch)?;
    if let Some(root) = request
        .reshape
        .as_deref()
        .filter(|_| request.phase == Phase::During)
    {
        glance(root, &study.config, share.now()).put(&mut measured.observations);
    }
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

fn finish(mut trial: Trial, measured: &Measured, watch: &Watch) -> Trial {
    trial.engine = measured.engine.word().to_owned();
    trial.direct = measured.direct;
    trial.flush_seconds = measured.flush.map(Nanos::secs);
    trial.next_operation = measured.next_first;
    let notes: Vec<String> = measured.notes.iter().map(|note| cell(note)).collect();
    trial.notes = notes.join("; ");
    (trial.state, trial.cause) = match (&measured.recording.failure, measured.interrupted) {
        (Some(failure), _) => (State::Failed, cell(&failure.to_string())),
        (None, true) => (
            State::Interrupted,
            watch.reason().unwrap_or(STOPPED).to_owned(),
        ),
        (None, false) => (State::Complete, String::new()),
    };
    trial
}

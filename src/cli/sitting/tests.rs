//! Sittings on a share that fails as told: what is finished is kept, what failed is on disk with its
//! cause, and the end is one sentence.

use std::cell::Cell;
use std::io;
use std::path::Path;

use jiff::{SignedDuration, Timestamp};

use super::*;
use crate::facts::Facts;
use crate::plan::{DataFile, Space, TestData};
use crate::record::{Cause, Failure as Broken};
use crate::seed::Seed;
use crate::sim::{Scenario, SimulatedShare, demo_scenario};
use crate::store;
use crate::study::{Config, Identity};

/// What happens to a trial.
#[derive(Clone, Copy, Debug)]
enum Fate {
    Well,
    /// Its files cannot be opened.
    Unopened(i32),
    /// The folder with the test data is not there.
    Gone,
    /// An operation in its midst fails.
    Broken(i32),
    /// The flush at its end fails.
    Unflushed(i32),
    /// The share stops answering in its midst, when so many bytes were moved.
    Silenced(u64),
}
use Fate::{Broken as BrokenAt, Gone, Silenced, Unflushed, Unopened, Well};

/// A made-up share on which trials have fates.
struct Doomed {
    share: SimulatedShare,
    fates: Vec<Fate>,
    /// The clock of the day is set by so much whenever it is read.
    step: SignedDuration,
    set_by: Cell<SignedDuration>,
}

impl Share for Doomed {
    fn now(&self) -> Timestamp {
        self.set_by.set(self.set_by.get() + self.step);
        self.share.now() + self.set_by.get()
    }

    fn facts(&mut self) -> Facts {
        self.share.facts()
    }

    fn space(&mut self) -> Result<Space, LoadError> {
        self.share.space()
    }

    fn open_folder(&mut self, data: &TestData) -> Result<(), LoadError> {
        self.share.open_folder(data)
    }

    fn lay_down(&mut self, file: &DataFile, watch: &Watch) -> Result<(), LoadError> {
        self.share.lay_down(file, watch)
    }

    fn discard(&mut self, file: &DataFile) -> Result<(), LoadError> {
        self.share.discard(file)
    }

    fn run(&mut self, assignment: &Assignment<'_>, watch: &Watch) -> Result<Measured, LoadError> {
        let os = io::Error::from_raw_os_error;
        let fate = self.fates.remove(0);
        match fate {
            Unopened(number) => return Err(LoadError::io("opening", "scans-003", os(number))),
            Gone => {
                let (folder, share) = ("poolproof-1".into(), "/mnt/scans".into());
                let study = "scans".into();
                return Err(LoadError::Missing {
                    folder,
                    share,
                    study,
                });
            }
            Silenced(bytes) => {
                watch.add(bytes);
                let (share, doing) = ("/mnt/scans".into(), "measuring");
                let seconds = 60;
                return Err(LoadError::Silent {
                    share,
                    doing,
                    seconds,
                });
            }
            Well | BrokenAt(_) | Unflushed(_) => {}
        }
        let mut measured = self.share.run(assignment, watch)?;
        let operation = assignment.pattern.at(assignment.first);
        let failure = match fate {
            BrokenAt(number) => Some(Broken::Operation {
                operation,
                cause: Cause::Os(number),
            }),
            Unflushed(number) => Some(Broken::Flush {
                file: operation.file,
                cause: Cause::Os(number),
            }),
            _ => None,
        };
        measured.recording.failure = failure;
        Ok(measured)
    }
}

/// Holds a sitting of one writing workload with these fates; how it ended, and the trials that a
/// reader of the study finds.
fn sitting(root: &Path, fates: &[Fate]) -> (Result<Ended, Failure>, Vec<Trial>) {
    sitting_with(root, fates, SignedDuration::ZERO)
}

/// A new study of a made-up share.
pub(super) fn made_up(root: &Path, scenario: &Scenario) -> Writer {
    let config = Config {
        simulated: true,
        ..Config::new(Identity(9), Seed(5), scenario.start, "SIMULATED".into())
    };
    Writer::create(root, &config, "test").unwrap()
}

/// The same, while somebody sets the clock by `step` again and again.
fn sitting_with(
    root: &Path,
    fates: &[Fate],
    step: SignedDuration,
) -> (Result<Ended, Failure>, Vec<Trial>) {
    let scenario = demo_scenario(Seed(5));
    let mut store = made_up(root, &scenario);
    let mut share = Doomed {
        share: SimulatedShare::new(scenario).unwrap(),
        fates: fates.to_vec(),
        step,
        set_by: Cell::default(),
    };
    let request = Request {
        phase: Phase::Before,
        tags: Vec::new(),
        workloads: vec!["large-write".into()],
        trials: fates.len(),
        seconds: 1,
        precision: None,
        within: None,
        size: Some(Bytes::GIB),
        brief: true,
        submission: None,
        reshape: None,
    };
    let ended = hold(
        &mut share,
        &mut store,
        &request,
        &Watch::default(),
        &mut drop,
    );
    drop(store);
    (ended, store::read(root).unwrap().trials)
}

fn states(trials: &[Trial]) -> Vec<State> {
    trials.iter().map(|trial| trial.state).collect()
}

const EIO: i32 = 5;
const ENOSPC: i32 = 28;

#[test]
fn one_failure_is_kept_with_its_cause_and_the_sitting_goes_on() {
    let folder = tempfile::tempdir().unwrap();
    for (number, (fate, says)) in [
        (Unopened(EIO), "opening scans-003: Input/output error"),
        (BrokenAt(EIO), "writing file "),
        (Unflushed(EIO), "flushing file "),
    ]
    .into_iter()
    .enumerate()
    {
        let root = folder.path().join(number.to_string());
        let (ended, trials) = sitting(&root, &[Well, fate, Well]);
        assert_eq!(ended.unwrap().exit, Exit::Share, "{fate:?}");
        let expected = [State::Complete, State::Failed, State::Complete];
        assert_eq!(states(&trials), expected, "{fate:?}");
        assert!(trials[1].cause.starts_with(says), "{}", trials[1].cause);
        // Positions go on over what failed.
        assert_eq!(trials[2].first_operation, trials[1].next_operation);
        assert!(trials[1].next_operation >= trials[0].next_operation);
    }
}

#[test]
fn two_failures_in_a_row_end_the_sitting_with_a_sentence() {
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path().join("scans");
    let (ended, trials) = sitting(&root, &[Well, Unopened(EIO), Unflushed(EIO), Well]);
    let failure = ended.unwrap_err();
    assert_eq!(failure.exit, Exit::Share);
    let message = failure.message;
    assert!(
        message.starts_with("trial 3 failed: flushing file "),
        "{message}"
    );
    assert!(message.ends_with("finished trials are kept"), "{message}");
    let expected = [State::Complete, State::Failed, State::Failed];
    assert_eq!(states(&trials), expected);
}

#[test]
fn a_full_or_missing_share_ends_the_sitting_at_once() {
    let folder = tempfile::tempdir().unwrap();
    let fates = [BrokenAt(ENOSPC), Unflushed(ENOSPC), Unopened(ENOSPC), Gone];
    for (number, fate) in fates.into_iter().enumerate() {
        let root = folder.path().join(number.to_string());
        let (ended, trials) = sitting(&root, &[Well, fate, Well]);
        assert_eq!(ended.unwrap_err().exit, Exit::Share, "{fate:?}");
        assert_eq!(
            states(&trials),
            [State::Complete, State::Failed],
            "{fate:?}"
        );
        assert_eq!(trials[1].windows == 0, matches!(fate, Unopened(_) | Gone));
    }
}

#[test]
fn a_share_that_falls_silent_ends_the_sitting_and_the_next_goes_on_behind_what_was_read() {
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path().join("scans");
    let (ended, trials) = sitting(&root, &[Well, Silenced(40 << 20), Well]);
    let failure = ended.unwrap_err();
    assert_eq!(failure.exit, Exit::Share);
    let says = "trial 2 failed: the share /mnt/scans has not answered for 60 s (measuring)";
    assert!(failure.message.starts_with(says), "{}", failure.message);
    assert_eq!(states(&trials), [State::Complete, State::Failed]);
    // Ten blocks of 4 MiB that ended, four in flight with those that each of them may have left untold,
    // and those before the trial.
    let skipped = trials[1].next_operation - trials[1].first_operation;
    assert_eq!(skipped, 10 + 4 * (1 + UNTOLD) + BEFORE);
}

/// Steps of the clock move the hour at which trials begin, and nothing that was measured.
#[test]
fn a_clock_that_is_set_within_a_sitting_changes_no_number() {
    let folder = tempfile::tempdir().unwrap();
    let fates = [Well; 3];
    let (_, steady) = sitting(&folder.path().join("steady"), &fates);
    for (name, hours) in [("back", -7), ("on", 7)] {
        let step = SignedDuration::from_hours(hours);
        let (ended, trials) = sitting_with(&folder.path().join(name), &fates, step);
        assert_eq!(ended.unwrap().exit, Exit::Done);
        assert_eq!(states(&trials), states(&steady));
        assert!(trials.iter().map(|trial| trial.trial).eq(1..=3));
        let begun = |trials: &[Trial]| trials[2].started.duration_since(trials[0].started);
        assert_eq!(begun(&trials) - begun(&steady), step * 2, "{name}");
        for (stepped, steady) in trials.iter().zip(&steady) {
            let unmoved = Trial {
                started: steady.started,
                ..stepped.clone()
            };
            assert_eq!(unmoved, *steady, "{name}");
        }
    }
}

#[test]
fn fresh_data_is_laid_down_once_dealt_alike_and_read_in_an_order_of_its_own() {
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path().join("scans");
    let scenario = demo_scenario(Seed(4));
    let config = Config {
        simulated: true,
        ..Config::new(Identity(4), Seed(4), scenario.start, "SIMULATED".into())
    };
    let mut store = Writer::create(&root, &config, "test").unwrap();
    let mut share = SimulatedShare::new(scenario).unwrap();
    let mut hold = |phase: Phase, tags: &[&str], workload: &str| {
        let request = Request {
            phase,
            tags: tags.iter().map(|tag| (*tag).to_owned()).collect(),
            workloads: vec![workload.to_owned()],
            trials: 1,
            seconds: 1,
            precision: None,
            within: None,
            size: (phase == Phase::Before).then_some(Bytes::GIB),
            brief: true,
            submission: None,
            reshape: None,
        };
        hold(
            &mut share,
            &mut store,
            &request,
            &Watch::default(),
            &mut drop,
        )
    };
    hold(Phase::Before, &[], "small-read").unwrap();
    hold(Phase::After, &[FRESH], "small-read").unwrap();
    hold(Phase::After, &[], "small-read").unwrap();
    hold(Phase::After, &[FRESH], "small-read").unwrap();
    let refused = hold(Phase::After, &[FRESH], "mixed").unwrap_err();
    assert!(
        refused.message.contains("mixed writes"),
        "{}",
        refused.message
    );
    drop(store);
    let study = store::read(&root).unwrap();
    let sizes = |set: Set| {
        let files = study.data.of(set);
        files.map(|file| file.bytes).collect::<Vec<_>>()
    };
    assert_eq!(sizes(Set::Fresh), sizes(Set::Read));
    assert!(
        study
            .data
            .of(Set::Fresh)
            .all(|file| file.phase == Phase::After)
    );
    let [before, fresh, after, again] = study.trials.as_slice() else {
        panic!("{:?}", study.trials);
    };
    assert_eq!(
        [before, fresh, after, again].map(Trial::is_fresh),
        [false, true, false, true]
    );
    assert_eq!((fresh.first_operation, before.first_operation), (0, 0));
    assert_eq!(after.first_operation, before.next_operation);
    assert_eq!(again.first_operation, fresh.next_operation);
    assert_eq!(fresh.test_data_bytes, before.test_data_bytes);
    assert_eq!(fresh.pass_operations, before.pass_operations);
}

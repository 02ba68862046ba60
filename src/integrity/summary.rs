//! What the study's tables say was read back.

use std::collections::{BTreeMap, BTreeSet};

use crate::plan::Phase;
use crate::study::{SealedState, Study, VerifiedRow};
use crate::units::Bytes;

/// How far a pass has come with one file.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Reached {
    /// Bytes from its beginning.
    pub bytes: u64,
    /// Whether that is all of it.
    pub complete: bool,
}

/// A pass over the test data.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Pass {
    /// Its number.
    pub number: u64,
    /// Phase in which it reads.
    pub phase: Phase,
    /// How far it has come, by file.
    pub files: BTreeMap<u64, Reached>,
    /// Sealed files that it has looked at, by seal and number.
    pub sealed: BTreeSet<(u64, u64)>,
    /// Whether it has read everything.
    pub ended: bool,
}

/// The latest pass of the study, finished or not.
pub fn latest_pass(study: &Study) -> Option<Pass> {
    pass(study, study.passes.last()?.pass)
}

/// The latest pass that has read test data, which is what proves something of it: one over sealed files
/// alone, or over nothing, leaves that proof as it is.
pub fn data_pass(study: &Study) -> Option<Pass> {
    pass(study, study.verified.last()?.pass)
}

/// The latest pass that has looked at sealed files.
pub fn sealed_pass(study: &Study) -> Option<Pass> {
    pass(study, study.sealed_checks.last()?.pass)
}

/// Pass `number`, as far as it has come.
fn pass(study: &Study, number: u64) -> Option<Pass> {
    let latest = study.passes.iter().rfind(|row| row.pass == number)?;
    let phase = latest.read_phase;
    let mut files = BTreeMap::<u64, Reached>::new();
    for row in study.verified.iter().filter(|row| row.pass == number) {
        let reached = files.entry(row.file).or_default();
        reached.bytes = row.offset_bytes.saturating_add(row.bytes);
        reached.complete = row.complete;
    }
    let checks = study.sealed_checks.iter().filter(|row| row.pass == number);
    Some(Pass {
        number,
        phase,
        files,
        sealed: checks.map(|row| (row.seal, row.file)).collect(),
        ended: latest.ended,
    })
}

/// The latest pass, when it reads in `phase` and has not come to its end.
pub fn open_pass(study: &Study, phase: Phase) -> Option<Pass> {
    latest_pass(study).filter(|pass| pass.phase == phase && !pass.ended)
}

/// Test data that was laid down in one phase and read back in one pass.
#[derive(Clone, Debug, PartialEq)]
pub struct ReadBack {
    /// Number of the pass.
    pub pass: u64,
    /// Phase in which it was laid down.
    pub laid: Phase,
    /// Phase in which it was read back.
    pub read: Phase,
    /// Files of which something was read.
    pub files: u64,
    /// Bytes that were looked for.
    pub bytes: Bytes,
    /// Blocks of 4 KiB.
    pub blocks: u64,
    /// Of these, blocks that hold something else.
    pub differing: u64,
    /// Blocks that could not be read.
    pub unreadable: u64,
    /// Blocks that are not there.
    pub missing: u64,
    /// Blocks that a trial which was cut off may have left half written.
    pub unsettled: u64,
    /// Time that it took.
    pub seconds: f64,
    /// Bytes of which it is known that they passed this client's cache.
    pub direct: Bytes,
    /// Whether all files that the manifest lists of the phase were read to their end.
    pub complete: bool,
}

impl ReadBack {
    /// Blocks that are damaged.
    pub fn damaged(&self) -> u64 {
        self.differing + self.unreadable + self.missing
    }
}

/// What pass number `pass` has read back, by phase of laying down.
pub fn read_back(study: &Study, pass: u64) -> Vec<ReadBack> {
    Phase::ALL
        .into_iter()
        .filter_map(|laid| of_phase(study, pass, laid))
        .collect()
}

fn of_phase(study: &Study, pass: u64, laid: Phase) -> Option<ReadBack> {
    let rows = study.verified.iter();
    let rows: Vec<&VerifiedRow> = rows
        .filter(|row| row.pass == pass && row.laid_phase == laid)
        .collect();
    let read = rows.first()?.read_phase;
    let sum = |of: fn(&VerifiedRow) -> u64| rows.iter().map(|row| of(row)).sum();
    let whole: BTreeSet<u64> = rows
        .iter()
        .filter(|row| row.complete)
        .map(|row| row.file)
        .collect();
    let listed = study.data.files.iter();
    let mut listed = listed.filter(|file| file.complete && file.phase == laid);
    let files: BTreeSet<u64> = rows.iter().map(|row| row.file).collect();
    Some(ReadBack {
        pass,
        laid,
        read,
        files: files.len() as u64,
        bytes: Bytes(sum(|row| row.bytes)),
        blocks: sum(|row| row.blocks),
        differing: sum(|row| row.differing),
        unreadable: sum(|row| row.unreadable),
        missing: sum(|row| row.missing),
        unsettled: sum(|row| row.unsettled),
        seconds: rows.iter().map(|row| row.seconds).sum(),
        direct: Bytes(sum(|row| {
            if row.direct == Some(true) {
                row.bytes
            } else {
                0
            }
        })),
        complete: listed.all(|file| whole.contains(&file.number)),
    })
}

/// Sealed files as one pass found them.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Sealing {
    /// Number of the pass.
    pub pass: u64,
    /// Number of the seal.
    pub seal: u64,
    /// Files by how they were found.
    pub files: BTreeMap<SealedState, u64>,
    /// Sampled blocks that were compared.
    pub blocks: u64,
    /// Of these, blocks that differ.
    pub differing: u64,
    /// Files of which all content was compared, and its size.
    pub whole: (u64, Bytes),
}

impl Sealing {
    /// How many files were found so.
    pub fn of(&self, state: SealedState) -> u64 {
        self.files.get(&state).copied().unwrap_or(0)
    }

    /// Files that are damaged.
    pub fn damaged(&self) -> u64 {
        let damage = SealedState::ALL
            .into_iter()
            .filter(|state| state.is_damage());
        damage.map(|state| self.of(state)).sum()
    }
}

/// How pass number `pass` found the sealed files, seal by seal: each has drawn a sample of its own.
pub fn sealing(study: &Study, pass: u64) -> Vec<Sealing> {
    let mut all = BTreeMap::<u64, Sealing>::new();
    for row in study.sealed_checks.iter().filter(|row| row.pass == pass) {
        let found = all.entry(row.seal).or_insert_with(|| Sealing {
            pass,
            seal: row.seal,
            ..Sealing::default()
        });
        *found.files.entry(row.state).or_default() += 1;
        found.blocks += row.blocks;
        found.differing += row.differing;
        if row.blocks == 0 && row.bytes > 0 {
            found.whole.0 += 1;
            found.whole.1 = found.whole.1 + Bytes(row.bytes);
        }
    }
    all.into_values().collect()
}

//! What each block of test data must hold.
//!
//! The read set is written once, so its blocks are of generation 0 for ever. Blocks of the write set
//! are laid down with generation 0, too, and get that of each trial that writes them; which trial
//! that was last follows from the order of the workload, so that a write which was acknowledged,
//! flushed and lost afterwards is found. A trial that fails or is cut off leaves what it has
//! reached; before a trial of large writes, zeros stand for a moment where it will write.

use std::collections::{BTreeMap, BTreeSet};

use super::finding::{self, Finding};
use crate::plan::content::{self, Address, BLOCK, Damage};
use crate::plan::{CLASS_BLOCK, CLASS_WRITES, DataFile, Direction, Pattern, Set};
use crate::record::observed;
use crate::study::{Identity, Kind, Study, Trial};

/// Writes that are followed back at most, the latest first: what is older is believed.
const FOLLOWED: u64 = 20_000_000;

/// What the test data of a study must hold.
#[derive(Clone, Debug)]
pub struct Expected {
    study: Identity,
    /// What each file is for, and its blocks.
    files: BTreeMap<u64, (Set, usize)>,
    /// The latest trial that is known to have written each block, by file; 0 for none.
    latest: BTreeMap<u64, Vec<u32>>,
    /// Trials that only read: nothing can be theirs.
    readers: BTreeSet<u64>,
    /// No trial has a higher number.
    newest: u64,
    /// Files and blocks where zeros may have been left.
    zeros: BTreeSet<(u64, u64)>,
}

/// What a block is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Judged {
    /// What belongs there.
    Whole,
    /// What a trial that was cut off may have left.
    Unsettled,
    /// Something else, and what.
    Damaged(Kind, String),
}

impl Expected {
    /// What `study` tells of its test data.
    pub fn of(study: &Study) -> Self {
        let read_only = |trial: &&Trial| trial.read_percent == 100;
        let of_file = |file: &DataFile| {
            let blocks = (file.bytes.0 / BLOCK as u64) as usize;
            (file.number, (file.set, blocks))
        };
        let mut expected = Self {
            study: study.config.id,
            files: study.data.files.iter().map(of_file).collect(),
            latest: BTreeMap::new(),
            readers: study
                .trials
                .iter()
                .filter(read_only)
                .map(|trial| trial.trial)
                .collect(),
            newest: study.next_trial(),
            zeros: BTreeSet::new(),
        };
        expected.follow(study);
        expected
    }

    /// Only that blocks of the read set are as they were laid down: all that a trial needs.
    pub fn laid_down(study: Identity) -> Self {
        Self {
            study,
            files: BTreeMap::new(),
            latest: BTreeMap::new(),
            readers: BTreeSet::new(),
            newest: 0,
            zeros: BTreeSet::new(),
        }
    }

    fn follow(&mut self, study: &Study) {
        let all = study.config.all_workloads();
        let writers = all.iter().filter(|workload| workload.writes());
        let mut left = FOLLOWED;
        for workload in writers {
            let Ok(pattern) = Pattern::new(workload, &all, &study.data, study.config.seed) else {
                continue;
            };
            let order = pattern.write_order().map(|order| order as f64);
            let seen = |trial: &Trial, name| study.observations.get(&trial.trial)?.get(name);
            let of_it = || {
                let trials = study.trials.iter().rev();
                trials.filter(|trial| trial.workload == workload.name)
            };
            for trial in of_it() {
                let Some(from) = seen(trial, observed::WRITTEN_FROM) else {
                    continue;
                };
                if seen(trial, observed::WRITE_ORDER) != order {
                    break;
                }
                // What a paced stream has taken up and waits for is never written.
                let waiting = match trial.paced_operations_per_s {
                    Some(_) => u64::from(trial.depth) * u64::from(trial.streams),
                    None => 0,
                };
                let to = trial.next_operation.saturating_sub(waiting);
                for number in (from as u64..to).rev() {
                    if left == 0 {
                        return;
                    }
                    left -= 1;
                    self.written(&pattern, number, trial);
                }
            }
            if !workload.reads() && workload.block.0 >= CLASS_BLOCK {
                let cut_off = of_it()
                    .filter(|trial| seen(trial, observed::WRITE_RANDOM).is_none())
                    .map(|trial| trial.first_operation);
                for first in cut_off.chain([study.position(&workload.name, false)]) {
                    self.may_be_zeros(&pattern, first, workload.block.0);
                }
            }
        }
    }

    fn written(&mut self, pattern: &Pattern, number: u64, trial: &Trial) {
        let operation = pattern.at(number);
        let Some(&(_, blocks)) = self.files.get(&operation.file) else {
            return;
        };
        if operation.direction != Direction::Write {
            return;
        }
        let latest = self.latest.entry(operation.file);
        let latest = latest.or_insert_with(|| vec![0; blocks]);
        let first = operation.first_block() as usize;
        let end = first + (trial.block_bytes as usize / BLOCK);
        let writer = u32::try_from(trial.trial).unwrap_or(u32::MAX);
        for block in latest.get_mut(first..end).into_iter().flatten() {
            *block = (*block).max(writer);
        }
    }

    fn may_be_zeros(&mut self, pattern: &Pattern, first: u64, bytes: u64) {
        for number in first..first + CLASS_WRITES {
            let operation = pattern.at(number);
            let blocks = operation.first_block()..operation.first_block() + bytes / BLOCK as u64;
            self.zeros
                .extend(blocks.map(|block| (operation.file, block)));
        }
    }

    /// What the 4 KiB that were read as block number `block` of file number `file` are.
    pub fn judge(&self, file: u64, block: u64, content: &[u8]) -> Judged {
        let home = Address {
            study: self.study.0,
            file,
            block,
            generation: 0,
        };
        match content::check(content, home) {
            Ok(generation) => self.generation(home, generation),
            Err(_) if self.is_left_over(home, content) => Judged::Unsettled,
            Err(Damage::Place) => finding::elsewhere(content, home),
            Err(Damage::Foreign | Damage::Content) => finding::altered(content, home),
        }
    }

    fn generation(&self, home: Address, generation: u64) -> Judged {
        let wrong = |found: String| Judged::Damaged(Kind::Generation, found);
        let (set, latest) = (
            self.files.get(&home.file).map_or(Set::Read, |file| file.0),
            self.latest
                .get(&home.file)
                .and_then(|blocks| blocks.get(home.block as usize))
                .map_or(0, |latest| u64::from(*latest)),
        );
        let writer = match generation {
            0 if latest == 0 => return Judged::Whole,
            0 => 0,
            generation => (generation >> 16).saturating_sub(1),
        };
        let written = match writer {
            0 => "as it was laid down".to_owned(),
            trial => format!("as trial {trial} wrote it"),
        };
        match set {
            Set::Read | Set::Fresh => wrong(format!(
                "{written}, though it was laid down once and only read since"
            )),
            Set::Write if writer < latest => wrong(format!(
                "{written}, though trial {latest} wrote it later and flushed it: that write is lost"
            )),
            Set::Write if writer > self.newest || self.readers.contains(&writer) => {
                wrong(format!("{written}, and no such trial has written here"))
            }
            Set::Write => Judged::Whole,
        }
    }

    /// Whether a block is what stands for a moment before a trial of large writes.
    fn is_left_over(&self, home: Address, content: &[u8]) -> bool {
        let zero = |bytes: &[u8]| bytes.iter().all(|byte| *byte == 0);
        let (front, back) = content.split_at(BLOCK / 2);
        self.zeros.contains(&(home.file, home.block))
            && zero(back)
            && (zero(front) || finding::header_is(front, home))
    }

    /// Judges `content`, which was read from `offset` of file number `file`, block by block; returns
    /// what is damaged, neighbours that are damaged alike together, and how many are unsettled.
    pub fn inspect(&self, file: u64, offset: u64, content: &[u8]) -> (Vec<Finding>, u64) {
        let (mut found, mut unsettled) = (Vec::new(), 0);
        let first = offset / BLOCK as u64;
        for (block, content) in (first..).zip(content.chunks_exact(BLOCK)) {
            match self.judge(file, block, content) {
                Judged::Whole => {}
                Judged::Unsettled => unsettled += 1,
                Judged::Damaged(kind, what) => {
                    Finding::add(&mut found, Finding::block(block, kind, what));
                }
            }
        }
        (found, unsettled)
    }
}

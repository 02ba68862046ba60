//! Where operation number `i` of a workload goes: a pure function of `i`.
//!
//! Each workload of a study has a part of each set of its own: files are dealt out like cards, four
//! to a sequential workload for each one that a random workload gets. So no workload reads what
//! another has just pulled into a cache, random ones span the whole of the data, and sequential
//! ones keep long runs. Positions go on from trial to trial and from sitting to sitting: a block is
//! read again only when all of its part have been read.

use super::content::BLOCK;
use super::{Access, DataFile, Permutation, Set, TestData, Workload};
use crate::seed::Seed;

/// To the share or from it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Direction {
    /// From the share.
    Read,
    /// To the share.
    Write,
}

/// Where one operation goes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Operation {
    /// To or from the share.
    pub direction: Direction,
    /// Number of the file.
    pub file: u64,
    /// Offset in the file in bytes, a multiple of the workload's block.
    pub offset: u64,
    /// How often the whole part has been visited before.
    pub pass: u64,
}

impl Operation {
    /// The number of the first 4 KiB block that it touches.
    pub fn first_block(&self) -> u64 {
        self.offset / BLOCK as u64
    }
}

/// Why a workload finds no place in the test data.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error(
    "workload '{workload}' finds no room in {files} files of {file_mib} MiB of {set} data: lay down more with --size, or choose a smaller block"
)]
pub struct PatternError {
    workload: String,
    set: &'static str,
    files: usize,
    file_mib: u64,
}

/// The order in which a workload visits its part of the test data.
#[derive(Clone, Debug)]
pub struct Pattern {
    read: Option<Part>,
    write: Option<Part>,
    block: u64,
    read_percent: u64,
    directions: Seed,
}

/// The files of one set that belong to one workload.
#[derive(Clone, Debug)]
struct Part {
    files: Vec<u64>,
    operations_per_file: u64,
    operations: u64,
    access: Access,
    seed: Seed,
    /// The order of the first pass, made once; later passes are rare and made when needed.
    first_pass: Permutation,
}

impl Pattern {
    /// The pattern of `workload`, one of `all` workloads of the study, over the complete files of
    /// `data`. The order of `all` decides who gets which file.
    ///
    /// # Errors
    /// When the workload's part of a set that it needs holds not one block.
    pub fn new(
        workload: &Workload,
        all: &[Workload],
        data: &TestData,
        study: Seed,
    ) -> Result<Self, PatternError> {
        let part = |set, needed: fn(&Workload) -> bool| {
            needed(workload)
                .then(|| Part::new(workload, all, data, set, needed, study))
                .transpose()
        };
        Ok(Self {
            read: part(Set::Read, Workload::reads)?,
            write: part(Set::Write, Workload::writes)?,
            block: workload.block.0,
            read_percent: u64::from(workload.read_percent),
            directions: study.child(&workload.name, 2),
        })
    }

    /// Operation number `index`.
    pub fn at(&self, index: u64) -> Operation {
        let draw = || self.directions.child("direction", index).0 % 100;
        let (direction, part) = match (&self.read, &self.write) {
            (Some(read), Some(_)) if draw() < self.read_percent => (Direction::Read, read),
            (_, Some(write)) => (Direction::Write, write),
            (Some(read), None) => (Direction::Read, read),
            (None, None) => unreachable!("a workload reads or writes"),
        };
        let (pass, index) = (index / part.operations, index % part.operations);
        let place = part.place(pass, index);
        Operation {
            direction,
            file: part.files[(place / part.operations_per_file) as usize],
            offset: place % part.operations_per_file * self.block,
            pass,
        }
    }

    /// Operations after which blocks are read, or by a workload that never reads written, again.
    pub fn operations(&self) -> u64 {
        let part = self.read.as_ref().or(self.write.as_ref());
        part.map_or(0, |part| part.operations)
    }

    /// Numbers of the files that are read, then of those that are written.
    pub fn files(&self) -> (&[u64], &[u64]) {
        fn files(part: &Option<Part>) -> &[u64] {
            part.as_ref().map_or(&[], |part| &part.files)
        }
        (files(&self.read), files(&self.write))
    }
}

impl Part {
    fn new(
        workload: &Workload,
        all: &[Workload],
        data: &TestData,
        set: Set,
        needed: fn(&Workload) -> bool,
        study: Seed,
    ) -> Result<Self, PatternError> {
        let set_files: Vec<&DataFile> = data.of(set).collect();
        let file_bytes = data.file_bytes().unwrap_or_default();
        let sharers: Vec<&Workload> = all.iter().filter(|w| needed(w)).collect();
        let own = sharers
            .iter()
            .position(|w| w.name == workload.name)
            .unwrap_or(0);
        let weights: Vec<i64> = sharers.iter().map(|w| weight(w.access)).collect();
        let files: Vec<u64> = deal(set_files.len(), &weights)
            .zip(&set_files)
            .filter(|(owner, _)| *owner == own)
            .map(|(_, file)| file.number)
            .collect();
        let operations_per_file = file_bytes.0 / workload.block.0;
        let within_span = workload
            .span
            .map_or(u64::MAX, |span| span.0 / workload.block.0);
        let operations = (operations_per_file * files.len() as u64).min(within_span);
        if operations == 0 {
            return Err(PatternError {
                workload: workload.name.clone(),
                set: if set == Set::Read { "read" } else { "write" },
                files: set_files.len(),
                file_mib: file_bytes.0 >> 20,
            });
        }
        let seed = study.child(&workload.name, set as u64);
        let first_pass = Permutation::new(operations, seed.child("pass", 0));
        let access = workload.access;
        Ok(Self {
            files,
            operations_per_file,
            operations,
            access,
            seed,
            first_pass,
        })
    }

    fn place(&self, pass: u64, index: u64) -> u64 {
        match (self.access, pass) {
            (Access::Sequential, _) => index,
            (Access::Random, 0) => self.first_pass.at(index),
            (Access::Random, pass) => {
                Permutation::new(self.operations, self.seed.child("pass", pass)).at(index)
            }
        }
    }
}

fn weight(access: Access) -> i64 {
    match access {
        Access::Sequential => 4,
        Access::Random => 1,
    }
}

/// Deals `cards` to players by weight, as evenly as can be: whoever is furthest behind gets the
/// next one.
fn deal(cards: usize, weights: &[i64]) -> impl Iterator<Item = usize> {
    let total: i64 = weights.iter().sum();
    let weights = weights.to_vec();
    let mut credit = vec![0i64; weights.len()];
    (0..cards).map(move |_| {
        credit
            .iter_mut()
            .zip(&weights)
            .for_each(|(credit, weight)| *credit += weight);
        let next = (0..credit.len())
            .max_by_key(|&i| (credit[i], -(i as i64)))
            .unwrap_or(0);
        credit[next] -= total;
        next
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::Phase;
    use crate::units::Bytes;
    use std::collections::BTreeMap;

    fn data(read: u64, write: u64) -> TestData {
        let files = (0..read + write)
            .map(|number| DataFile {
                number,
                set: if number < read { Set::Read } else { Set::Write },
                bytes: Bytes::MIB,
                phase: Phase::Before,
                complete: true,
            })
            .collect();
        TestData {
            folder: "data".into(),
            next_number: 0,
            files,
        }
    }

    #[test]
    fn no_block_is_read_twice_in_a_pass_by_any_of_the_standard_set() {
        let (all, data) = (Workload::standard(), data(40, 10));
        let mut reads = BTreeMap::<(u64, u64), u32>::new();
        for workload in &all {
            let pattern = Pattern::new(workload, &all, &data, Seed(1)).unwrap();
            for index in 0..pattern.operations() {
                let operation = pattern.at(index);
                if operation.direction == Direction::Read {
                    assert_eq!(operation.pass, 0);
                    for block in 0..workload.block.0 / BLOCK as u64 {
                        let key = (operation.file, operation.first_block() + block);
                        *reads.entry(key).or_default() += 1;
                    }
                }
            }
        }
        assert!(reads.values().all(|&count| count == 1));
        assert!(
            reads.keys().all(|(file, _)| *file < 40),
            "reads stay in the read set"
        );
        // All of the set is visited but for the mixed workload's seventh, where turns that write
        // pass over blocks and the smaller write set ends the pass.
        assert!(
            reads.len() as f64 > 6.0 / 7.0 * 40.0 * 256.0,
            "{}",
            reads.len()
        );
    }

    #[test]
    fn a_mixed_workload_keeps_its_share_of_reads() {
        let (all, data) = (Workload::standard(), data(400, 100));
        let pattern = Pattern::new(&all[5], &all, &data, Seed(2)).unwrap();
        let reads = (0..10_000)
            .filter(|&i| pattern.at(i).direction == Direction::Read)
            .count();
        // Binomial, n = 10,000, p = 0.7: five standard deviations are 229.
        assert!(reads.abs_diff(7_000) < 230, "seed 2: {reads}");
    }

    #[test]
    fn the_second_pass_has_another_order() {
        let (all, data) = (Workload::standard(), data(40, 10));
        let pattern = Pattern::new(&all[2], &all, &data, Seed(1)).unwrap();
        let n = pattern.operations();
        assert_eq!(pattern.at(n).pass, 1);
        assert!(
            (0..n)
                .filter(|&i| pattern.at(i).offset == pattern.at(n + i).offset)
                .count()
                < 50
        );
    }

    #[test]
    fn too_little_data_is_said() {
        let all = Workload::standard();
        let error = Pattern::new(&all[0], &all, &TestData::default(), Seed(1)).unwrap_err();
        assert!(error.to_string().contains("large-read"), "{error}");
    }
}

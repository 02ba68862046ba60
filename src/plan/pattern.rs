//! Where operation number `i` of a workload goes: a pure function of `i`.
//!
//! Each workload of a study has a part of each set of its own: files are dealt out like cards, four
//! bytes to a sequential workload for each one that a random workload gets. So no workload reads
//! what another has just pulled into a cache, random ones span the whole of the data, and sequential
//! ones keep long runs. Positions go on from trial to trial and from sitting to sitting: a block is
//! read again only when all of its part have been read. Files are dealt in the order of their
//! numbers, so that data that grows leaves every file with its workload.

use twox_hash::XxHash3_64;

use super::content::BLOCK;
use super::{Access, DataFile, Permutation, Set, TestData, Workload};
use crate::seed::Seed;
use crate::units::Bytes;

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
    "workload '{workload}' finds no room in {files} files, {bytes} in all, of {set} data: lay down more with --size, or choose a smaller block"
)]
pub struct PatternError {
    workload: String,
    set: &'static str,
    files: usize,
    bytes: Bytes,
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
    /// Operations up to the end of each file.
    ends: Vec<u64>,
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
        let (file, within) = part.file_at(part.place(pass, index));
        Operation {
            direction,
            file,
            offset: within * self.block,
            pass,
        }
    }

    /// Operations after which blocks are read, or by a workload that never reads written, again.
    pub fn operations(&self) -> u64 {
        let part = self.read.as_ref().or(self.write.as_ref());
        part.map_or(0, |part| part.operations)
    }

    /// A number that tells one order of writes from another, exact in a float; `None` where nothing
    /// is written. Equal numbers mean that an operation's number leads to the same block.
    pub fn write_order(&self) -> Option<u64> {
        let part = self.write.as_ref()?;
        let mixed = self.read.as_ref().map_or(0, |_| self.read_percent);
        let numbers = [
            self.block,
            mixed,
            self.directions.0,
            part.operations,
            part.access as u64,
            part.seed.0,
        ];
        let files = part.files.iter().chain(&part.ends);
        let key: Vec<u8> = numbers
            .iter()
            .chain(files)
            .flat_map(|n| n.to_le_bytes())
            .collect();
        Some(XxHash3_64::oneshot(&key) >> 11)
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
        let sharers: Vec<&Workload> = all.iter().filter(|w| needed(w)).collect();
        let own = sharers
            .iter()
            .position(|w| w.name == workload.name)
            .unwrap_or(0);
        let weights: Vec<i128> = sharers.iter().map(|w| weight(w.access)).collect();
        let mut end = 0;
        let (files, ends): (Vec<u64>, Vec<u64>) = set_files
            .iter()
            .zip(deal(set_files.iter().map(|file| file.bytes), &weights))
            .filter(|(_, owner)| *owner == own)
            .map(|(file, _)| {
                end += file.bytes.0 / workload.block.0;
                (file.number, end)
            })
            .unzip();
        let within_span = workload
            .span
            .map_or(u64::MAX, |span| span.0 / workload.block.0);
        let operations = end.min(within_span);
        if operations == 0 {
            return Err(PatternError {
                workload: workload.name.clone(),
                set: if set == Set::Read { "read" } else { "write" },
                files: set_files.len(),
                bytes: data.bytes(set),
            });
        }
        let seed = study.child(&workload.name, set as u64);
        let first_pass = Permutation::new(operations, seed.child("pass", 0));
        let access = workload.access;
        Ok(Self {
            files,
            ends,
            operations,
            access,
            seed,
            first_pass,
        })
    }

    /// The file in which operation `place` of the part lies, and its number among those of the file.
    fn file_at(&self, place: u64) -> (u64, u64) {
        let index = self.ends.partition_point(|end| *end <= place);
        let begin = index.checked_sub(1).map_or(0, |before| self.ends[before]);
        (self.files[index], place - begin)
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

fn weight(access: Access) -> i128 {
    match access {
        Access::Sequential => 4,
        Access::Random => 1,
    }
}

/// Deals cards of these sizes to players by weight, as evenly as can be: whoever is furthest behind
/// gets the next one. More cards at the end change nothing for those before.
fn deal(sizes: impl Iterator<Item = Bytes>, weights: &[i128]) -> impl Iterator<Item = usize> {
    let total: i128 = weights.iter().sum();
    let mut credit = vec![0i128; weights.len()];
    sizes.map(move |size| {
        let size = i128::from(size.0);
        credit
            .iter_mut()
            .zip(weights)
            .for_each(|(credit, weight)| *credit += weight * size);
        let next = (0..credit.len())
            .max_by_key(|&i| (credit[i], std::cmp::Reverse(i)))
            .unwrap_or(0);
        credit[next] -= total * size;
        next
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::Phase;
    use std::collections::BTreeMap;

    fn data(read: u64, write: u64) -> TestData {
        let files = (0..read + write)
            .map(|number| DataFile {
                number,
                set: if number < read { Set::Read } else { Set::Write },
                bytes: Bytes::MIB.times(4),
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
            reads.len() as f64 > 6.0 / 7.0 * 40.0 * 1024.0,
            "{}",
            reads.len()
        );
    }

    /// Small files of a first look, then larger ones: whoever had a file keeps it, every block still
    /// has one place, and everybody has its share of the bytes.
    #[test]
    fn data_that_grows_by_larger_files_leaves_every_file_with_its_workload() {
        let all = Workload::standard();
        let small = data(64, 16);
        let mut grown = small.clone();
        for number in 80..80 + 60 {
            let set = if number < 80 + 48 {
                Set::Read
            } else {
                Set::Write
            };
            let file = DataFile {
                number,
                set,
                bytes: Bytes::MIB.times(32),
                ..small.files[0].clone()
            };
            grown.files.push(file);
        }
        let mut visits = BTreeMap::<(u64, u64), u32>::new();
        for workload in all.iter().filter(|workload| workload.name != "mixed") {
            let pattern = |data| Pattern::new(workload, &all, data, Seed(1)).unwrap();
            let (before, after) = (pattern(&small), pattern(&grown));
            for (before, after) in [
                (before.files().0, after.files().0),
                (before.files().1, after.files().1),
            ] {
                assert_eq!(before, &after[..before.len()], "{}", workload.name);
                assert!(before.is_empty() || after[before.len()..].iter().all(|n| *n >= 80));
            }
            for index in 0..after.operations() {
                let operation = after.at(index);
                assert_eq!(operation.pass, 0);
                let end = operation.offset + workload.block.0;
                assert!(end <= grown.file(operation.file).unwrap().bytes.0);
                for block in operation.offset / BLOCK as u64..end / BLOCK as u64 {
                    *visits.entry((operation.file, block)).or_default() += 1;
                }
            }
        }
        assert!(visits.values().all(|&count| count == 1));
        let read = visits
            .keys()
            .filter(|(file, _)| grown.file(*file).unwrap().set == Set::Read);
        let whole = grown.bytes(Set::Read).0 / BLOCK as u64;
        // The mixed workload, left out here, has a seventh; a card of 32 MiB is 1.8 % of 1,792 MiB.
        let part = read.count() as f64 / whole as f64;
        assert!((part - 6.0 / 7.0).abs() < 0.02, "{part}");
    }

    #[test]
    fn a_mixed_workload_keeps_its_share_of_reads() {
        let (all, data) = (Workload::standard(), data(400, 100));
        let pattern = Pattern::new(&all[5], &all, &data, Seed(2)).unwrap();
        let reads = (0..10_000)
            .filter(|&i| pattern.at(i).direction == Direction::Read)
            .count();
        // Binomial, n = 10,000, p = 0.75: five standard deviations are 217.
        assert!(reads.abs_diff(7_500) < 218, "seed 2: {reads}");
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

//! The standard set of workloads, and how a run is measured where nothing else is said.
//!
//! Each figure follows from what people do. A copy reads and writes 4 MiB blocks in order and keeps 4 in
//! flight. A database reads and writes pages of 16 KiB at random, the default page of common databases: a
//! person waits for one page, and two dozen people at work have 24 under way at once. They look three times
//! for each change they make. A run of six trials of 25 s of the six workloads takes a quarter of an hour of
//! measuring, as long as a break.

use serde::{Deserialize, Serialize};

use super::{Access, Workload, earlier};
use crate::units::Bytes;

/// The names of the standard set, in the order of tables.
pub const STANDARD: [&str; 6] = [
    "large-read",
    "large-write",
    "small-read",
    "small-read-deep",
    "small-write-deep",
    "mixed",
];

/// What a copy moves at a time.
const COPIED: Bytes = Bytes(4 << 20);
/// A page of a database.
const PAGE: Bytes = Bytes(16 << 10);

impl Workload {
    /// The standard set.
    ///
    /// `small-read` is what a waiting person feels; `small-read-deep` is what the pool can do.
    pub fn standard() -> Vec<Self> {
        use Access::{Random, Sequential};
        let [
            large_read,
            large_write,
            small_read,
            small_read_deep,
            small_write_deep,
            mixed,
        ] = STANDARD;
        vec![
            Self::plain(large_read, 100, Sequential, COPIED, 4),
            Self::plain(large_write, 0, Sequential, COPIED, 4),
            Self::plain(small_read, 100, Random, PAGE, 1),
            Self::plain(small_read_deep, 100, Random, PAGE, 24),
            Self::plain(small_write_deep, 0, Random, PAGE, 24),
            Self::plain(mixed, 75, Random, PAGE, 24),
        ]
    }

    /// A closed loop of one stream over all of its part of the test data.
    pub(super) fn plain(
        name: &str,
        read_percent: u8,
        access: Access,
        block: Bytes,
        depth: u32,
    ) -> Self {
        Self {
            name: name.to_owned(),
            read_percent,
            access,
            block,
            depth,
            streams: 1,
            operations_per_second: None,
            span: None,
        }
    }
}

/// How a study is measured where nothing else is said, so that its phases are measured alike: the table
/// `[run]` of `study.toml`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RunPlan {
    /// Trials of each workload in a run.
    pub trials: u16,
    /// Seconds of a trial.
    pub seconds: u32,
    /// Bytes of a small read of the light probes of `watch`: what `small-read` reads, so that the one can
    /// be held against the other.
    pub probe_block: Bytes,
}

impl RunPlan {
    /// What a new study has.
    pub fn standard() -> Self {
        Self {
            trials: 6,
            seconds: 25,
            probe_block: PAGE,
        }
    }

    /// Checks every field; the error says which is out of range.
    ///
    /// # Errors
    /// A sentence on the first that is.
    pub fn validate(&self) -> Result<(), &'static str> {
        if !(1..=1000).contains(&self.trials) {
            return Err("trials is from 1 to 1000");
        }
        if !(1..=86_400).contains(&self.seconds) {
            return Err("seconds is from 1 to 86400");
        }
        let block = self.probe_block;
        if block.0 == 0 || !block.0.is_multiple_of(4096) || block > Bytes::MIB {
            return Err("probe_block is a multiple of 4 KiB, at most 1 MiB");
        }
        Ok(())
    }
}

/// The workloads of a study and how they are measured, as they are written into `study.toml`.
#[derive(Clone, Debug, PartialEq)]
pub struct StandardSet {
    /// The workloads.
    pub workloads: Vec<Workload>,
    /// How they are measured.
    pub run: RunPlan,
}

impl StandardSet {
    /// What a new study has.
    pub fn standard() -> Self {
        Self {
            workloads: Workload::standard(),
            run: RunPlan::standard(),
        }
    }

    /// Whether this is a workload of a standard set, of which models know what to expect.
    pub fn knows(workload: &Workload) -> bool {
        let sets = [Self::standard(), Self::earlier()];
        sets.iter().any(|set| set.workloads.contains(workload))
    }

    /// What studies had that did not write it down.
    pub fn earlier() -> Self {
        Self {
            workloads: earlier::workloads(),
            run: earlier::RUN,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn both_sets_are_valid_and_have_their_names() {
        for set in [StandardSet::standard(), StandardSet::earlier()] {
            let names: Vec<&str> = set.workloads.iter().map(|w| w.name.as_str()).collect();
            assert_eq!(names, STANDARD);
            for workload in &set.workloads {
                workload.validate().unwrap();
            }
            set.run.validate().unwrap();
            // Probes are held against small reads.
            assert_eq!(set.run.probe_block, set.workloads[2].block);
        }
    }

    #[test]
    fn a_run_out_of_range_is_refused() {
        let run = RunPlan::standard();
        for bad in [
            RunPlan { trials: 0, ..run },
            RunPlan { seconds: 0, ..run },
            RunPlan {
                probe_block: Bytes(1000),
                ..run
            },
        ] {
            assert!(bad.validate().is_err(), "{bad:?}");
        }
    }
}

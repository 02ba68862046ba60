//! The standard set of formats before 4, which did not write it into `study.toml`: a study that was begun
//! with it keeps it, so that its phases can be compared.

use super::standard::STANDARD;
use super::{Access, RunPlan, Workload};
use crate::units::Bytes;

/// How studies of these formats were measured.
pub(super) const RUN: RunPlan = RunPlan {
    trials: 5,
    seconds: 30,
    probe_block: Bytes(4 << 10),
};

/// The workloads of these formats.
pub(super) fn workloads() -> Vec<Workload> {
    use Access::{Random, Sequential};
    let kib = |n| Bytes::KIB.times(n);
    let figures = [
        (100, Sequential, Bytes::MIB, 8),
        (0, Sequential, Bytes::MIB, 8),
        (100, Random, kib(4), 1),
        (100, Random, kib(4), 32),
        (0, Random, kib(4), 32),
        (70, Random, kib(16), 8),
    ];
    let load =
        |(name, (reads, access, block, depth))| Workload::plain(name, reads, access, block, depth);
    STANDARD.into_iter().zip(figures).map(load).collect()
}

//! What could have shown that more than a negligible part of a trial was not the drives' work.
//!
//! Decided by what was observed and by what went on, never by what the judge made of it. Others only
//! add to a counter, so that a count shows a gap that their bytes do not fill:
//!
//! | observed | shows | where |
//! | --- | --- | --- |
//! | kernel or mount | what the client's memory served | always: nobody else is in these counters |
//! | wire | the same | the gap beyond 5 % is larger than what others moved over the link |
//! | members, reads | what the drives did not read | the gap beyond 5 % is larger than what others read |
//! | members, writes | what the drives did not write | mirrors: always. Parity: without other users, whose reads hide those of the parity; else where less than full stripes take was written |
//! | members, mixed | both | mirrors: as reads. Parity: where they read less than was asked, or wrote less than full stripes take; what they read more may be the parity's, or that of a pool which writes elsewhere and needs none |
//! | latency | what was read from memory or a solid tier | single random reads, drives that are known to turn |
//! | rate | what is above the drives' transfer rate | more than 5 % of it lies above the stated rate and 10 % more |

use poolproof::plan::Access;
use poolproof::record::observed;
use poolproof::sim::scenarios::Load;

use super::CACHED;
use super::measured::Verdict;

/// Bytes beside the data in a message and in each packet, and data in a packet, as the simulated
/// link has it.
const MESSAGE: f64 = 128.0;
const HEADERS: f64 = 66.0;
const NOT_DATA: f64 = 52.0;

impl Verdict {
    /// Whether anything that was observed could have shown it.
    pub(super) fn could_show(&self) -> bool {
        let ways = [
            Self::client_could,
            Self::wire_could,
            Self::members_could,
            Self::times_could,
            Self::rate_could,
        ];
        ways.iter().any(|could| could(self))
    }

    fn has(&self, name: &str) -> bool {
        self.seen.get(name).is_some()
    }

    fn only_reads(&self) -> bool {
        self.kind.workload.read_percent == 100
    }

    fn only_writes(&self) -> bool {
        self.kind.workload.read_percent == 0
    }

    fn by_client(&self) -> f64 {
        self.truth.from_client_cache as f64 / self.bytes()
    }

    fn client_could(&self) -> bool {
        let counted = self.has(observed::PROCESS_FETCHED) || self.has(observed::NFS_SERVER_READ);
        counted && self.by_client() > CACHED
    }

    fn wire_could(&self) -> bool {
        let Some(received) = self.seen.get(observed::WIRE_RECEIVED) else {
            return false;
        };
        let block = self.kind.workload.block.0 as f64;
        let packet = self.scenario.network.mtu as f64 - NOT_DATA;
        let on_wire = block + MESSAGE + HEADERS * ((block + MESSAGE) / packet).ceil();
        let crossed = self.truth.bytes_read as f64 - self.truth.from_client_cache as f64;
        let others = received * block / on_wire - crossed;
        self.by_client() - others / self.bytes() > CACHED
    }

    fn members_could(&self) -> bool {
        let Some(members) = self.seen.get(observed::MEMBERS) else {
            return false;
        };
        let sum = |name: fn(usize) -> String| -> f64 {
            (0..members as usize)
                .filter_map(|n| self.seen.get(&name(n)))
                .sum()
        };
        let (read, written) = (sum(observed::member_read), sum(observed::member_written));
        let pool = &self.scenario.pool;
        let parity = self.parity();
        let beside = (read - self.truth.moved_from_drives as f64) / self.bytes();
        let alone = self.kind.users == Load::None;
        let cached = self.cached() > CACHED;
        let stripes = f64::from(pool.drives) / f64::from(pool.data_drives());
        if self.only_writes() {
            return cached && (!parity || alone) || 1.0 - written / stripes / self.bytes() > CACHED;
        }
        if self.only_reads() || !parity {
            return self.cached() - beside > CACHED;
        }
        let asked = self.truth.bytes_read as f64;
        let moved = read.min(asked) + (written / stripes).min(self.bytes() - asked);
        1.0 - moved / self.bytes() > CACHED
    }

    fn times_could(&self) -> bool {
        let small_reads = self.only_reads() && self.kind.workload.access == Access::Random;
        small_reads && self.rotating() && self.truth.hit_ratio().unwrap_or(0.0) > CACHED
    }

    fn rate_could(&self) -> bool {
        let stated = 1.1 * f64::from(self.scenario.pool.drives);
        1.0 - stated * self.scenario.drive.rate_at(0.0).0 / self.rate > CACHED
    }

    /// Whether what was observed allows an estimate of the whole: the drives' counters without
    /// others in them, or times of platters.
    pub(super) fn could_estimate(&self) -> bool {
        let alone = self.kind.users == Load::None;
        let mixed = !self.only_reads() && !self.only_writes();
        let counted = self.has(observed::MEMBERS) && alone && !(mixed && self.parity());
        let times = self.only_reads() && self.kind.workload.access == Access::Random;
        counted || times && self.rotating()
    }
}

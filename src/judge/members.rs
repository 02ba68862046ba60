//! Evidence from the member drives: what they read and wrote against what was served.
//!
//! | trial | read from the drives, for a byte of it | written to them, for a byte of it |
//! | --- | --- | --- |
//! | reads | 1 for a byte read | nothing |
//! | sequential writes in full stripes | nothing | all drives over data drives |
//! | random writes, mirrors | nothing | a copy on each |
//! | random writes, parity | old data and parity, or the rest of the row: the fewer | data and each parity |
//!
//! Source of the last row: Chen, Lee, Gibson, Katz and Patterson, *RAID: High-Performance, Reliable
//! Secondary Storage*, ACM Computing Surveys 26(2) (1994) 145–185, sections 3.2.5 and 3.2.7. It holds for
//! pools that write in place. One that does not (copy on write, a log) joins small writes into stripes that
//! are full, or new and in part, which need nothing read. So each row is used only where the counts themselves
//! agree with it, and beside reads of the trial they never do: those that parity needs cannot be told apart.
//! Whatever the pool does, less than the second row cannot be.

use super::bytes::{EDGE, iec, missing, proves};
use super::case::{Case, Member};
use super::evidence::{Evidence, Layer, Says, Strength};
use crate::plan::{Access, Phase};
use crate::pool::Pool;
use crate::record::observed;
use crate::units::percent;

/// Counts agree with a factor within this part of it.
const AGREES: f64 = 0.05;
/// So many times its share, and a member is no drive like the others.
const GREEDY: f64 = 2.0;
/// A member that moved less than this part of what was read stood still.
const STILL: f64 = 0.01;
/// Reads for parity agree within this part: neighbours in the same row share them.
const READS_AGREE: f64 = 0.15;

/// All evidence from member drives.
pub(super) fn evidence(case: &Case<'_>) -> Vec<Evidence> {
    let Some(members) = case.members() else {
        return Vec::new();
    };
    let counted = uncounted(case, &members)
        .or_else(|| foreign(case, &members))
        .or_else(|| moved(case, &members));
    [
        counted,
        written(case),
        uneven(case, &members),
        slow_one(&members),
    ]
    .into_iter()
    .flatten()
    .collect()
}

/// The drives of the old pool were counted, and not those that were added: what the old ones did not move,
/// the new ones may have.
fn uncounted(case: &Case<'_>, members: &[Member]) -> Option<Evidence> {
    let (counted, drives) = (members.len(), case.drives()? as usize);
    let old = case.drives_before()? as usize;
    (old..drives).contains(&counted).then(|| Evidence {
        source: "uncounted drives",
        expected: format!("counts of {drives} drives"),
        seen: format!("counts of {counted}"),
        meaning: "what these did not move, the others may have: it tells of no cache".into(),
        says: Says::Remark,
        strength: Strength::Counted,
    })
}

/// More members than the pool has drives, or one that reads far more than its share where layouts with parity share
/// evenly: something that is no drive of the pool is among them, and its bytes clear nothing.
fn foreign(case: &Case<'_>, members: &[Member]) -> Option<Evidence> {
    let drives = case.drives()? as usize;
    let total: f64 = members.iter().map(|member| member.read).sum();
    let most = members
        .iter()
        .map(|member| member.read / total)
        .fold(0.0, f64::max);
    let even = 1.0 / members.len() as f64;
    let shared = case
        .pool()
        .is_some_and(|pool| pool.level.parity_drives() > 0)
        && case.only_reads()
        && case.trial.phase != Phase::During;
    let greedy = shared && total > 0.0 && most > GREEDY * even;
    // A drive that is to be added may be listed, and stand still.
    let at_work = members
        .iter()
        .filter(|member| member.read + member.written > STILL * total);
    let many = at_work.count() > drives;
    (greedy || many).then(|| Evidence {
        source: "foreign members",
        expected: match many {
            true => format!("counts of {drives} drives"),
            false => format!("about {} from each", percent(even, 0)),
        },
        seen: match many {
            true => format!("counts of {}", members.len()),
            false => format!("{} from one", percent(most, 0)),
        },
        meaning: "not all that was counted are drives of the pool; one may be a cache: nothing is cleared by them".into(),
        says: Says::Remark,
        strength: Strength::Counted,
    })
}

/// What the drives move for a byte that is written.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Cost {
    read: f64,
    written: f64,
}

impl Cost {
    /// Of full stripes: the least that any way of writing takes.
    fn least(pool: &Pool) -> Self {
        Self {
            read: 0.0,
            written: f64::from(pool.drives) / f64::from(pool.data_drives()),
        }
    }

    /// Of a block within one chunk, in place.
    fn in_place(pool: &Pool) -> Self {
        let parity = pool.level.parity_drives();
        if parity == 0 {
            return Self::least(pool);
        }
        let rest = pool.data_drives() - 1;
        Self {
            read: f64::from(rest.min(1 + parity)),
            written: f64::from(1 + parity),
        }
    }
}

/// What all drives moved.
struct Moved {
    read: f64,
    written: f64,
    /// What others may have moved of it.
    others_read: f64,
    others_written: f64,
}

/// What the drives moved of what was read and written.
fn moved(case: &Case<'_>, members: &[Member]) -> Option<Evidence> {
    let (read, written) = (case.bytes_read(), case.bytes_written());
    let all = read + written;
    if all <= 0.0 {
        return None;
    }
    let seconds = case.trial.windows as f64 + case.trial.flush_seconds.unwrap_or(0.0);
    let quiet = |name| case.seen.get(name).unwrap_or(0.0) * seconds;
    let moved = Moved {
        read: members.iter().map(|member| member.read).sum(),
        written: members.iter().map(|member| member.written).sum(),
        others_read: quiet(observed::MEMBERS_QUIET_READ),
        others_written: quiet(observed::MEMBERS_QUIET_WRITTEN),
    };
    let least = case.pool().map_or(
        Cost {
            read: 0.0,
            written: 1.0,
        },
        |pool| Cost::least(&pool),
    );
    let cost = cost(case, &moved, least);
    let says = match cost {
        Some(cost) => {
            let for_parity = cost.read * moved.written / cost.written;
            let (mut arrived, mut others) = (0.0, 0.0);
            if read > 0.0 {
                arrived += moved.read - for_parity;
                others += moved.others_read;
            }
            if written > 0.0 {
                // What is left over here does not make up for what is missing of the reads.
                let most = written + moved.others_written / cost.written;
                arrived += (moved.written / cost.written).min(most);
                others += moved.others_written / cost.written;
            }
            missing(Layer::Path, arrived / all, others / all)
        }
        None => {
            let arrived = moved.read.min(read) + (moved.written / least.written).min(written);
            at_least(1.0 - arrived / all)
        }
    };
    Some(Evidence {
        source: "member drives",
        expected: expected(case, cost.unwrap_or(least)),
        seen: format!("{} read, {} written", iec(moved.read), iec(moved.written)),
        meaning: match says {
            Says::Served(..) | Says::AtLeast(..) if case.only_writes() => proves_of_writes(says),
            // Parity may have made up for what a cache served.
            Says::Remark if !case.only_reads() => {
                "the drives moved as much as was asked of them and more, for parity or for others: it tells of \
                 no cache"
                    .into()
            }
            _ => proves(Layer::Path, says),
        },
        says,
        strength: Strength::Proved,
    })
}

/// The part of what was written that may not have reached the drives, by the most that a written byte can cost
/// them; `None` where they were not all counted, or others write meanwhile that cannot be told apart.
pub(super) fn unwritten_at_most(case: &Case<'_>) -> Option<f64> {
    let members = case.members()?;
    let pool = case.pool()?;
    let whole = members.len() == pool.drives as usize && case.trial.phase != Phase::During;
    let bytes = case.bytes_written();
    let most = match case.trial.access {
        Access::Sequential => Cost::least(&pool),
        Access::Random => Cost::in_place(&pool),
    };
    let seconds = case.trial.windows as f64 + case.trial.flush_seconds.unwrap_or(0.0);
    let others = case.seen.get(observed::MEMBERS_QUIET_WRITTEN)? * seconds;
    let written: f64 = members.iter().map(|member| member.written).sum();
    let arrived = (written - others) / (most.written * bytes);
    (whole && bytes > 0.0).then(|| (1.0 - arrived + EDGE).clamp(0.0, 1.0))
}

/// The same as evidence, for what only writes.
fn written(case: &Case<'_>) -> Option<Evidence> {
    let most = case.only_writes().then(|| unwritten_at_most(case))??;
    (most < 1.0).then(|| Evidence {
        source: "written to the drives",
        expected: "as much as writing it can cost them".into(),
        seen: format!("all but {} of it", percent(most, 0)),
        meaning: format!(
            "at most {} of it was not on the drives when the flush had ended",
            percent(most, 0)
        ),
        says: Says::AtMost(Layer::Path, most),
        strength: Strength::Inferred,
    })
}

/// The cost of a written byte, where it is certain enough for an estimate: not while the pool grows.
fn cost(case: &Case<'_>, moved: &Moved, least: Cost) -> Option<Cost> {
    if case.trial.phase == Phase::During {
        return None;
    }
    if case.only_reads() {
        return Some(least);
    }
    let pool = case.pool()?;
    if pool.level.parity_drives() == 0 {
        return Some(least);
    }
    if case.trial.access == Access::Sequential {
        // A stripe that is written in parts costs more, which would make up for what is missing. It
        // reads too, so that full stripes are known by reading nothing.
        let full = case.only_writes() && moved.read <= AGREES * moved.written;
        return full.then_some(least);
    }
    // Writes in place are known by the old data and parity that they read.
    let cost = Cost::in_place(&pool);
    let reads = cost.read * moved.written / cost.written;
    let agrees = (moved.read - moved.others_read - reads).abs() <= READS_AGREE * reads;
    (case.only_writes() && agrees).then_some(cost)
}

fn at_least(share: f64) -> Says {
    if share > 0.0 {
        Says::AtLeast(Layer::Path, share)
    } else {
        Says::Remark
    }
}

fn expected(case: &Case<'_>, cost: Cost) -> String {
    let (read, written) = (case.bytes_read(), case.bytes_written());
    let reads = read + cost.read * written;
    if case.only_reads() {
        return format!("reads of {}", iec(reads));
    }
    let writes = iec(cost.written * written);
    if reads <= 0.0 {
        return format!("{writes} written when the flush had ended");
    }
    format!(
        "reads of {}, and {writes} written when the flush had ended",
        iec(reads)
    )
}

fn proves_of_writes(says: Says) -> String {
    let early = |how: &str, share: f64| {
        format!(
            "the flush was acknowledged while {how} {} was not on the drives",
            percent(share, 0)
        )
    };
    match says {
        Says::AtLeast(_, least) => early("at least", least),
        Says::Served(_, share) if share.low > 0.0 => early("about", share.estimate),
        _ => "what was written had reached the drives".into(),
    }
}

/// Does every drive do its share, the newest too?
fn uneven(case: &Case<'_>, members: &[Member]) -> Option<Evidence> {
    let total: f64 = members.iter().map(|member| member.read).sum();
    if case.only_writes() || members.len() < 2 || total <= 0.0 {
        return None;
    }
    let shares: Vec<f64> = members.iter().map(|member| member.read / total).collect();
    let even = 1.0 / members.len() as f64;
    let (least, share) = (0..)
        .zip(&shares)
        .min_by(|a: &(usize, _), b| a.1.total_cmp(b.1))?;
    let listed: Vec<String> = shares.iter().map(|share| percent(*share, 0)).collect();
    (*share < even / 2.0).then(|| Evidence {
        source: "share of each drive",
        expected: format!("about {} from each", percent(even, 0)),
        seen: listed.join(", "),
        meaning: format!(
            "drive {} does less than half its share: is old data not spread over it yet?",
            least + 1
        ),
        says: Says::Remark,
        strength: Strength::Counted,
    })
}

/// A member whose reads take more than three times the median of all.
fn slow_one(members: &[Member]) -> Option<Evidence> {
    let waits: Vec<f64> = members.iter().filter_map(|member| member.wait_ms).collect();
    let median = crate::stats::describe::median(&waits).filter(|median| *median > 0.0)?;
    let (drive, wait) = (1..)
        .zip(&waits)
        .max_by(|a: &(usize, _), b| a.1.total_cmp(b.1))?;
    (*wait > 3.0 * median && waits.len() > 2).then(|| Evidence {
        source: "slow drive",
        expected: format!("reads of about {median:.1} ms, as its siblings"),
        seen: format!("drive {drive}: {wait:.1} ms"),
        meaning: "one drive is much slower than the others: look at its health before going on"
            .into(),
        says: Says::Remark,
        strength: Strength::Counted,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pool::Level;

    /// Chen et al. 1994, sections 3.2.5 and 3.2.7 and table 3: a small write costs 4 operations with one
    /// parity and 6 with two, or one on each drive of a small pool.
    #[test]
    fn a_written_byte_costs_what_the_book_says() {
        for (level, drives, stripe, read, written) in [
            (Level::Raid0, 4, 1.0, 0.0, 1.0),
            (Level::Raid1, 2, 2.0, 0.0, 2.0),
            (Level::Raid10, 6, 2.0, 0.0, 2.0),
            (Level::Raid5, 3, 1.5, 1.0, 2.0),
            (Level::Raid5, 5, 1.25, 2.0, 2.0),
            (Level::Raid6, 4, 2.0, 1.0, 3.0),
            (Level::Raid6, 8, 4.0 / 3.0, 3.0, 3.0),
        ] {
            let pool = Pool {
                level,
                drives,
                drive_size: None,
            };
            assert_eq!(Cost::in_place(&pool), Cost { read, written }, "{level}");
            let least = Cost {
                read: 0.0,
                written: stripe,
            };
            assert_eq!(Cost::least(&pool), least, "{level} {drives}");
        }
    }
}

//! Evidence from counting bytes on their way: what the kernel fetched, what came over the wire, what
//! the member drives moved.

use super::case::{Case, Member};
use super::evidence::{Evidence, Layer, Says, Share, Strength};
use crate::record::observed;
use crate::units::{Bytes, percent};

/// Headers of RPC, SMB or sftp, acknowledgements and the trial's edges may be so much of the bytes.
const EDGE: f64 = 0.03;
/// Bytes of the file protocol's header in the answer to a read: about 100 to 150 for NFS and SMB
/// (common practice, no source).
const PROTOCOL: f64 = 128.0;
/// Traffic of others up to this part of the trial's leaves a count usable.
const OTHERS: f64 = 0.10;
/// Member drives that move more than this multiple of what was served work for others too, so that
/// a cache can hide behind them.
const FOREIGN_MEMBERS: f64 = 1.10;

/// All byte counts, nearest layer first.
pub(super) fn evidence(case: &Case<'_>) -> Vec<Evidence> {
    let reads = case.bytes_read() > 0.0;
    let from_reads = [residency, process, nfs, wire]
        .into_iter()
        .filter_map(|look| reads.then(|| look(case)).flatten());
    from_reads.chain(members(case)).collect()
}

/// What of the files lay in this client's page cache.
fn residency(case: &Case<'_>) -> Option<Evidence> {
    let of = case
        .seen
        .get(observed::RESIDENT_OF)
        .filter(|of| *of > 0.0)?;
    let before = case.seen.get(observed::RESIDENT_BEFORE)? / of;
    let after = case.seen.get(observed::RESIDENT_AFTER)? / of;
    // Direct reads leave the page cache as it is. Reading through it shows even where a direct
    // open was accepted.
    let direct = case.trial.direct != Some(false);
    let buffered = !direct || after > before + 0.01 || before > 0.05;
    let (says, meaning) = if before > 0.05 {
        let words = "these pages could be served without asking the share";
        (
            Says::Served(Layer::Client, Share::about(before, 0.05)),
            words,
        )
    } else if direct && !buffered {
        (
            Says::Served(Layer::Client, Share::about(0.0, 0.0)),
            "reads went past this client's page cache",
        )
    } else if direct {
        (
            Says::Suspect(Layer::Client),
            "direct I/O was accepted and buffered all the same",
        )
    } else {
        (
            Says::Remark,
            "read through an emptied page cache; read-ahead may have served the rest of its own",
        )
    };
    let seen = format!("{} before, {} after", percent(before, 1), percent(after, 1));
    let strength = Strength::Counted;
    let expected = "nothing resident, and nothing new".to_owned();
    Some(Evidence {
        source: "page cache",
        expected,
        seen,
        meaning: meaning.into(),
        says,
        strength,
    })
}

/// What the kernel fetched from below for this process. Only file systems on block devices and NFS
/// account for it.
fn process(case: &Case<'_>) -> Option<Evidence> {
    let mount = case.facts?.mount.as_ref()?;
    let accounts = mount.source.starts_with("/dev/") && !mount.kind.starts_with("fuse")
        || mount.kind.starts_with("nfs")
        || mount.kind == "SIMULATED";
    let fetched = case
        .seen
        .get(observed::PROCESS_FETCHED)
        .filter(|_| accounts)?;
    let share = 1.0 - fetched / case.bytes_read();
    Some(counted(
        "kernel",
        "fetched from below",
        fetched,
        case.bytes_read(),
        Layer::Client,
        Share::about(share, EDGE),
        Strength::Proved,
    ))
}

/// What the NFS client asked its server for.
fn nfs(case: &Case<'_>) -> Option<Evidence> {
    let asked = case.seen.get(observed::NFS_SERVER_READ)?;
    let read = case
        .seen
        .get(observed::NFS_READ)
        .filter(|read| *read > 0.0)?;
    let share = Share::about(1.0 - asked / read, EDGE);
    Some(counted(
        "NFS client",
        "asked of the server",
        asked,
        read,
        Layer::Client,
        share,
        Strength::Proved,
    ))
}

/// What came in over the link to the server.
fn wire(case: &Case<'_>) -> Option<Evidence> {
    let received = case.seen.get(observed::WIRE_RECEIVED)?;
    let seconds = case.trial.windows as f64;
    let quiet = case.seen.get(observed::WIRE_QUIET_RECEIVED).unwrap_or(0.0) * seconds;
    let read = case.bytes_read();
    let own = ((received - quiet) * payload_share(case)).max(0.0);
    let others = quiet / read;
    if others > OTHERS {
        return Some(Evidence {
            source: "wire",
            expected: format!("as much as was served, {}", iec(read)),
            seen: format!(
                "{} with others, who moved about {} before",
                iec(received),
                iec(quiet)
            ),
            meaning: "others moved too much over the link for a count to tell".into(),
            says: Says::Remark,
            strength: Strength::Inferred,
        });
    }
    let share = Share::about(1.0 - own / read, EDGE + 0.3 * others);
    let how = "came over the link as payload";
    Some(counted(
        "wire",
        how,
        own,
        read,
        Layer::Client,
        share,
        Strength::Counted,
    ))
}

/// The part of what an interface counts that is the trial's data. Interfaces count the 14 bytes of
/// Ethernet and the 52 of IP and TCP with timestamps of each packet; the answer to a read carries a
/// header of the file protocol besides.
fn payload_share(case: &Case<'_>) -> f64 {
    let segment = case.seen.get(observed::WIRE_MTU).unwrap_or(1500.0) - 52.0;
    // Messages of 1 MiB at most: file protocols split larger reads.
    let message = (case.trial.block_bytes as f64).min(1_048_576.0);
    let packets = ((message + PROTOCOL) / segment).ceil();
    message / (message + PROTOCOL + 66.0 * packets)
}

/// Bytes that arrived against bytes that were served.
fn counted(
    source: &'static str,
    how: &str,
    arrived: f64,
    served: f64,
    layer: Layer,
    share: Share,
    strength: Strength,
) -> Evidence {
    let meaning = if share.low > 0.0 {
        format!(
            "about {} was served by {}",
            percent(share.estimate, 0),
            layer.words()
        )
    } else {
        format!("no sign of {}", layer.words())
    };
    Evidence {
        source,
        expected: format!("as much as was served, {}", iec(served)),
        seen: format!("{} {how}", iec(arrived)),
        meaning,
        says: Says::Served(layer, share),
        strength,
    }
}

/// What the member drives read, or wrote, against what was served.
fn members(case: &Case<'_>) -> Vec<Evidence> {
    let Some(members) = case.members() else {
        return Vec::new();
    };
    let moved = |bytes: fn(&Member) -> f64| members.iter().map(bytes).sum::<f64>();
    let mut evidence = Vec::new();
    if case.bytes_read() > 0.0 && !case.only_writes() {
        evidence.push(members_read(case, moved(|member| member.read)));
    }
    if case.only_writes() {
        evidence.push(members_written(case, moved(|member| member.written)));
    }
    evidence.extend(uneven(case, &members));
    evidence.extend(slow_one(&members));
    evidence
}

fn members_read(case: &Case<'_>, read: f64) -> Evidence {
    let served = case.bytes_read();
    let ratio = read / served;
    // A mixed load reads old data and parity for its writes, so only far too little tells.
    let others = ratio > FOREIGN_MEMBERS || !case.only_reads();
    let layer = Layer::Server;
    if others && ratio > 0.95 {
        return Evidence {
            source: "member drives",
            expected: format!("reads of {}", iec(served)),
            seen: format!("reads of {}", iec(read)),
            meaning: "the drives worked for others too, so a cache could hide behind them".into(),
            says: Says::Remark,
            strength: Strength::Counted,
        };
    }
    let share = Share::new(1.0 - ratio, 1.0 - ratio - EDGE, 1.0 - ratio + EDGE);
    counted(
        "member drives",
        "read from them",
        read,
        served,
        layer,
        share,
        Strength::Proved,
    )
}

/// Writes have to be on the drives when the flush has ended, with what redundancy adds.
fn members_written(case: &Case<'_>, written: f64) -> Evidence {
    let served = case.bytes_written();
    let share = 1.0 - written / served;
    let says = if share > EDGE {
        Says::Served(Layer::Server, Share::new(share, share - EDGE, 1.0))
    } else {
        Says::Served(Layer::Server, Share::about(0.0, 0.0))
    };
    Evidence {
        source: "member drives",
        expected: format!("at least {} written when the flush had ended", iec(served)),
        seen: format!("{} written", iec(written)),
        meaning: match share > EDGE {
            true => "the flush was acknowledged before the data was on the drives".into(),
            false => "what was written had reached the drives".into(),
        },
        says,
        strength: Strength::Proved,
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

fn iec(bytes: f64) -> String {
    Bytes(bytes.max(0.0) as u64).iec()
}

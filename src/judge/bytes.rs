//! Evidence from counting bytes on their way into the client: what its memory held, what its kernel
//! fetched, what came over the wire.

use super::case::Case;
use super::evidence::{Evidence, Layer, Says, Share, Strength};
use crate::record::observed;
use crate::units::{Bytes, percent};

/// Headers of RPC, SMB or sftp, acknowledgements and the trial's edges may be so much of the bytes.
pub(super) const EDGE: f64 = 0.03;
/// Bytes of the file protocol's header in the answer to a read or a write: about 100 to 150 for NFS
/// and SMB (common practice, no source).
const PROTOCOL: f64 = 128.0;
/// Ethernet's header and those of IP and TCP with timestamps, which interfaces count: 14 + 52 bytes
/// (IEEE 802.3, RFC 791, RFC 9293, RFC 7323).
const HEADERS: f64 = 66.0;
/// What others moved in a quiet moment, up to this part of the trial's bytes, leaves an estimate.
const OTHERS: f64 = 0.05;
/// They may move so many times as much in the next moment (common practice, no source).
const RESTLESS: f64 = 3.0;

/// All byte counts, nearest layer first.
pub(super) fn evidence(case: &Case<'_>) -> Vec<Evidence> {
    let reads = case.bytes_read() > 0.0;
    [residency, process, nfs, wire]
        .into_iter()
        .filter_map(|look| reads.then(|| look(case)).flatten())
        .collect()
}

/// What a count says of a layer: `arrived` is the part of the trial's bytes that arrived, those of
/// others among them, of which about `others` are to be expected.
///
/// Others only add. So what is missing whoever moved the rest is certain to have come from the layer.
/// How much more it was can be told where others moved little, and no more than was expected.
pub(super) fn missing(layer: Layer, arrived: f64, others: f64) -> Says {
    if others > OTHERS || arrived - others > 1.0 + EDGE {
        let least = 1.0 - arrived;
        return if least > 0.0 {
            Says::AtLeast(layer, least)
        } else {
            Says::Remark
        };
    }
    let share = Share::new(
        1.0 - arrived + others,
        1.0 - arrived - EDGE,
        1.0 - arrived + RESTLESS * others + EDGE,
    );
    Says::Served(layer, share)
}

/// What such a count proves, in a sentence.
pub(super) fn proves(layer: Layer, says: Says) -> String {
    let of = layer.words();
    match says {
        Says::AtLeast(_, least) => format!("at least {} was served by {of}", percent(least, 0)),
        Says::Served(_, share) if share.low > 0.0 => {
            format!("about {} was served by {of}", percent(share.estimate, 0))
        }
        Says::Served(..) => format!("no sign of {of}"),
        _ => format!("others moved too much for a count to tell of {of}"),
    }
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
            Says::Served(
                Layer::Client,
                Share::about(before, 0.05).times(case.part_read()),
            ),
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
    Some(counted(
        case,
        "kernel",
        "fetched from below",
        fetched,
        case.bytes_read(),
    ))
}

/// What the NFS client asked its server for.
fn nfs(case: &Case<'_>) -> Option<Evidence> {
    let asked = case.seen.get(observed::NFS_SERVER_READ)?;
    let read = case
        .seen
        .get(observed::NFS_READ)
        .filter(|read| *read > 0.0)?;
    Some(counted(
        case,
        "NFS client",
        "asked of the server",
        asked,
        read,
    ))
}

/// Bytes that the system counted for this trial alone, against those that were served.
fn counted(
    case: &Case<'_>,
    source: &'static str,
    how: &str,
    arrived: f64,
    served: f64,
) -> Evidence {
    let share = Share::about(1.0 - arrived / served, EDGE).times(case.part_read());
    let says = Says::Served(Layer::Client, share);
    Evidence {
        source,
        expected: format!("as much as was served, {}", iec(served)),
        seen: format!("{} {how}", iec(arrived)),
        meaning: proves(Layer::Client, says),
        says,
        strength: Strength::Proved,
    }
}

/// What came in over the link to the server: data, answers to writes, and others' traffic.
fn wire(case: &Case<'_>) -> Option<Evidence> {
    let received = case.seen.get(observed::WIRE_RECEIVED)?;
    let quiet = case.seen.get(observed::WIRE_QUIET_RECEIVED).unwrap_or(0.0);
    let others = quiet * case.trial.windows as f64 + answers_to_writes(case);
    let (read, payload) = (case.bytes_read(), payload_share(case));
    let says = match missing(
        Layer::Client,
        received * payload / read,
        others * payload / read,
    ) {
        Says::Served(layer, share) => Says::Served(layer, share.times(case.part_read())),
        Says::AtLeast(layer, least) => Says::AtLeast(layer, least * case.part_read()),
        says => says,
    };
    Some(Evidence {
        source: "wire",
        expected: format!("as much as was served, {}", iec(read)),
        seen: format!(
            "{} of payload came over the link, of which others moved about {}",
            iec(received * payload),
            iec(others * payload)
        ),
        meaning: proves(Layer::Client, says),
        says,
        strength: Strength::Counted,
    })
}

/// The part of what an interface counts that is the trial's data: each packet has its headers, and
/// the answer to a read has one of the file protocol besides.
fn payload_share(case: &Case<'_>) -> f64 {
    let message = message(case);
    message / (message + PROTOCOL + HEADERS * packets(case, message))
}

/// Bytes that came in for what was written: an answer to each write, and an acknowledgement of every
/// second packet (RFC 9293, section 3.8.6.3).
fn answers_to_writes(case: &Case<'_>) -> f64 {
    let message = message(case);
    let acknowledgements = (packets(case, message) / 2.0).floor();
    let each = PROTOCOL + HEADERS + HEADERS * acknowledgements;
    case.bytes_written() / message * each
}

/// Bytes of data in a message, 1 MiB at most: file protocols split larger operations.
fn message(case: &Case<'_>) -> f64 {
    (case.trial.block_bytes as f64).min(1_048_576.0)
}

fn packets(case: &Case<'_>, message: f64) -> f64 {
    let segment = case.seen.get(observed::WIRE_MTU).unwrap_or(1500.0) - 52.0;
    ((message + PROTOCOL) / segment).ceil()
}

pub(super) fn iec(bytes: f64) -> String {
    Bytes(bytes.max(0.0) as u64).iec()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn others_only_add_to_a_count() {
        let layer = Layer::Client;
        let told = |arrived, others| missing(layer, arrived, others);
        assert_eq!(
            told(0.75, 0.0),
            Says::Served(layer, Share::new(0.25, 0.25 - EDGE, 0.25 + EDGE))
        );
        // Others who may have moved a tenth hide how much is missing, not that it is.
        assert_eq!(told(0.75, 0.1), Says::AtLeast(layer, 0.25));
        assert_eq!(told(1.05, 0.1), Says::Remark);
        // More than everything: somebody moved it whom the quiet moment did not show.
        assert_eq!(told(1.2, 0.0), Says::Remark);
    }
}

//! What could not be observed of a trial, and what to do next.

use super::grades::{Cause, cause};
use crate::facts::server;
use crate::judge::{Judgement, Layer, Limit};
use crate::plan::{Access, Phase, Set};
use crate::record::{Observations, observed};
use crate::study::{Server, Study, Trial};

/// A thing that was not seen, and how it can be.
struct Look {
    /// Whether it concerns the trial.
    applies: bool,
    /// Whether it was seen.
    seen: bool,
    /// The sentence for when it was not.
    words: &'static str,
}

/// What could have been evidence and was not observed, a sentence each. Absence is no sign.
pub(super) fn absent(study: &Study, trial: &Trial, judgement: &Judgement) -> Vec<String> {
    let nothing = Observations::default();
    let observations = study.observations.get(&trial.trial).unwrap_or(&nothing);
    let seen = |name: &str| observations.get(name).is_some();
    let told = |source: &str| judgement.evidence.iter().any(|sign| sign.source == source);
    let pool = study.config.pool.as_ref();
    let mount = study.facts.get(&trial.facts).and_then(|f| f.mount.as_ref());
    let link = !is_local(study, trial);
    let nfs = mount.is_some_and(|mount| mount.kind.starts_with("nfs"));
    let reads = trial.read_percent > 0;
    let random = trial.access == Access::Random && trial.read_percent == 100;
    let looks = [
        Look {
            applies: reads,
            seen: seen(observed::RESIDENT_OF),
            words: "page cache: how much of the files this client held in memory was not seen.",
        },
        Look {
            applies: reads,
            seen: told("kernel"),
            words: "kernel: what it fetched from below was not counted; it is for block devices and NFS alone.",
        },
        Look {
            applies: reads && nfs,
            seen: told("NFS client"),
            words: "NFS client: what it asked of the server was not counted.",
        },
        Look {
            applies: reads && link,
            seen: seen(observed::WIRE_RECEIVED),
            words: "wire: the link to the server was not counted, so what a cache of this client served does not show there.",
        },
        Look {
            applies: link,
            seen: seen(observed::WIRE_LINE_RATE),
            words: "line rate: no ceiling of the link is known; state it as link_gigabits in study.toml.",
        },
        Look {
            applies: true,
            seen: seen(observed::MEMBERS),
            words: "member drives: they were not counted, so nothing but times can tell the server's cache.",
        },
        Look {
            applies: reads,
            seen: seen(observed::TWICE_FIRST_LOG),
            words: "touched twice: whether a cache is live on the path was not tried.",
        },
        Look {
            applies: trial.access == Access::Sequential,
            seen: pool.is_some_and(|pool| pool.drive_rate.is_some()),
            words: "drives' ceiling: the most that a drive reads is not stated (drive_rate in study.toml).",
        },
        Look {
            applies: random,
            seen: pool.is_some_and(|pool| pool.rpm.is_some()),
            words: "half a turn: whether the drives turn, and how fast, is not stated (rpm in study.toml).",
        },
        Look {
            applies: reads && !is_local(study, trial),
            seen: study.config.server_memory.is_some(),
            words: "server memory: it is not stated, so test data was not sized against it.",
        },
        Look {
            applies: true,
            seen: seen(observed::BUSIEST_CORE),
            words: "client: how busy its cores were was not seen.",
        },
    ];
    let missing = looks.iter().filter(|look| look.applies && !look.seen);
    missing.map(|look| look.words.to_owned()).collect()
}

/// What to do next, a sentence each, by grade and cause.
pub(super) fn steps(study: &Study, trial: &Trial, judgement: &Judgement) -> Vec<String> {
    let told = |source: &str| judgement.evidence.iter().any(|sign| sign.source == source);
    let server = study.config.server.as_ref();
    let mut steps = Vec::new();
    match cause(judgement) {
        Some(Cause::Cache(Layer::Path)) => steps.extend(against_server(study, server)),
        Some(Cause::Cache(Layer::Client)) => steps.extend(against_client(trial)),
        Some(Cause::Broken) => steps.push(
            "Measure again while this client does nothing else; if the record contradicts itself once \
             more, distrust the client's clock or the share's driver."
                .to_owned(),
        ),
        None => {}
    }
    let counts_members = server
        .is_some_and(|server| server.diskstats_command.is_some() && !server.members.is_empty());
    if told("uncounted drives") {
        steps.push(
            "Add the new drive to members under [server] in study.toml: without it nothing proves where the \
             bytes of a grown pool came from."
                .to_owned(),
        );
    } else if told("foreign members") {
        steps.push(
            "Leave nothing but the drives of the pool in members under [server] in study.toml: a cache among them would \
             pass for a drive."
                .to_owned(),
        );
    } else if !told("member drives") {
        let step = match counts_members {
            true => {
                "See why diskstats_command did not tell of all members; run it by hand on this client."
            }
            false => {
                "Give diskstats_command and members under [server] in study.toml: counting the member drives \
                 is what proves where the bytes came from."
            }
        };
        steps.push(step.to_owned());
    }
    if told("size") && cause(judgement).is_none() {
        steps.push("Enlarge the test data with --size, alike in every phase: much of it fits into a memory.".to_owned());
    }
    if told("others") || others_at_the_drives(trial, judgement) {
        steps.push("Measure at a quiet hour: others used the pool or the link.".to_owned());
    }
    if told("slow drive") {
        steps.push("Look at the health of the slow drive before going on.".to_owned());
    }
    let local = is_local(study, trial);
    steps.extend(at_the_limit(judgement.limiting.limit, local).map(str::to_owned));
    if !judgement.ruling.grade.holds() {
        steps.push(again(trial.phase));
    }
    steps
}

fn against_server(study: &Study, server: Option<&Server>) -> Vec<String> {
    let read = study.data.bytes(Set::Read);
    let size = match study.config.server_memory {
        Some(memory) if read >= memory.times(2) => format!(
            "The test data to read, {}, is twice the server's memory or more already: what served it is larger, or held just this.",
            read.iec()
        ),
        Some(memory) => format!(
            "Enlarge the test data with --size to {} or more, twice the server's memory.",
            memory.times(2)
        ),
        None => "State the server's memory (server_memory in study.toml), and enlarge the test data with \
                 `measure --size` to twice of it or more."
            .to_owned(),
    };
    let empty = match server.and_then(|server| server.empty_cache_command.as_ref()) {
        Some(_) => {
            "See why empty_cache_command did not empty the server's cache: run it by hand, and look \
             for a faster tier that it does not reach."
        }
        None => {
            "Give a command that empties the server's cache before each trial: empty_cache_command \
             under [server] in study.toml."
        }
    };
    vec![size, empty.to_owned()]
}

fn against_client(trial: &Trial) -> Vec<String> {
    let direct = match trial.direct {
        Some(true) | None => {
            "Direct I/O was accepted and memory served all the same: mount the share without client \
             caching, or measure from another client."
        }
        Some(false) => {
            "Direct I/O was refused or buffered: mount the share so that it is accepted, or measure from a client \
             that has not read the data."
        }
    };
    vec![
        direct.to_owned(),
        "Enlarge the test data with --size beyond twice this client's memory.".to_owned(),
    ]
}

/// The drives read more than was served, and not for parity: they worked for others.
fn others_at_the_drives(trial: &Trial, judgement: &Judgement) -> bool {
    let more = judgement.evidence.iter().any(|sign| {
        sign.source == "member drives" && matches!(sign.says, crate::judge::Says::Remark)
    });
    more && trial.read_percent == 100
}

/// Whether the trial ran on a share of this machine, without a link between.
pub(super) fn is_local(study: &Study, trial: &Trial) -> bool {
    let mount = study.facts.get(&trial.facts).and_then(|f| f.mount.as_ref());
    !trial.simulated && mount.is_some_and(|mount| server(mount).is_none())
}

fn at_the_limit(limit: Limit, local: bool) -> Option<&'static str> {
    match limit {
        Limit::Link => Some(
            "Take a faster link, or many clients, to see the drives: what fills the link tells the link.",
        ),
        Limit::Client if local => {
            Some("Measure while nothing else runs on this machine, or with larger blocks.")
        }
        Limit::Client => Some("Measure from a faster client, or with larger blocks."),
        Limit::Latency | Limit::Cache | Limit::Drives | Limit::Undetermined => None,
    }
}

fn again(phase: Phase) -> String {
    format!(
        "Then measure the phase again (--phase {phase}). This trial stays in the study, and no verdict is built on it."
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::testing::{Scene, study};
    use crate::units::Bytes;

    /// The study's test data to read is 64 GiB.
    #[test]
    fn nobody_is_asked_for_data_that_is_there_or_for_a_link_that_is_not() {
        let mut study = study(Scene::Full);
        let asks = |study: &Study| against_server(study, None)[0].clone();
        study.config.server_memory = Some(Bytes::GIB.times(16));
        assert!(asks(&study).contains("already"), "{}", asks(&study));
        study.config.server_memory = Some(Bytes::GIB.times(64));
        assert!(
            asks(&study).contains("to 128 GiB or more"),
            "{}",
            asks(&study)
        );
        study.config.server_memory = None;
        assert!(asks(&study).contains("server_memory in study.toml"));
        let trial = study.trials[0].clone();
        assert!(!is_local(&study, &trial));
        for facts in study.facts.values_mut() {
            let mount = facts.mount.as_mut().unwrap();
            (mount.kind, mount.source) = ("btrfs".into(), "/dev/sda".into());
        }
        assert!(is_local(&study, &trial));
        let client = |local| at_the_limit(Limit::Client, local).unwrap();
        assert!(client(false).contains("faster client") && !client(true).contains("faster client"));
    }
}

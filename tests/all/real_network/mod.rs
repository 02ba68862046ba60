//! The program against a real network share: one server, one member drive, one cable of 1 Gbit/s.
//!
//! Where the bytes of a read came from shows in two counters: those of the client's interface, and
//! those of the member drive. Only their ratios to what was read are looked at; how fast this
//! machine is, is its own affair.

mod grades;
mod link;
mod server;
mod share;
mod silent;

use std::collections::BTreeMap;
use std::fs;
use std::ops::RangeInclusive;
use std::process::Command;
use std::time::Instant;

use crate::real_pool::pool::text;
use crate::support::{poolproof, real, run, say};
use server::ClientCache;
use share::{Config, NetworkShare, read_by};

/// Size of the file that is read, in bytes.
const FILE: u64 = 64 << 20;
/// Name of the file.
const NAME: &str = "scan";
/// Wire bytes over bytes read. At least every packet's headers come on top: 1514 bytes carry 1448
/// with TCP time stamps at an MTU of 1500. SSH and SFTP add about 1 %; packets sent again and those
/// that are not full, some more.
const ALL_OVER_THE_WIRE: RangeInclusive<f64> = 1514.0 / 1448.0 - 0.002..=1.15;
/// Drive bytes over bytes read, when all came from the drive: read-ahead and the file system's own
/// books may add to it.
const ALL_FROM_THE_DRIVE: RangeInclusive<f64> = 0.99..=1.05;
/// The same when none did: the books are left, and what a busy machine has already forgotten.
const NEARLY_NONE: RangeInclusive<f64> = 0.0..=0.05;
/// The payload of TCP on 1 Gbit/s at an MTU of 1500: 1448 of every 1538 bytes on the cable.
const TCP_PAYLOAD: f64 = 1e9 / 8.0 * 1448.0 / 1538.0;

/// What was seen while bytes were read, over these bytes.
#[derive(Debug)]
struct Seen {
    wire: f64,
    drive: f64,
}

impl Seen {
    /// Looks at the counters around `work`, which returns the bytes it read.
    fn during(share: &NetworkShare, what: &str, work: impl FnOnce() -> u64) -> Self {
        let counters = || {
            let wire = share.carried().unwrap().received;
            (wire, share.drive_read().unwrap())
        };
        let started = Instant::now();
        let before = counters();
        let bytes = work() as f64;
        let after = counters();
        let seconds = started.elapsed().as_secs_f64();
        let seen = Self {
            wire: (after.0 - before.0) as f64 / bytes,
            drive: (after.1 - before.1) as f64 / bytes,
        };
        say(&format!(
            "real network: {what}: of {bytes} bytes read, {:.4} over the wire, {:.4} from the drive; {:.1} MB/s",
            seen.wire,
            seen.drive,
            bytes / seconds / 1e6
        ));
        seen
    }

    #[track_caller]
    fn came_from(&self, wire: &RangeInclusive<f64>, drive: &RangeInclusive<f64>) {
        assert!(wire.contains(&self.wire), "{self:?}: wire not in {wire:?}");
        assert!(
            drive.contains(&self.drive),
            "{self:?}: drive not in {drive:?}"
        );
    }
}

/// A share with one file on it; `None` when this machine cannot have one, or was not asked to.
fn share_with_a_file(cache: ClientCache) -> Option<NetworkShare> {
    let config = Config {
        cache,
        ..Config::default()
    };
    let share = real("real network", || NetworkShare::build(config))?;
    lay_file(&share);
    Some(share)
}

/// Lays the file down on the server's side, where the client's memory learns nothing of it, and
/// makes the server forget it.
fn lay_file(share: &NetworkShare) {
    let to = format!("of={}", text(&share.server_folder().join(NAME)));
    let count = format!("count={}", FILE >> 20);
    let words = ["if=/dev/urandom", &to, "bs=1M", &count, "conv=fsync"];
    run("dd", &words).unwrap();
    share.drop_server_caches().unwrap();
}

/// Reads the file once, past the client's memory or not.
fn read(share: &NetworkShare, direct: bool) -> u64 {
    let from = format!("if={}", text(&share.path().join(NAME)));
    let mut words = vec![from.as_str(), "of=/dev/null", "bs=1M"];
    words.extend(direct.then_some("iflag=direct"));
    run("dd", &words).unwrap();
    FILE
}

#[test]
fn real_network_reads_come_from_the_drive_when_cold_and_from_memory_when_warm() {
    for cache in [ClientCache::Bypassed, ClientCache::WhileOpen] {
        let Some(share) = share_with_a_file(cache) else {
            return;
        };
        let cold = Seen::during(&share, &format!("{cache:?}, direct, cold"), || {
            read(&share, true)
        });
        cold.came_from(&ALL_OVER_THE_WIRE, &ALL_FROM_THE_DRIVE);
        for direct in [true, false] {
            let what = format!("{cache:?}, direct {direct}, warm");
            let warm = Seen::during(&share, &what, || read(&share, direct));
            warm.came_from(&ALL_OVER_THE_WIRE, &NEARLY_NONE);
        }
    }
}

#[test]
fn real_network_reads_come_from_the_clients_memory_unless_direct() {
    let Some(share) = share_with_a_file(ClientCache::Kept) else {
        return;
    };
    let first = Seen::during(&share, "Kept, first", || read(&share, false));
    first.came_from(&ALL_OVER_THE_WIRE, &ALL_FROM_THE_DRIVE);
    let again = Seen::during(&share, "Kept, again", || read(&share, false));
    again.came_from(&NEARLY_NONE, &NEARLY_NONE);
    // The client forgets nothing when the server does.
    share.drop_server_caches().unwrap();
    let kept = Seen::during(&share, "Kept, server cold", || read(&share, false));
    kept.came_from(&NEARLY_NONE, &NEARLY_NONE);
    let direct = Seen::during(&share, "Kept, server cold, direct", || read(&share, true));
    direct.came_from(&ALL_OVER_THE_WIRE, &ALL_FROM_THE_DRIVE);
}

#[test]
fn real_network_server_tells_of_its_drive_through_the_cable() {
    let Some(share) = share_with_a_file(ClientCache::Bypassed) else {
        return;
    };
    let ask = || {
        let table = run("sh", &["-c", &share.diskstats_command()]).unwrap();
        read_by(&table, share.member()).unwrap()
    };
    let (sent, before) = (share.carried().unwrap().sent, ask());
    read(&share, true);
    let told = ask() - before;
    let ratio = told as f64 / FILE as f64;
    assert!(ALL_FROM_THE_DRIVE.contains(&ratio), "told {told} bytes");
    assert!(share.carried().unwrap().sent > sent);
    let interfaces = fs::read_to_string("/proc/net/dev").unwrap();
    assert!(interfaces.contains(share.interface()), "{interfaces}");
}

#[test]
fn real_network_drive_is_held_to_its_rate() {
    const RATE: u64 = 32 << 20;
    let config = Config {
        drive_bytes_per_s: Some(RATE),
        ..Config::default()
    };
    let Some(share) = real("real network", || NetworkShare::build(config)) else {
        return;
    };
    lay_file(&share);
    let started = Instant::now();
    Seen::during(&share, "drive held", || read(&share, true));
    // Only too fast is wrong: a busy machine is slow.
    let least = 0.9 * FILE as f64 / RATE as f64;
    let took = started.elapsed().as_secs_f64();
    assert!(
        took >= least,
        "{took:.2} s for what has to take {least:.2} s"
    );
}

#[test]
fn real_network_share_is_measured() {
    let Some(share) = real("real network", || NetworkShare::build(Config::default())) else {
        return;
    };
    let (study, path) = (text(&share.study()), text(&share.path()));
    let pool = ["--pool", "raid5", "--drives", "3", "--drive-size", "6TB"];
    poolproof(&[["new", &study, "--share", &path].as_slice(), &pool].concat());
    let mut measure = vec!["measure", &study, "--phase", "before"];
    measure.extend(["--workload", "large-read", "--workload", "small-read"]);
    measure.extend(["--size", "128MiB", "--seconds", "3", "--trials", "1"]);
    poolproof(&measure);
    let trials = trials(&share);
    assert_eq!(trials.len(), 2, "{trials:?}");
    for trial in trials {
        let rate: f64 = trial["rate_bytes_per_s"].parse().unwrap();
        say(&format!(
            "real network: {} read {rate:.0} bytes/s, direct {}",
            trial["workload"], trial["direct"]
        ));
        assert_eq!(trial["state"], "complete", "{}", trial["cause"]);
        assert_eq!(trial["direct"], "true");
        assert!(rate > 0.0 && rate < TCP_PAYLOAD, "{rate} bytes/s");
    }
}

/// Rows of the study's trials, by name of column.
fn trials(share: &NetworkShare) -> Vec<BTreeMap<String, String>> {
    let mut reader = csv::Reader::from_path(share.study().join("trials.csv")).unwrap();
    reader.deserialize().map(Result::unwrap).collect()
}

/// What a share leaves on the machine that is named after the share called `name`.
fn left_by(name: &str) -> Vec<String> {
    let marks = [
        format!("pp{name}c"),
        format!("poolproof-{name}"),
        format!("poolproof-real-networks/{name}"),
    ];
    let list = |tool: &str, words: &[&str]| {
        let output = Command::new(tool).args(words).output().unwrap();
        String::from_utf8(output.stdout).unwrap()
    };
    let mut everything = list("ip", &["link"]) + &list("ip", &["netns", "list"]);
    everything += &list("losetup", &["--list"]);
    everything += &fs::read_to_string("/proc/self/mounts").unwrap();
    let lines = everything.lines();
    lines
        .filter(|line| marks.iter().any(|mark| line.contains(mark)))
        .map(str::to_owned)
        .collect()
}

#[test]
fn real_network_leaves_nothing_behind() {
    let Some(share) = real("real network", || NetworkShare::build(Config::default())) else {
        return;
    };
    let name = share.name();
    assert!(left_by(&name).len() >= 5, "{:?}", left_by(&name));
    drop(share);
    assert_eq!(left_by(&name), Vec::<String>::new());
}

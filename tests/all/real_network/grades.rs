//! The program's grades and limits on a real network share whose caches are known to be cold or warm.

use std::fs;
use std::path::Path;

use poolproof::judge::{Judgement, Layer, Limit, Says, judge_all};
use poolproof::store;

use super::link::SERVER_ADDRESS;
use super::server::ClientCache;
use super::share::{Config, NetworkShare};
use crate::real_local::ext4::Ext4;
use crate::real_pool::pool::text;
use crate::support::{allow, poolproof, real, say};

/// What the member drive is held to, in bytes per second, where it is held.
const HELD: u64 = 15_000_000;
/// The drives by their labels: three of 5.5 MB each cannot give what even a slow machine serves from memory.
const LABELS: &str = "[pool]\nlevel = \"raid5\"\ndrives = 3\nadding = 1\ndrive_rate = \"5.5 MB\"\n";

/// A share and a study of it that asks the server for its drive.
fn studied(config: Config, gigabits: &str, more: &str) -> Option<(NetworkShare, String)> {
    let share = real("real network", || NetworkShare::build(config))?;
    let (study, path) = (text(&share.study()), text(&share.path()));
    // A pair of virtual interfaces tells no line rate.
    poolproof(&["new", &study, "--share", &path, "--link-gigabits", gigabits]);
    let file = Path::new(&study).join("study.toml");
    // An alias of SSH is no name that can be looked up; an address in the mount is.
    let address = match config.encrypted {
        true => format!("address = \"{SERVER_ADDRESS}\"\n"),
        false => String::new(),
    };
    let ask = format!(
        "[server]\n{address}diskstats_command = '''{}'''\nmembers = [\"{}\"]\n{more}",
        share.diskstats_command(),
        share.member()
    );
    let head = fs::read_to_string(&file).unwrap();
    fs::write(&file, format!("{head}\n{ask}")).unwrap();
    allow(&study);
    Some((share, study))
}

/// Measures large reads once, for so many seconds, and judges them.
fn judged(study: &str, size: &str, seconds: &str) -> Judgement {
    poolproof(&[
        "measure",
        study,
        "--phase",
        "before",
        "--workload",
        "large-read",
        "--size",
        size,
        "--seconds",
        seconds,
        "--trials",
        "1",
    ]);
    let study = store::read(study.as_ref()).unwrap();
    let (trial, judgement) = judge_all(&study).pop_last().expect("a trial was judged");
    say(&format!(
        "real network: trial {trial}: {:?} bytes/s, {:?}, {}",
        study.trials.last().and_then(|trial| trial.rate_bytes_per_s),
        judgement.ruling,
        judgement.limiting.sentence()
    ));
    judgement
}

/// What the evidence of `source` says.
fn says(judgement: &Judgement, source: &str) -> Option<Says> {
    let mut evidence = judgement.evidence.iter();
    let found = evidence.find(|evidence| evidence.source == source)?;
    Some(found.says)
}

/// The share that the evidence of `source` says caches before the drives served.
fn served_by_server(judgement: &Judgement, source: &str) -> Option<f64> {
    match says(judgement, source)? {
        Says::Served(Layer::Path, share) => Some(share.estimate),
        _ => None,
    }
}

#[test]
fn real_network_warm_server_is_found_out_and_a_cold_one_is_not() {
    let config = Config {
        drive_bytes_per_s: Some(HELD),
        drive_bytes: 4 << 30,
        ..Config::default()
    };
    let Some((share, study)) = studied(config, "1", LABELS) else {
        return;
    };
    // So much that neither trial comes to the end of it and begins again.
    let size = "768MiB";
    // What has just been written is in the server's memory.
    let warm = judged(&study, size, "6");
    assert!(!warm.ruling.grade.holds(), "{warm:?}");
    assert_eq!(warm.limiting.limit, Limit::Cache, "{:?}", warm.limiting);
    let members = served_by_server(&warm, "member drives").expect("the drive was asked");
    assert!(members > 0.95, "{members}");
    let ceiling = says(&warm, "drives' ceiling").expect("three of 5.5 MB/s cannot be so fast");
    assert!(matches!(ceiling, Says::AtLeast(Layer::Path, least) if least > 0.2));

    share.drop_server_caches().unwrap();
    let cold = judged(&study, size, "6");
    // Where the server reads ahead by more than a few percent, the drive's count verifies nothing.
    assert!(cold.ruling.grade.holds(), "{cold:?}");
    let members = served_by_server(&cold, "member drives").unwrap_or(0.0);
    assert!(members < 0.05, "{members}");
    let mut evidence = cold.evidence.iter();
    let twice = evidence.find(|sign| sign.source == "touched twice");
    let twice = twice.expect("blocks were touched twice");
    assert!(twice.meaning.contains("a cache is live"), "{twice:?}");
}

#[test]
fn real_network_link_is_named_where_it_is_the_narrowest() {
    // Large packets: two cores that are both ends of the cable have enough to do with fewer.
    let config = Config {
        mtu: 9000,
        drive_bytes: 8 << 30,
        encrypted: false,
        ..Config::default()
    };
    let Some((share, study)) = studied(config, "1", "") else {
        return;
    };
    judged(&study, "1536MiB", "3");
    share.drop_server_caches().unwrap();
    let cold = judged(&study, "1536MiB", "3");
    assert!(cold.ruling.grade.holds(), "{cold:?}");
    assert_eq!(cold.limiting.limit, Limit::Link, "{:?}", cold.limiting);
}

/// A disk image on the share: what is read past the cache of the file system in it comes from the pages
/// of the image, which this client keeps.
#[test]
fn real_network_client_that_serves_itself_shows_at_the_wire() {
    let config = Config {
        cache: ClientCache::Kept,
        drive_bytes: 4 << 30,
        ..Config::default()
    };
    let Some(share) = real("real network", || NetworkShare::build(config)) else {
        return;
    };
    let disk = Ext4::within(&share.path().join("disk")).unwrap();
    let (study, mounted) = (text(&disk.study()), text(&disk.share()));
    let mut new = vec!["new", &study, "--server-address", SERVER_ADDRESS];
    new.extend(["--share", &mounted, "--link-gigabits", "1"]);
    poolproof(&new);
    // What was written is fetched once more; when all has been read the client has it all.
    judged(&study, "256MiB", "3");
    let fetching = judged(&study, "256MiB", "3");
    assert!(!fetching.ruling.grade.holds(), "{fetching:?}");
    let served = judged(&study, "256MiB", "3");
    assert!(!served.ruling.grade.holds(), "{served:?}");
    let wire = served.evidence.iter().find(|sign| sign.source == "wire");
    let wire = wire.expect("the counters of the interface are there");
    let share_of_client = match wire.says {
        Says::Served(Layer::Client, share) => share.estimate,
        Says::AtLeast(Layer::Client, least) => least,
        _ => 0.0,
    };
    assert!(share_of_client > 0.9, "{wire:?}");
}

//! `poolproof new`: makes a study.

use std::path::{Path, PathBuf};

use jiff::Timestamp;

use super::mounted::Patience;
use super::{Exit, Failure, owner, print};
use crate::load::{Watch, within};
use crate::pool::Level;
use crate::probe;
use crate::seed::Seed;
use crate::store::Writer;
use crate::study::{Config, Expansion, Identity, Limits, Mounted, Server};
use crate::sys;
use crate::text::{path, plain};
use crate::units::Bytes;

/// Makes the folder of a study.
///
/// A study holds everything about one expansion of one pool, as seen through one share. Keep it on
/// this machine, not on the share.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Example:\n  poolproof new scans --share /mnt/scans --pool raid6 --drives 4 --adding 1 --drive-size 6TB --server-memory 16GiB"
)]
pub(super) struct Arguments {
    #[command(flatten)]
    folder: super::StudyFolder,
    #[command(flatten)]
    patience: Patience,
    /// The mounted directory to measure.
    #[arg(long, value_name = "DIR")]
    share: PathBuf,
    /// Level of the pool: raid0, raid1, raid10, raid5 or raid6.
    #[arg(long, value_name = "LEVEL", requires = "drives")]
    pool: Option<Level>,
    /// Drives of the pool now.
    #[arg(long, value_name = "N", requires = "pool")]
    drives: Option<u32>,
    /// Drives that will be added.
    #[arg(long, value_name = "N", default_value_t = 1, requires = "pool")]
    adding: u32,
    /// Size on the label of each drive, as 6TB.
    #[arg(long, value_name = "SIZE", requires = "pool")]
    drive_size: Option<Bytes>,
    /// Turns per minute, when the drives are rotating ones, as 7200.
    #[arg(long, value_name = "RPM", requires = "pool", value_parser = clap::value_parser!(u32).range(1000..=20_000))]
    rpm: Option<u32>,
    /// The most that one drive reads in a second, as its maker states it, as 210MB.
    #[arg(long, value_name = "SIZE", requires = "pool")]
    drive_rate: Option<Bytes>,
    /// Line rate in Gb/s of the narrowest link to the server, where the interface does not tell.
    #[arg(long, value_name = "GBITS", value_parser = parse_gigabits)]
    link_gigabits: Option<f64>,
    /// Name or address of the server, where the mount does not tell one that can be looked up.
    #[arg(long, value_name = "HOST")]
    server_address: Option<String>,
    /// Memory of the server, as 16GiB: test data has to be larger than what it can cache.
    #[arg(long, value_name = "SIZE")]
    server_memory: Option<Bytes>,
    /// The longest mean latency of small reads that users should feel while the pool grows, in
    /// milliseconds, as 40.
    #[arg(long, value_name = "MS")]
    small_read_limit: Option<f64>,
    /// The least rate at which one user should be able to copy a large file meanwhile, in MB/s, as 60.
    #[arg(long, value_name = "MB")]
    copy_limit: Option<f64>,
}

fn parse_gigabits(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(gigabits) if (0.001..=10_000.0).contains(&gigabits) => Ok(gigabits),
        _ => Err("write a number of gigabits per second, as 1, 2.5 or 10".to_owned()),
    }
}

pub(super) fn run(arguments: &Arguments) -> Result<Exit, Failure> {
    let (share, study) = (arguments.share.clone(), arguments.folder.study.clone());
    let look = move || {
        let share = usable_share(&share)?;
        keep_apart(&study, &share)?;
        let mount = probe::mount(&share).ok();
        Ok::<_, Failure>((share, mount))
    };
    let (patience, doing) = (arguments.patience.give_up, "looking what is mounted");
    let seen = within(patience, &arguments.share, doing, &Watch::default(), look)?;
    let (share, mount) = seen?;
    let expansion = expansion(arguments)?;
    let mut chance = fastrand::Rng::new();
    let (id, seed) = (Identity(chance.u128(..)), Seed(chance.u64(..)));
    let place = share.to_string_lossy().into_owned();
    let config = Config {
        mount: mount.as_ref().map(Mounted::from),
        server_memory: arguments.server_memory,
        pool: expansion,
        link_gigabits: arguments.link_gigabits,
        server: server(arguments),
        limits: limits(arguments)?,
        ..Config::new(id, seed, Timestamp::now(), place)
    };
    let root = &arguments.folder.study;
    Writer::create(root, &config, &owner("new"))?;
    let study = path(root);
    let mounted = config.mount.map_or_else(
        || "what is mounted there is not known".to_owned(),
        |mount| plain(&mount.to_string()),
    );
    print(&format!(
        "made the study {study} for the share {}: {mounted}\nnext: poolproof measure {study} --phase before\n",
        path(&share)
    ))?;
    Ok(Exit::Done)
}

fn limits(arguments: &Arguments) -> Result<Option<Limits>, Failure> {
    let limits = Limits {
        small_read_ms: arguments.small_read_limit,
        copy_mb_per_s: arguments.copy_limit,
    };
    let wrong = |why: String| Failure::new(Exit::Usage, format!("of the limits, {why}"));
    limits.validate().map_err(wrong)?;
    Ok((limits != Limits::default()).then_some(limits))
}

fn server(arguments: &Arguments) -> Option<Server> {
    let address = arguments.server_address.clone()?;
    Some(Server {
        address: Some(address),
        ..Server::default()
    })
}

fn expansion(arguments: &Arguments) -> Result<Option<Expansion>, Failure> {
    let (Some(level), Some(drives)) = (arguments.pool, arguments.drives) else {
        return Ok(None);
    };
    let expansion = Expansion {
        level,
        drives,
        adding: arguments.adding,
        drive_size: arguments.drive_size,
        rpm: arguments.rpm,
        drive_rate: arguments.drive_rate,
    };
    let usage = |error| Failure::new(Exit::Usage, error);
    expansion.before().validate().map_err(usage)?;
    expansion.after().map_err(usage)?;
    Ok(Some(expansion))
}

/// The share's own path, once it is known to be a directory that this user may write to.
fn usable_share(share: &Path) -> Result<PathBuf, Failure> {
    let refuse = |why: &str| {
        let path = share.display();
        Failure::new(
            Exit::Share,
            format!("the share {path} {why}: give a mounted directory that you may write to"),
        )
    };
    let path = share
        .canonicalize()
        .map_err(|error| refuse(&format!("cannot be found ({error})")))?;
    if !path.is_dir() {
        return Err(refuse("is no directory"));
    }
    if path.to_str().is_none() {
        return Err(refuse("has a name that is not UTF-8"));
    }
    sys::may_write(&path).map_err(|why| refuse(&why))?;
    Ok(path)
}

/// A study on the share it measures would disturb the measurement, and a share inside the study
/// would be taken for a part of it.
fn keep_apart(study: &Path, share: &Path) -> Result<(), Failure> {
    let refuse = |why: String| Err(Failure::new(Exit::Study, why));
    let parent = match study.parent() {
        Some(parent) if parent != Path::new("") => parent,
        _ => Path::new("."),
    };
    let Ok(parent) = parent.canonicalize() else {
        return refuse(format!(
            "{} does not exist: make it first",
            parent.display()
        ));
    };
    let Some(name) = study.file_name() else {
        return refuse(format!("{} is no name for a new folder", study.display()));
    };
    let study = parent.join(name);
    if study.exists() {
        return refuse(format!(
            "{} exists already: choose another name for the study",
            study.display()
        ));
    }
    if study.starts_with(share) {
        return refuse(format!(
            "the study {} would lie on the share {}: keep it elsewhere",
            study.display(),
            share.display()
        ));
    }
    Ok(())
}

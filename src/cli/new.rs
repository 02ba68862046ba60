//! `poolproof new`: makes a study.

use std::io::{BufRead, Read, Write, stderr, stdin};
use std::path::{Path, PathBuf};

use clap::ValueEnum;

use jiff::Timestamp;

use super::consent::terminal;
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
use crate::units::{Bytes, ParseBytesError};

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
    /// What the drives are [default: turning, which is assumed and proves nothing].
    #[arg(long, value_name = "KIND", requires = "pool")]
    drive_kind: Option<DriveKind>,
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
    let asked = Answers::of(arguments)?;
    let expansion = expansion(arguments, asked.kind)?;
    let mut chance = fastrand::Rng::new();
    let (id, seed) = (Identity(chance.u128(..)), Seed(chance.u64(..)));
    let place = share.to_string_lossy().into_owned();
    let config = Config {
        mount: mount.as_ref().map(Mounted::from),
        server_memory: asked.memory,
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
        "made the study {study} for the share {}: {mounted}\n{}next: poolproof measure {study} --phase before\n",
        path(&share),
        asked.unknown(config.pool.is_some())
    ))?;
    Ok(Exit::Done)
}

/// What the drives of a pool are.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
enum DriveKind {
    /// Drives that turn.
    Turning,
    /// Solid-state drives on SATA.
    SataSsd,
    /// Solid-state drives on PCI Express.
    Nvme,
}

impl DriveKind {
    /// No turns where they do not turn.
    fn rpm(self) -> Option<u32> {
        (self != Self::Turning).then_some(0)
    }

    /// The most that their interface carries: 6 Gb/s in 8b/10b code (Serial ATA revision 3), four lanes of 32 GT/s in
    /// 128b/130b code (PCI Express 5.0).
    fn rate(self) -> Option<Bytes> {
        match self {
            Self::Turning => None,
            Self::SataSsd => Some(Bytes(600_000_000)),
            Self::Nvme => Some(Bytes(15_753_846_153)),
        }
    }
}

/// What a person at a terminal is asked for, since grades hang on it.
struct Answers {
    kind: Option<DriveKind>,
    memory: Option<Bytes>,
}

impl Answers {
    fn of(arguments: &Arguments) -> Result<Self, Failure> {
        let mut answers = Self {
            kind: arguments.drive_kind,
            memory: arguments.server_memory,
        };
        if terminal() && arguments.pool.is_some() {
            let (mut from, mut to) = (stdin().lock(), stderr().lock());
            answers.ask(arguments.rpm.is_none(), &mut from, &mut to)?;
        }
        Ok(answers)
    }

    /// Asks for what was not said; an empty answer leaves it unknown.
    fn ask(
        &mut self,
        kind: bool,
        answers: &mut impl BufRead,
        screen: &mut impl Write,
    ) -> Result<(), Failure> {
        if kind && self.kind.is_none() {
            let question = "What are the drives: turning, sata-ssd or nvme? [not known] ";
            self.kind = answer(question, answers, screen, |text| {
                DriveKind::from_str(text, false)
            })?;
        }
        if self.memory.is_none() {
            let question = "How much memory has the server, as 16GiB? [not known] ";
            self.memory = answer(question, answers, screen, |text| {
                text.parse()
                    .map_err(|error: ParseBytesError| error.to_string())
            })?;
        }
        Ok(())
    }

    /// What was left unknown, and what hangs on it: a line each.
    fn unknown(&self, pool: bool) -> String {
        let mut told = String::new();
        if pool && self.kind.is_none() {
            told += "the drives are taken to turn: what is faster than such drives proves nothing until --drive-kind says more\n";
        }
        if self.memory.is_none() {
            told += "the server's memory is not known: `poolproof sweep` finds how much of it serves this share\n";
        }
        told
    }
}

/// Asks until the answer is one, or empty.
fn answer<T>(
    question: &str,
    answers: &mut impl BufRead,
    screen: &mut impl Write,
    read: impl Fn(&str) -> Result<T, String>,
) -> Result<Option<T>, Failure> {
    loop {
        write!(screen, "{question}")?;
        screen.flush()?;
        let mut line = String::new();
        Read::take(&mut *answers, 80).read_line(&mut line)?;
        match line.trim() {
            "" => return Ok(None),
            text => match read(text) {
                Ok(told) => return Ok(Some(told)),
                Err(why) => writeln!(screen, "{}", plain(&why))?,
            },
        }
    }
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

fn expansion(arguments: &Arguments, kind: Option<DriveKind>) -> Result<Option<Expansion>, Failure> {
    let (Some(level), Some(drives)) = (arguments.pool, arguments.drives) else {
        return Ok(None);
    };
    let expansion = Expansion {
        level,
        drives,
        adding: arguments.adding,
        drive_size: arguments.drive_size,
        rpm: arguments.rpm.or(kind.and_then(DriveKind::rpm)),
        drive_rate: arguments.drive_rate.or(kind.and_then(DriveKind::rate)),
    };
    if arguments.rpm.is_some() && kind.is_some_and(|kind| kind != DriveKind::Turning) {
        let why =
            "drives that do not turn have no turns: leave out --rpm, or say --drive-kind turning";
        return Err(Failure::new(Exit::Usage, why));
    }
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn whoever_makes_a_study_is_asked_until_the_answer_is_one() {
        for (typed, kind, memory) in [
            (
                "turning\n16GiB\n",
                Some(DriveKind::Turning),
                Some(Bytes::GIB.times(16)),
            ),
            (
                "spinning\nnvme\nmuch\n8 GiB\n",
                Some(DriveKind::Nvme),
                Some(Bytes::GIB.times(8)),
            ),
            ("\n\n", None, None),
            ("sata-ssd", Some(DriveKind::SataSsd), None),
        ] {
            let mut answers = Answers {
                kind: None,
                memory: None,
            };
            let mut screen = Vec::new();
            answers
                .ask(true, &mut typed.as_bytes(), &mut screen)
                .unwrap();
            assert_eq!((answers.kind, answers.memory), (kind, memory), "{typed}");
            let told = answers.unknown(true);
            assert_eq!(told.contains("taken to turn"), kind.is_none());
            assert_eq!(told.contains("memory is not known"), memory.is_none());
        }
    }
}

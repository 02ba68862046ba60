//! `poolproof plan`: what an expansion will give, before anyone buys.

use std::path::PathBuf;

use jiff::ZonedDateTime;
use jiff::civil::DateTime;

use super::{Exit, Failure, data, print};
use crate::pool::{Objection, Outlook, Proposal, Scheme, Stated};
use crate::report;
use crate::store;
use crate::study::{Config, KnownPool};
use crate::units::Bytes;

const EXAMPLES: &str = "Examples:
  poolproof plan
      an example: the scan archive of a lighthouse museum, four 6 TB drives in RAID 6 growing to five
  poolproof plan --pool raid6 --drives 4 --drive-size 6TB --adding 1 --link-gigabits 10
  poolproof plan --pool uneven1 --sizes 4TB,4TB,8TB --new-size 8TB
  poolproof plan --pool raidz2 --drives 5 --drive-size 10TB --used-percent 90
  poolproof plan --pool raid5 --drives 4 --drive-size 6TB --becoming raid6
  poolproof plan --pool raid6 --drives 4 --drive-size 6001175126016 --start 2026-03-06T17:00
  poolproof plan scans --json

Sizes: 6TB is on labels (powers of 1000), 5.46TiB is what many systems show of it (powers of 1024).
A size without a unit is bytes. Exit code 7: the expansion should not be done; the reason is said.";

/// Says what an expansion will give, before anyone buys: space, speed, time, risk.
///
/// Everything is computed from what you state and from assumptions that are listed with their sources;
/// nothing is measured, and no share is touched. With a STUDY its study.toml is the beginning
/// ([pool], link_gigabits, [plan] and [plan.assume]), and flags take the place of what it says.
#[derive(Debug, Default, clap::Args)]
#[command(after_help = EXAMPLES)]
pub(super) struct Arguments {
    /// Folder of a study whose study.toml describes the pool.
    #[arg(value_name = "STUDY")]
    study: Option<PathBuf>,
    #[command(flatten)]
    pool: PoolFlags,
    /// When the expansion would begin, as 2026-03-06T17:00 by the clock of the place; now, if left out.
    #[arg(long, value_name = "TIME")]
    start: Option<DateTime>,
    #[command(flatten)]
    assume: AssumeFlags,
    /// As CSV, a row a figure.
    #[arg(long, conflicts_with = "json")]
    csv: bool,
    /// As JSON, with all models, assumptions and cautions.
    #[arg(long)]
    json: bool,
}

/// The pool and what is added.
#[derive(Debug, Default, clap::Args)]
#[command(next_help_heading = "The pool")]
struct PoolFlags {
    /// Layout: raid0, raid1, raid10, raid5, raid6; uneven1, uneven2 (one or two parities over drives of
    /// unequal size, all of each in use); raidz1, raidz2, raidz3.
    #[arg(long, value_name = "LAYOUT")]
    pool: Option<Scheme>,
    /// Drives now.
    #[arg(long, value_name = "N")]
    drives: Option<usize>,
    /// Size of each drive, as 6TB on the label, or its exact bytes.
    #[arg(long, value_name = "SIZE")]
    drive_size: Option<Bytes>,
    /// Size of each drive where they differ, as 4TB,4TB,8TB.
    #[arg(long, value_name = "SIZES", value_delimiter = ',', conflicts_with_all = ["drives", "drive_size"])]
    sizes: Vec<Bytes>,
    /// Drives that are added; 1 unless said.
    #[arg(long, value_name = "N")]
    adding: Option<usize>,
    /// Size of each drive that is added, if another, or of all of them, as 8TB,8TB.
    #[arg(long, value_name = "SIZE", value_delimiter = ',')]
    new_size: Vec<Bytes>,
    /// The level that the pool becomes: raid5 from two drives of raid1, raid6 from raid5.
    #[arg(long, value_name = "LAYOUT")]
    becoming: Option<Scheme>,
    /// A new drive stands in an enclosure of its own, on one cable.
    #[arg(long)]
    external: bool,
}

/// What is taken for granted.
#[derive(Debug, Default, clap::Args)]
#[command(next_help_heading = "Assumptions, each with a default that the plan lists")]
struct AssumeFlags {
    /// Bytes one drive reads in a second on its outermost track, as 210MB.
    #[arg(long, value_name = "SIZE")]
    drive_rate: Option<Bytes>,
    /// Innermost over outermost rate; 100 for solid-state drives.
    #[arg(long, value_name = "PERCENT")]
    inner_percent: Option<f64>,
    /// Turns a minute; for solid-state drives give --drive-operations.
    #[arg(long, value_name = "RPM")]
    rpm: Option<u32>,
    /// Random operations of one drive in a second.
    #[arg(long, value_name = "N")]
    drive_operations: Option<f64>,
    /// Narrowest link to the server, in Gb/s.
    #[arg(long, value_name = "GBITS")]
    link_gigabits: Option<f64>,
    /// The pool is used on the machine that has it: no link stands between.
    #[arg(long, conflicts_with = "link_gigabits")]
    local: bool,
    /// Largest packet on it, in bytes.
    #[arg(long, value_name = "BYTES")]
    mtu: Option<u64>,
    /// Part of the pool that holds data.
    #[arg(long, value_name = "PERCENT")]
    used_percent: Option<f64>,
    /// The expansion moves only what is used, as a balance of btrfs does, not all of each drive.
    #[arg(long)]
    used_only: bool,
    /// Part that the file system keeps.
    #[arg(long, value_name = "PERCENT")]
    reserve_percent: Option<f64>,
    /// Part of the drives' time that the reshape gets while people work, as 20%.
    #[arg(long, value_name = "PERCENT", value_parser = parse_share)]
    reshape_share: Option<f64>,
    /// Bytes of each drive that an expansion passes in a second at its begin, as 60MB.
    #[arg(long, value_name = "SIZE")]
    reshape_rate: Option<Bytes>,
    /// Hours of use in a day.
    #[arg(long, value_name = "HOURS")]
    use_hours: Option<f64>,
    /// Hour of the day at which use begins.
    #[arg(long, value_name = "HOUR")]
    use_from: Option<u8>,
    /// The pool is used on Saturdays and Sundays too.
    #[arg(long)]
    weekends: bool,
    /// Drives that fail in a year.
    #[arg(long, value_name = "PERCENT")]
    annual_failure_percent: Option<f64>,
    /// Unreadable bits per bit read, as 1e-15.
    #[arg(long, value_name = "RATE")]
    read_error: Option<f64>,
    /// Power cuts in a year.
    #[arg(long, value_name = "N")]
    power_cuts: Option<f64>,
}

fn parse_share(text: &str) -> Result<f64, String> {
    let number = text.strip_suffix('%').unwrap_or(text).trim_end();
    let percent: f64 = number.parse().unwrap_or(f64::NAN);
    let advice = || "write a percentage from 1% to 100%, as 20%".to_owned();
    (1.0..=100.0)
        .contains(&percent)
        .then_some(percent)
        .ok_or_else(advice)
}

impl AssumeFlags {
    fn stated(&self) -> Stated {
        Stated {
            drive_rate: self.drive_rate,
            inner_percent: self.inner_percent,
            rpm: self.rpm,
            drive_operations: self.drive_operations,
            link_gigabits: self.link_gigabits,
            mtu: self.mtu,
            used_percent: self.used_percent,
            reserve_percent: self.reserve_percent,
            reshape_share_percent: self.reshape_share,
            reshape_rate: self.reshape_rate,
            use_hours: self.use_hours,
            use_from: self.use_from,
            weekends: self.weekends.then_some(true),
            annual_failure_percent: self.annual_failure_percent,
            read_error: self.read_error,
            power_cuts: self.power_cuts,
            local: self.local,
            used_only: self.used_only,
            used_seen: None,
            loads: None,
        }
    }
}

pub(super) fn run(arguments: &Arguments) -> Result<Exit, Failure> {
    let known = match &arguments.study {
        Some(folder) => store::read(folder)?.known_pool(),
        None if arguments.pool.nothing() => {
            super::note("an example, the pool of a lighthouse museum: describe yours with --pool");
            museum()
        }
        None => KnownPool::default(),
    };
    let start = arguments
        .start
        .unwrap_or_else(|| ZonedDateTime::now().datetime());
    let proposal = proposal(known, arguments, start)?;
    match proposal.outlook() {
        Ok(outlook) => {
            match (arguments.csv, arguments.json) {
                (true, _) => data(&report::outlook_csv(&outlook))?,
                (_, true) => data(&report::outlook_json(&outlook))?,
                _ => print(&report::outlook_text(&outlook, super::width()))?,
            }
            Ok(Exit::Done)
        }
        Err(objections) => refuse(&objections, arguments),
    }
}

/// What the expansion that `config` describes will give, when it starts at `start`.
///
/// # Errors
/// When the pool is not described, or should not be expanded so.
pub(super) fn outlook(config: &Config, start: DateTime) -> Result<Outlook, Failure> {
    let known = config.known_pool().proposal(start);
    let proposal = known.map_err(|why| Failure::new(Exit::Usage, why))?;
    let refused = |objections: Vec<Objection>| {
        let sentences: Vec<String> = objections.iter().map(Objection::to_string).collect();
        Failure::new(Exit::Refused, sentences.join("; "))
    };
    proposal.outlook().map_err(refused)
}

/// Says all that speaks against the expansion. With `--json` a program reads it on standard output.
fn refuse(objections: &[Objection], arguments: &Arguments) -> Result<Exit, Failure> {
    if let Some(senseless) = objections.iter().find(|objection| !objection.refuses()) {
        return Err(Failure::new(Exit::Usage, senseless));
    }
    if arguments.json {
        data(&report::objections_json(objections))?;
    }
    let text = report::objections_text(objections, super::width());
    text.lines().for_each(super::say);
    Ok(Exit::Refused)
}

/// The scan archive of a lighthouse museum: four 6 TB drives in RAID 6 growing to five.
fn museum() -> KnownPool {
    KnownPool {
        scheme: Some(Scheme::Raid6),
        members: vec![Bytes::TB.times(6); 4],
        new: vec![Bytes::TB.times(6)],
        ..KnownPool::default()
    }
}

/// What is known, with flags in place of what they name.
fn proposal(known: KnownPool, arguments: &Arguments, start: DateTime) -> Result<Proposal, Failure> {
    let flags = &arguments.pool;
    let usage = |text: &str| Err(Failure::new(Exit::Usage, text));
    let Some(scheme) = flags.pool.or(known.scheme) else {
        return usage("the pool has no layout: state it with --pool, as --pool raid6");
    };
    let members = match (&flags.sizes[..], flags.drives, flags.drive_size) {
        ([], None, None) => known.members,
        ([], drives, size) => {
            let drives = drives.unwrap_or(known.members.len());
            let smallest = known.members.iter().copied().min();
            let Some(size) = size.or(smallest) else {
                return usage("the drives have no size: state it with --drive-size, as 6TB");
            };
            // More than any pool has is refused by number; it need not be stored first.
            vec![size; drives.min(10_000)]
        }
        (sizes, ..) => sizes.to_vec(),
    };
    if members.is_empty() {
        return usage(
            "the pool has no drives: state --drives and --drive-size, or --sizes, as 4TB,4TB,8TB",
        );
    }
    let least = members.iter().copied().min();
    let adding = flags.adding.unwrap_or(known.new.len().max(1)).min(10_000);
    let new = match &flags.new_size[..] {
        [size] => vec![*size; adding],
        [] => match known
            .new
            .first()
            .filter(|_| flags.drive_size.is_none() && flags.sizes.is_empty())
        {
            Some(size) => vec![*size; adding],
            None => vec![least.unwrap_or_default(); adding],
        },
        sizes if flags.adding.is_none_or(|adding| adding == sizes.len()) => sizes.to_vec(),
        _ => return usage("--adding and --new-size speak of different numbers of drives"),
    };
    Ok(Proposal {
        scheme,
        becoming: flags.becoming.or(known.becoming).unwrap_or(scheme),
        members,
        new,
        external: flags.external || known.external,
        start,
        stated: arguments.assume.stated().or(&known.stated),
    })
}

impl PoolFlags {
    /// Whether nothing was said of a pool.
    fn nothing(&self) -> bool {
        self.pool.is_none()
            && self.drives.is_none()
            && self.drive_size.is_none()
            && self.sizes.is_empty()
            && self.adding.is_none()
            && self.new_size.is_empty()
            && self.becoming.is_none()
            && !self.external
    }
}

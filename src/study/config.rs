//! What the person said: `study.toml`.

use std::ops::Range;
use std::time::Duration;

use jiff::Timestamp;
use jiff::tz::TimeZone;
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use toml_edit::Document;

use super::bounds::{self, TEXT};
use super::place::placed;
use super::{Audience, Limits, Place, ShellCommand};
use crate::facts::counters::is_nfs;
use crate::facts::{Mount, server};
use crate::plan::{RunPlan, STANDARD, StandardSet, Workload};
use crate::pool::{Level, Pool, PoolError, Scheme, Stated};
use crate::reshape::{Hours, Source, Zones};
use crate::seed::Seed;
use crate::units::Bytes;

/// The format that this version writes. Format 1 kept the manifest of test data in `testdata.toml`,
/// rewritten as a whole; since format 2 it is the table `testdata.csv`. Since format 3 trials say
/// why their operations were submitted as they were. Since format 4 the columns of it are `submission` and
/// `submission_reason` (`engine` and `engine_reason` before), and `study.toml` holds the whole set of workloads.
pub const FORMAT: u32 = 4;

/// What may be added to `study.toml`, each line a remark: with one `#` less it holds.
const EXAMPLES: &str = r##"
## Tables that you may add. Take one # off each line of a table, and put in your own values;
## a table that stands above already is completed there.

## What users should feel at most while the pool grows.
#[limits]
#small_read_ms = 40.0         # longest mean latency of small reads
#copy_mb_per_s = 60.0         # least rate of one user's large reads

## What the report assumes of the people who use the share.
#[report]
#copy = "100 GB"              # what somebody copies
#person_reads_per_s = 10.0    # small reads a second that one person at work needs

## How the server is asked: counting its drives is what proves where bytes came from.
## A command runs only once you have allowed it: poolproof allow.
#[server]
#address = "archive"
#diskstats_command = "ssh archive cat /proc/diskstats"
#members = ["sda", "sdb", "sdc", "sdd"]   # when the new drive is in the pool, add it too

## Who tells where a reshape is: for `watch`, for `check`, and beside trials.
#[reshape]
#source = "mdstat"            # or "btrfs", "raidz", "percent"
#command = "ssh archive cat /proc/mdstat"
#timeout_seconds = 30

## A load of your own, beside those above; there may be several.
#[[workload]]
#name = "patron"              # lower-case letters, digits, hyphens
#read_percent = 100
#access = "random"            # or "sequential"
#block = "8 KiB"              # a multiple of 4 KiB
#depth = 4                    # operations in flight
"##;

/// The content of `study.toml`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Config {
    /// Format of the study's files.
    pub format: u32,
    /// Identity: 32 hexadecimal digits, part of every block of test data.
    pub id: Identity,
    /// When the study was made.
    pub created: Timestamp,
    /// From which every random choice of the study follows.
    #[serde(serialize_with = "write_seed", deserialize_with = "read_seed")]
    pub seed: Seed,
    /// Whether the share is made up.
    #[serde(default)]
    pub simulated: bool,
    /// The mounted directory that is measured.
    pub share: String,
    /// What was mounted under it when the study was made, where that was known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mount: Option<Mounted>,
    /// Memory of the server, which could serve test data instead of the drives.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub server_memory: Option<Bytes>,
    /// A change smaller than this many percent is of no practical interest.
    #[serde(default = "threshold")]
    pub threshold_percent: f64,
    /// The pool before the expansion, and what is added.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pool: Option<Expansion>,
    /// What a plan has to know beyond the pool.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub plan: Option<Planning>,
    /// Line rate in Gb/s of the narrowest link on the way to the server, where the interface does
    /// not tell it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub link_gigabits: Option<f64>,
    /// How the server is asked for what this client cannot see.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub server: Option<Server>,
    /// How the reshape is followed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reshape: Option<Following>,
    /// What users should feel at most while the pool grows.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub limits: Option<Limits>,
    /// What a report assumes of the people who use the share.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub report: Option<Audience>,
    /// How a run is measured where nothing else is said.
    #[serde(default = "RunPlan::standard")]
    pub run: RunPlan,
    /// All workloads: the standard set as the study began with it, and others.
    #[serde(default, rename = "workload", skip_serializing_if = "Vec::is_empty")]
    pub workloads: Vec<Workload>,
}

fn threshold() -> f64 {
    3.0
}

fn one() -> u32 {
    1
}

fn write_seed<S: Serializer>(seed: &Seed, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.collect_str(seed)
}

fn read_seed<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Seed, D::Error> {
    let text = String::deserialize(deserializer)?;
    u64::from_str_radix(&text, 16)
        .map(Seed)
        .map_err(|_| serde::de::Error::custom("seed is 1 to 16 hexadecimal digits"))
}

/// The identity of a study.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Identity(pub u128);

impl Identity {
    /// Eight digits, enough to tell folders apart.
    pub fn short(self) -> String {
        self.to_string()[..8].to_owned()
    }
}

impl std::fmt::Display for Identity {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{:032x}", self.0)
    }
}

impl Serialize for Identity {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Identity {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = String::deserialize(deserializer)?;
        let digits = text.len() == 32 && text.bytes().all(|b| b.is_ascii_hexdigit());
        digits
            .then(|| u128::from_str_radix(&text, 16).ok().map(Self))
            .flatten()
            .ok_or_else(|| serde::de::Error::custom("id is 32 hexadecimal digits"))
    }
}

/// What tells one mounted file system from another, and stays the same when it is mounted again.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Mounted {
    /// Where it is mounted.
    pub point: String,
    /// Its type, as the kernel names it.
    pub kind: String,
    /// What is mounted there: a device, or server and path.
    pub source: String,
}

impl Mounted {
    /// Whether it is a file system of this machine. Of FUSE nobody knows what is behind it.
    pub fn is_local(&self) -> bool {
        let mount = Mount {
            point: self.point.clone(),
            kind: self.kind.clone(),
            source: self.source.clone(),
            ..Mount::default()
        };
        !self.kind.starts_with("fuse") && server(&mount).is_none()
    }

    /// Whether both are the same file system in the same place. Versions of NFS have types of their
    /// own and are settings, not another file system.
    pub fn is_same(&self, other: &Self) -> bool {
        let same_kind = self.kind == other.kind || is_nfs(&self.kind) && is_nfs(&other.kind);
        same_kind && self.point == other.point && self.source == other.source
    }
}

impl From<&Mount> for Mounted {
    fn from(mount: &Mount) -> Self {
        Self {
            point: mount.point.clone(),
            kind: mount.kind.clone(),
            source: mount.source.clone(),
        }
    }
}

impl std::fmt::Display for Mounted {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(
            f,
            "{} ({}) mounted at {}",
            self.source, self.kind, self.point
        )
    }
}

/// The pool, and what it grows by.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Expansion {
    /// Level of redundancy.
    pub level: Level,
    /// Drives before.
    pub drives: u32,
    /// Drives that are added.
    #[serde(default = "one")]
    pub adding: u32,
    /// Size on the label of each drive.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub drive_size: Option<Bytes>,
    /// Turns per minute of drives that turn, 0 of those that do not. Where nothing is stated they are taken to turn, and
    /// what hangs on that is no proof.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rpm: Option<u32>,
    /// The most that one drive reads in a second, on its fastest tracks.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub drive_rate: Option<Bytes>,
}

/// What only a plan of the expansion asks for: the table `[plan]`.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Planning {
    /// The layout, where the level does not tell it: `uneven1`, `raidz2`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub scheme: Option<Scheme>,
    /// The level that the pool is meant to become.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub becoming: Option<Scheme>,
    /// Size of each drive, where they differ.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub drive_sizes: Vec<Bytes>,
    /// Size of each drive that is added, where it differs from the others.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub new_drive_size: Option<Bytes>,
    /// Whether a new drive stands in an enclosure of its own, on one cable.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub external: bool,
    /// Values in place of defaults: the table `[plan.assume]`.
    pub assume: Stated,
}

/// How the server is asked, by commands that the person wrote. Each runs through the shell.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Server {
    /// Name or address of the server, where the mount does not tell one that can be looked up.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub address: Option<String>,
    /// Prints the server's `/proc/diskstats`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub diskstats_command: Option<ShellCommand>,
    /// Names of the pool's member drives in it, the newest last.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub members: Vec<String>,
    /// Empties the server's cache before each trial.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub empty_cache_command: Option<ShellCommand>,
    /// A command that takes longer is given up.
    #[serde(default = "patience")]
    pub timeout_seconds: u64,
}

/// How a reshape is followed.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Following {
    /// Whose text it is.
    pub source: Source,
    /// Prints the text; runs through the shell.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub command: Option<ShellCommand>,
    /// Name of the array, where the text tells of several.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub array: Option<String>,
    /// A command that takes longer is given up.
    #[serde(default = "patience")]
    pub timeout_seconds: u64,
    /// How many times as fast the outermost tracks of the drives are as the innermost.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub zone_ratio: Option<f64>,
    /// Speed of the reshape in each hour of the day, from midnight on, in any unit.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub speed_by_hour: Option<[f64; 24]>,
}

impl Following {
    /// Whether every value is in its range; else what is wrong.
    fn validate(&self) -> Result<(), String> {
        if !(1..=3600).contains(&self.timeout_seconds) {
            return Err("timeout_seconds is from 1 to 3600".to_owned());
        }
        if self
            .zone_ratio
            .is_some_and(|ratio| !(1.0..=5.0).contains(&ratio))
        {
            return Err("zone_ratio is from 1 to 5".to_owned());
        }
        match self
            .speed_by_hour
            .map(|speeds| Hours::new(speeds, TimeZone::UTC))
        {
            Some(None) => {
                Err("speed_by_hour is 24 numbers, none negative and one above 0".to_owned())
            }
            _ => Ok(()),
        }
    }
}

fn patience() -> u64 {
    30
}

impl Server {
    /// How long a command may take: a second at least, an hour at most.
    pub fn patience(&self) -> Duration {
        Duration::from_secs(self.timeout_seconds.clamp(1, 3600))
    }
}

impl Default for Server {
    /// Nothing can be asked.
    fn default() -> Self {
        Self {
            address: None,
            diskstats_command: None,
            members: Vec::new(),
            empty_cache_command: None,
            timeout_seconds: patience(),
        }
    }
}

impl Planning {
    /// Whether it fits the pool; else why not.
    fn check(&self, pool: Option<&Expansion>) -> Result<(), &'static str> {
        let Some(pool) = pool else {
            return Err("[plan] speaks of a pool that [pool] does not describe");
        };
        if self
            .scheme
            .is_some_and(|scheme| scheme.level() != pool.level)
        {
            return Err("scheme of [plan] has another parity than level of [pool]");
        }
        let sizes = self.drive_sizes.len();
        if sizes > 0 && sizes != pool.drives as usize {
            return Err("drive_sizes of [plan] are not as many as drives of [pool]");
        }
        Ok(())
    }
}

impl Expansion {
    /// The pool before.
    pub fn before(&self) -> Pool {
        Pool {
            level: self.level,
            drives: self.drives,
            drive_size: self.drive_size,
        }
    }

    /// The pool after.
    ///
    /// # Errors
    /// When such a pool cannot be.
    pub fn after(&self) -> Result<Pool, PoolError> {
        self.before().grown(self.adding)
    }
}

/// Why `study.toml` cannot be used.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum ConfigError {
    /// Not TOML, or a field is missing or of the wrong kind; the text says where.
    #[error("study.toml cannot be read: {0}")]
    Syntax(String),
    /// A value is out of range.
    #[error("study.toml: {0}")]
    Value(String),
}

/// The most member drives of a server.
const MEMBERS: usize = 1024;
/// The most workloads: 256 beside the standard set.
const WORKLOADS: usize = 256 + STANDARD.len();

/// A step on the way to a value in `study.toml`.
enum Step {
    Key(&'static str),
    Number(usize),
}

/// The bytes of the value at `path`, or of the last thing on the way to it.
fn locate(text: &str, path: &[Step]) -> Option<Range<usize>> {
    let document = Document::parse(text).ok()?;
    let (mut item, mut span) = (document.as_item(), None);
    for step in path {
        let next = match step {
            Step::Key(key) => item.get(*key),
            Step::Number(index) => item.get(*index),
        };
        let Some(next) = next else { break };
        item = next;
        span = item.span().or(span);
    }
    span
}

impl Config {
    /// A study of `share`, a mounted directory, of which nothing more is said.
    pub fn new(id: Identity, seed: Seed, created: Timestamp, share: String) -> Self {
        let StandardSet { workloads, run } = StandardSet::standard();
        Self {
            format: FORMAT,
            id,
            created,
            seed,
            simulated: false,
            share,
            mount: None,
            server_memory: None,
            threshold_percent: threshold(),
            pool: None,
            plan: None,
            link_gigabits: None,
            server: None,
            reshape: None,
            limits: None,
            report: None,
            run,
            workloads,
        }
    }

    /// Reads `study.toml`. A newer format is read as far as it is known.
    ///
    /// # Errors
    /// When it is no such file, or a value is out of range.
    pub fn parse(text: &str) -> Result<Self, ConfigError> {
        if text.len() as u64 > bounds::CONFIG {
            let why = format!("it is longer than {} bytes", bounds::CONFIG);
            return Err(ConfigError::Value(why));
        }
        let config: Self = toml::from_str(text).map_err(|error: toml::de::Error| {
            ConfigError::Syntax(placed(text, error.span(), error.message()))
        })?;
        match config.wrong() {
            None => Ok(config),
            Some((path, why)) => {
                let span = locate(text, &path);
                Err(ConfigError::Value(placed(text, span, &why)))
            }
        }
    }

    /// The first value that is out of range: where it stands, and what is wrong.
    fn wrong(&self) -> Option<(Vec<Step>, String)> {
        use Step::{Key, Number};
        let at = |keys: &[&'static str]| keys.iter().map(|key| Key(key)).collect::<Vec<_>>();
        let range = 0.0..=100.0;
        if !range.contains(&self.threshold_percent) {
            let why = "threshold_percent is from 0 to 100".to_owned();
            return Some((at(&["threshold_percent"]), why));
        }
        if let Err((_, why)) = bounds::moment("created", self.created) {
            return Some((at(&["created"]), why));
        }
        if let Some(Err(why)) = self.limits.as_ref().map(Limits::validate) {
            return Some((at(&["limits"]), format!("[limits]: {why}")));
        }
        if let Some(Err(why)) = self.report.as_ref().map(Audience::validate) {
            return Some((at(&["report"]), format!("[report]: {why}")));
        }
        if let Some((path, _)) = self.texts().into_iter().find(|(_, text)| text.len() > TEXT) {
            let why = format!("the text is longer than {TEXT} bytes");
            return Some((at(&path), why));
        }
        if self
            .link_gigabits
            .is_some_and(|gigabits| !(0.001..=10_000.0).contains(&gigabits))
        {
            let why = "link_gigabits is from 0.001 to 10,000".to_owned();
            return Some((at(&["link_gigabits"]), why));
        }
        if self
            .server
            .as_ref()
            .is_some_and(|server| server.members.len() > MEMBERS)
        {
            let why = format!("there are more than {MEMBERS} members");
            return Some((at(&["server", "members"]), why));
        }
        if let Err(why) = self.run.validate() {
            return Some((at(&["run"]), format!("[run]: {why}")));
        }
        if self.workloads.len() > WORKLOADS {
            let why = format!("there are more than {WORKLOADS} workloads");
            return Some((at(&["workload"]), why));
        }
        for (index, workload) in self.workloads.iter().enumerate() {
            let path = vec![Key("workload"), Number(index)];
            if let Err(error) = workload.validate() {
                return Some((path, error.to_string()));
            }
            if self.workloads[..index]
                .iter()
                .any(|other| other.name == workload.name)
            {
                return Some((
                    path,
                    format!(
                        "two workloads are named '{}': keep one of them",
                        workload.name
                    ),
                ));
            }
        }
        if let Some(Err(why)) = self.reshape.as_ref().map(Following::validate) {
            return Some((at(&["reshape"]), format!("[reshape]: {why}")));
        }
        if let Some(Err(error)) = self.pool.as_ref().map(|pool| pool.before().validate()) {
            return Some((at(&["pool"]), error.to_string()));
        }
        let plan = self
            .plan
            .as_ref()
            .map(|plan| plan.check(self.pool.as_ref()));
        if let Some(Err(why)) = plan {
            return Some((at(&["plan"]), why.to_owned()));
        }
        None
    }

    /// The texts that may be long, each with its place. Commands have a limit of their own.
    fn texts(&self) -> Vec<(Vec<&'static str>, &str)> {
        let mut texts = vec![(vec!["share"], self.share.as_str())];
        if let Some(mount) = &self.mount {
            texts.push((vec!["mount", "point"], &mount.point));
            texts.push((vec!["mount", "kind"], &mount.kind));
            texts.push((vec!["mount", "source"], &mount.source));
        }
        if let Some(server) = &self.server {
            let address = server
                .address
                .iter()
                .map(|text| (vec!["server", "address"], text.as_str()));
            let members = server
                .members
                .iter()
                .map(|text| (vec!["server", "members"], text.as_str()));
            texts.extend(address.chain(members));
        }
        let array = self
            .reshape
            .as_ref()
            .and_then(|reshape| reshape.array.as_deref());
        texts.extend(array.map(|text| (vec!["reshape", "array"], text)));
        texts
    }

    /// The text of `study.toml`; of a share that is there, with examples of what may be added.
    pub fn render(&self) -> String {
        let body = toml::to_string_pretty(self).expect("a configuration is plain data");
        let examples = if self.simulated { "" } else { EXAMPLES };
        format!(
            "# A poolproof study. You may change limits and add workloads; id, seed, share, mount,\n# [run] and the workloads belong to what was measured already.\n{body}{examples}"
        )
    }

    /// What is known of the zones of the pool's drives: as stated for the reshape, else as usual for
    /// drives that are known to rotate.
    pub fn zones(&self) -> Option<Zones> {
        let stated = self.reshape.as_ref().and_then(|reshape| reshape.zone_ratio);
        let rotating = self
            .pool
            .as_ref()
            .and_then(|pool| pool.rpm)
            .map(|_| Zones::USUAL);
        let widening = self.pool.as_ref().and_then(|pool| {
            let after = pool.after().ok()?;
            Some(pool.before().large_read_ratio(&after).data_drives)
        });
        Some(Zones {
            ratio: stated.or(rotating)?,
            widening: widening.unwrap_or(1.0),
            stated: stated.is_some(),
        })
    }

    /// What is known of the speed of the reshape by the hour of the day on the clock of `zone`.
    pub fn hours(&self, zone: TimeZone) -> Option<Hours> {
        Hours::new(self.reshape.as_ref()?.speed_by_hour?, zone)
    }

    /// The commands in it, each with its place.
    pub fn commands(&self) -> Vec<(Place, &ShellCommand)> {
        let server = self.server.as_ref();
        let diskstats = server.and_then(|server| server.diskstats_command.as_ref());
        let empty_cache = server.and_then(|server| server.empty_cache_command.as_ref());
        let reshape = self.reshape.as_ref();
        let reshape = reshape.and_then(|reshape| reshape.command.as_ref());
        [
            (Place::Diskstats, diskstats),
            (Place::EmptyCache, empty_cache),
            (Place::Reshape, reshape),
        ]
        .into_iter()
        .filter_map(|(place, command)| Some((place, command?)))
        .collect()
    }

    /// Lets the commands at these places run on this machine.
    pub fn allow(&mut self, places: &[Place]) {
        let allow = |place: Place, command: &mut Option<ShellCommand>| {
            if places.contains(&place) {
                *command = command.take().map(ShellCommand::allowed);
            }
        };
        if let Some(server) = &mut self.server {
            allow(Place::Diskstats, &mut server.diskstats_command);
            allow(Place::EmptyCache, &mut server.empty_cache_command);
        }
        if let Some(reshape) = &mut self.reshape {
            allow(Place::Reshape, &mut reshape.command);
        }
    }

    /// Whether this version may write to the study.
    pub fn writable(&self) -> bool {
        self.format <= FORMAT
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn example() -> Config {
        Config {
            mount: Some(Mounted {
                point: "/mnt/scans".into(),
                kind: "nfs4".into(),
                source: "archive:/scans".into(),
            }),
            server_memory: Some(Bytes::GIB.times(16)),
            pool: Some(Expansion {
                level: Level::Raid6,
                drives: 4,
                adding: 1,
                drive_size: Some(Bytes::TB.times(6)),
                rpm: Some(7200),
                drive_rate: None,
            }),
            workloads: vec![Workload {
                name: "scan".into(),
                ..Workload::standard().remove(0)
            }],
            ..Config::new(
                Identity(0x1234),
                Seed(99),
                "2026-03-02T08:00:00Z".parse().unwrap(),
                "/mnt/scans".into(),
            )
        }
    }

    #[test]
    fn what_is_written_reads_back() {
        let text = example().render();
        assert!(
            text.contains("drive_size = \"6 TB\"") && text.contains("level = \"raid6\""),
            "{text}"
        );
        assert_eq!(Config::parse(&text), Ok(example()));
        assert_eq!(example().all_workloads(), example().workloads);
    }

    #[test]
    fn examples_are_remarks_and_hold_with_one_sign_less() {
        let bare = Config {
            pool: None,
            workloads: Vec::new(),
            ..example()
        };
        let text = bare.render();
        assert!(text.ends_with(EXAMPLES));
        assert_eq!(Config::parse(&text), Ok(bare.clone()));
        let off = |line: &str| line.strip_prefix('#').unwrap_or(line).to_owned() + "\n";
        let taken: String = EXAMPLES.lines().map(off).collect();
        let config = Config::parse(&text.replace(EXAMPLES, &taken)).unwrap();
        assert_eq!(config.limits.unwrap().small_read_ms, Some(40.0));
        assert_eq!(config.report.unwrap().copy, Some(Audience::COPY));
        assert_eq!(config.server.unwrap().members.len(), 4);
        assert_eq!(config.workloads[0].name, "patron");
        let simulated = Config {
            simulated: true,
            ..bare
        };
        assert!(!simulated.render().contains("[limits]"));
    }

    #[test]
    fn another_source_place_or_type_is_another_file_system() {
        let mounted = example().mount.unwrap();
        let with = |change: fn(&mut Mounted)| {
            let mut other = mounted.clone();
            change(&mut other);
            mounted.is_same(&other)
        };
        assert!(with(|_| ()));
        assert!(with(|other| other.kind = "nfs".into()));
        assert!(!with(|other| other.kind = "ext4".into()));
        assert!(!with(|other| other.point = "/".into()));
        assert!(!with(|other| other.source = "archive:/other".into()));
    }

    #[test]
    fn following_a_reshape_is_read_and_checked() {
        let text = format!(
            "{}\n[reshape]\nsource = \"mdstat\"\ncommand = \"ssh keeper@archive cat /proc/mdstat\"\n",
            example()
                .render()
                .replace("\n[[workload]]", "\n[ignored]\n[[workload]]")
        );
        let config = Config::parse(&text).unwrap();
        let reshape = config.reshape.clone().unwrap();
        assert_eq!(
            (reshape.source, reshape.timeout_seconds),
            (Source::Mdstat, 30)
        );
        // RAID 6 from four to five drives: two data drives become three.
        let zones = config.zones().unwrap();
        assert_eq!(
            (zones.ratio, zones.widening, zones.stated),
            (2.0, 1.5, false)
        );
        for bad in [
            "zone_ratio = 0.5",
            "timeout_seconds = 0",
            "speed_by_hour = [1.0]",
            "colour = 1",
        ] {
            assert!(Config::parse(&format!("{text}{bad}\n")).is_err(), "{bad}");
        }
        let stated = Config::parse(&format!("{text}zone_ratio = 1.8\n")).unwrap();
        assert!(stated.zones().unwrap().stated);
    }

    #[test]
    fn bad_values_are_told() {
        let render = |change: fn(&mut Config)| {
            let mut config = example();
            change(&mut config);
            Config::parse(&config.render())
        };
        assert!(render(|c| c.threshold_percent = f64::NAN).is_err());
        assert!(render(|c| c.workloads[0].depth = 0).is_err());
        assert!(render(|c| c.workloads.push(c.workloads[0].clone())).is_err());
        assert!(render(|c| c.link_gigabits = Some(f64::INFINITY)).is_err());
        assert!(render(|c| c.share = "x".repeat(5000)).is_err());
        assert!(render(|c| c.created = Timestamp::MAX).is_err());
        assert!(render(|c| c.pool.as_mut().unwrap().drives = u32::MAX).is_err());
        assert!(render(|c| c.workloads = vec![c.workloads[0].clone(); 300]).is_err());
        let long = format!("# {}\n{}", "x".repeat(1 << 20), example().render());
        assert!(
            Config::parse(&long)
                .unwrap_err()
                .to_string()
                .contains("longer")
        );
        let error = Config::parse("format = 1\nid = 7").unwrap_err();
        assert!(error.to_string().contains("line 2"), "{error}");
    }

    #[test]
    fn a_value_out_of_range_is_told_with_line_and_column() {
        let text = example().render();
        let line =
            |text: &str, key: &str| text.lines().position(|l| l.starts_with(key)).unwrap() + 1;
        let last = |text: &str| {
            text.lines()
                .collect::<Vec<_>>()
                .iter()
                .rposition(|l| *l == "[[workload]]")
                .unwrap()
                + 1
        };
        let percent = text.replace("threshold_percent = 3.0", "threshold_percent = 300.0");
        let second = text.clone() + &text[text.find("[[workload]]").unwrap()..];
        let depth = text.replace("depth = ", "depth = 2000");
        for (text, place, why) in [
            (
                &percent,
                (line(&percent, "threshold_percent"), 21),
                "from 0 to 100",
            ),
            (&second, (last(&second), 1), "two workloads"),
            (&depth, (line(&depth, "[[workload]]"), 1), "depth is"),
        ] {
            let error = Config::parse(text).unwrap_err().to_string();
            let expected = format!("study.toml: line {}, column {}: ", place.0, place.1);
            assert!(
                error.starts_with(&expected) && error.contains(why),
                "{error}, not {expected}"
            );
        }
    }

    #[test]
    fn a_plan_has_to_fit_its_pool() {
        let mut config = example();
        config.plan = Some(Planning {
            scheme: Some(Scheme::RaidZ2),
            drive_sizes: vec![Bytes::TB.times(6); 4],
            new_drive_size: Some(Bytes::TB.times(8)),
            assume: Stated {
                used_percent: Some(70.0),
                ..Stated::default()
            },
            ..Planning::default()
        });
        let text = config.render();
        assert!(text.contains("[plan.assume]"), "{text}");
        assert_eq!(Config::parse(&text), Ok(config.clone()));
        for (old, new) in [
            ("raidz2", "raidz1"),
            ("drives = 4", "drives = 5"),
            ("used_percent", "used"),
        ] {
            assert!(Config::parse(&text.replace(old, new)).is_err(), "{new}");
        }
        config.pool = None;
        assert!(Config::parse(&config.render()).is_err());
    }

    #[test]
    fn a_newer_format_is_read_and_not_written() {
        let text = example().render().replace(
            &format!("format = {FORMAT}"),
            &format!("format = {}\nnovelty = true", FORMAT + 1),
        );
        let config = Config::parse(&text).unwrap();
        assert!(!config.writable());
    }
}

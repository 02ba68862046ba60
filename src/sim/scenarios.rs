//! Scenarios drawn by chance, each with what it is: for testing a judgement against the truth.
//!
//! Everything that a judge has to tell apart is drawn: where the bytes come from and how many of
//! them, what else goes on, what can be seen. All ranges are made up after what is sold for homes and
//! offices.
//!
//! | drawn | from |
//! | --- | --- |
//! | drives | rotating in two of three pools: 5400 or 7200 turns, 150 to 270 MB/s outside; else solid: 60 to 150 µs, 300 to 550 MB/s |
//! | pool | any level, up to eight drives |
//! | link | 1, 2.5 or 10 Gb/s; packets of 9000 bytes now and then at 10 |
//! | cache | none, in the client, in the server's memory, a tier, or a mixture |
//! | hit ratio | 0, near 0.05, 0 to 1, or 1 |
//! | other traffic | none, up to 5 % of the line, or 20 to 50 %; half of it varies |
//! | other users | none, up to 10 % of the drives' time, or 30 to 50 % (solid: 20 %) |
//! | seen | everything, nothing of the members, the wire alone, or nothing |
//! | data | now and then compressed or kept once; the flush of a write workload now and then lies |

use crate::load::{Assignment, LoadError, Measured, Share, Watch};
use crate::plan::{DataFile, Pattern, PatternError, Phase, Set, TestData, Workload};
use crate::pool::{Drive, Level, Pool};
use crate::seed::Seed;
use crate::sim::{
    Client, ClientCache, DriveKind, Network, Scenario, Server, SimulatedShare, Solid, Tier,
    Traffic, Truth, Users, Visibility, demo_scenario,
};
use crate::units::{Bytes, Nanos, Rate};

/// Files of the read set; the write set has a quarter of them.
const READ_FILES: u64 = 64;

/// Where what is read comes from, beside the drives.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Caches {
    /// Nowhere.
    Clean,
    /// The client's memory.
    Client,
    /// The server's memory.
    Memory,
    /// A solid-state tier of the server.
    Tier,
    /// More than one of them.
    Mixture,
}

/// How much others do.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Load {
    /// Nothing.
    None,
    /// What can be overlooked.
    Light,
    /// What cannot.
    Heavy,
}

/// What can be seen.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Sight {
    /// Every observation there is.
    All,
    /// All but the counters of the drives.
    NoMembers,
    /// The counters of the interface alone.
    WireOnly,
    /// No observation.
    Nothing,
}

/// What a scenario is.
#[derive(Clone, Debug, PartialEq)]
pub struct Kind {
    /// Where what is read comes from.
    pub caches: Caches,
    /// The part of the read set, 0 to 1, that one of the caches has when a trial begins.
    pub hit_ratio: f64,
    /// Other traffic of the client.
    pub traffic: Load,
    /// Other users of the pool.
    pub users: Load,
    /// What can be seen.
    pub sight: Sight,
    /// The workload that is to be measured; one of the standard set.
    pub workload: Workload,
    /// Size of the read set.
    pub read_set: Bytes,
}

/// Why a scenario could not be measured.
#[derive(Debug, thiserror::Error)]
pub enum ScenarioError {
    /// Its pool cannot be.
    #[error(transparent)]
    Pool(#[from] crate::pool::PoolError),
    /// Its workload has no room.
    #[error(transparent)]
    Pattern(#[from] PatternError),
    /// Its share did not answer.
    #[error(transparent)]
    Load(#[from] LoadError),
}

impl Kind {
    /// The test data of the scenario, as if laid down before.
    pub fn test_data(&self) -> TestData {
        let file = |number| DataFile {
            number,
            set: if number < READ_FILES {
                Set::Read
            } else {
                Set::Write
            },
            bytes: self.read_set.share(1, READ_FILES),
            phase: Phase::Before,
            complete: true,
        };
        let files = READ_FILES + READ_FILES / 4;
        TestData {
            folder: "test-data".into(),
            next_number: files,
            files: (0..files).map(file).collect(),
        }
    }

    /// Measures one trial of `seconds` in `scenario`, and tells the truth about it.
    ///
    /// # Errors
    /// When the scenario cannot be, or its workload finds no room in the test data.
    pub fn measure(
        &self,
        scenario: Scenario,
        seconds: u64,
    ) -> Result<(Measured, Truth), ScenarioError> {
        let (data, study) = (self.test_data(), scenario.seed.child("study", 0));
        let pattern = Pattern::new(&self.workload, &Workload::standard(), &data, study)?;
        let mut share = SimulatedShare::new(scenario)?;
        let assignment = Assignment {
            workload: &self.workload,
            pattern,
            data: &data,
            length: Nanos(seconds * Nanos::SECOND.0),
            first: 0,
            trial: 0,
        };
        let measured = share.run(&assignment, &Watch::default())?;
        Ok((measured, share.truth()))
    }
}

/// Parts of the test data in each cache.
#[derive(Clone, Copy, Debug, Default)]
struct Parts {
    client: f64,
    memory: f64,
    tier: f64,
}

/// The scenario that belongs to `seed`.
pub fn random(seed: Seed) -> (Scenario, Kind) {
    let rng = &mut seed.child("scenario", 0).rng();
    let workload = workload(rng);
    let read_set = Bytes::GIB.times(*pick(rng, &[16, 32, 64]));
    let caches = match rng.u32(0..100) {
        0..30 => Caches::Clean,
        30..48 => Caches::Client,
        48..66 => Caches::Memory,
        66..84 => Caches::Tier,
        _ => Caches::Mixture,
    };
    let hit_ratio = match (caches, rng.u32(0..100)) {
        (Caches::Clean, _) | (_, 0..15) => 0.0,
        (_, 15..35) => between(rng, 0.03, 0.07),
        (_, 35..85) => rng.f64(),
        _ => 1.0,
    };
    let parts = parts(rng, caches, hit_ratio);
    // A cache is large enough for its part of the read set and the write set.
    let room = |rng: &mut fastrand::Rng, part: f64, sizes: &[u64]| {
        let needed = Bytes((read_set.0 as f64 * 1.4 * part) as u64);
        Bytes::GIB.times(*pick(rng, sizes)).max(needed)
    };
    let drive = drive(rng);
    let pool = pool(rng);
    let network = network(rng);
    let (users, users_load) = users(rng, &drive, pool.drives);
    let (traffic, traffic_load) = traffic(rng, network.bits_per_second);
    let (sight, visibility) = sight(rng);
    let has = |this| caches == this || caches == Caches::Mixture;
    let client_cache = has(Caches::Client).then(|| ClientCache {
        memory: room(rng, parts.client, &[4, 8, 16]),
        latency: Nanos(rng.u64(3_000..15_000)),
        rate: Rate(between(rng, 2e9, 6e9)),
        prewarmed: Some(parts.client),
        says_direct: rng.bool(),
    });
    let tier = has(Caches::Tier).then(|| Tier {
        bytes: room(rng, parts.tier, &[128, 256, 512]),
        latency: Nanos(rng.u64(70_000..150_000)),
        rate: Rate(between(rng, 400e6, 2_500e6)),
        prewarmed: Some(parts.tier),
    });
    let scenario = Scenario {
        pool,
        adding: if pool.level == Level::Raid10 { 2 } else { 1 },
        drive,
        stored: match rng.u32(0..10) {
            0 => between(rng, 0.2, 0.7),
            _ => 1.0,
        },
        server: Server {
            memory: room(rng, parts.memory, &[2, 4, 8, 16, 32]),
            write_back: Bytes::MIB.times(*pick(rng, &[16, 256, 1024])),
            write_back_line: Bytes::KIB.times(512),
            request: Nanos(rng.u64(40_000..150_000)),
            flush_lies: workload.writes() && rng.u32(0..4) == 0,
        },
        prewarmed: Some(parts.memory),
        tier,
        network: Network { traffic, ..network },
        client: client(rng),
        client_cache,
        visibility,
        users,
        filled: between(rng, 0.1, 0.8),
        drift: 0.03,
        seed,
        ..demo_scenario(seed)
    };
    let kind = Kind {
        caches,
        hit_ratio,
        traffic: traffic_load,
        users: users_load,
        sight,
        workload,
        read_set,
    };
    (scenario, kind)
}

fn pick<'a, T>(rng: &mut fastrand::Rng, choices: &'a [T]) -> &'a T {
    &choices[rng.usize(..choices.len())]
}

fn between(rng: &mut fastrand::Rng, low: f64, high: f64) -> f64 {
    low + (high - low) * rng.f64()
}

fn workload(rng: &mut fastrand::Rng) -> Workload {
    let [
        large_read,
        large_write,
        small_read,
        small_read_deep,
        small_write_deep,
        mixed,
    ] = [0, 1, 2, 3, 4, 5];
    let number = match rng.u32(0..100) {
        0..30 => large_read,
        30..50 => small_read,
        50..70 => small_read_deep,
        70..80 => large_write,
        80..90 => small_write_deep,
        _ => mixed,
    };
    Workload::standard().swap_remove(number)
}

/// Caches are asked in turn: a later one has its part of what the earlier ones do not have.
fn parts(rng: &mut fastrand::Rng, caches: Caches, hit_ratio: f64) -> Parts {
    let mut parts = Parts::default();
    match caches {
        Caches::Clean => {}
        Caches::Client => parts.client = hit_ratio,
        Caches::Memory => parts.memory = hit_ratio,
        Caches::Tier => parts.tier = hit_ratio,
        Caches::Mixture => {
            let weights = [rng.f64(), rng.f64(), rng.f64()];
            let scale = hit_ratio / weights.iter().sum::<f64>().max(f64::MIN_POSITIVE);
            let [client, memory, _] = weights.map(|weight| weight * scale);
            parts.client = client;
            parts.memory = memory / (1.0 - client);
            let behind = 1.0 - client - memory;
            // Exactly all, where all are hits.
            parts.tier = (1.0 - (1.0 - hit_ratio) / behind).clamp(0.0, 1.0);
        }
    }
    parts
}

fn drive(rng: &mut fastrand::Rng) -> DriveKind {
    if rng.u32(0..3) == 0 {
        return DriveKind::Solid(Solid {
            latency: Nanos(rng.u64(60_000..150_000)),
            rate: Rate(between(rng, 300e6, 550e6)),
        });
    }
    let outer = between(rng, 150e6, 270e6);
    DriveKind::Rotating(Drive {
        outer: Rate(outer),
        inner: Rate(outer * between(rng, 0.45, 0.55)),
        rpm: *pick(rng, &[5400, 7200]),
        nearest_seek: Nanos(rng.u64(500_000..1_500_000)),
        average_seek: Nanos(rng.u64(7_500_000..12_000_000)),
    })
}

fn pool(rng: &mut fastrand::Rng) -> Pool {
    let level = *pick(rng, &Level::ALL);
    let drives = match level {
        Level::Raid1 => 2,
        Level::Raid10 => 2 * rng.u32(2..5),
        level => rng.u32(level.minimum_drives()..9),
    };
    Pool {
        level,
        drives,
        drive_size: Some(Bytes::TB.times(*pick(rng, &[2, 4, 8, 16]))),
    }
}

fn network(rng: &mut fastrand::Rng) -> Network {
    let bits_per_second = *pick(rng, &[1_000_000_000, 2_500_000_000, 10_000_000_000]);
    let jumbo = bits_per_second == 10_000_000_000 && rng.u32(0..4) == 0;
    Network {
        bits_per_second,
        mtu: if jumbo { 9000 } else { 1500 },
        round_trip: Nanos(rng.u64(80_000..400_000)),
        traffic: Traffic::NONE,
    }
}

fn load(rng: &mut fastrand::Rng) -> Load {
    match rng.u32(0..100) {
        0..50 => Load::None,
        50..80 => Load::Light,
        _ => Load::Heavy,
    }
}

fn traffic(rng: &mut fastrand::Rng, bits_per_second: u64) -> (Traffic, Load) {
    let load = load(rng);
    let mut part = || match load {
        Load::None => 0.0,
        Load::Light => between(rng, 0.005, 0.05),
        Load::Heavy => between(rng, 0.2, 0.5),
    };
    let line = bits_per_second as f64 / 8.0;
    let traffic = Traffic {
        received: Rate(part() * line),
        sent: Rate(part() * line / 4.0),
        variation: if rng.bool() { 0.5 } else { 0.0 },
    };
    (traffic, load)
}

fn users(rng: &mut fastrand::Rng, drive: &DriveKind, drives: u32) -> (Users, Load) {
    let load = load(rng);
    let block = Bytes::KIB.times(*pick(rng, &[64, 256, 1024]));
    let transfer = block.0 as f64 / drive.rate_at(0.3).0;
    let (service, heavy) = match drive {
        DriveKind::Rotating(drive) => {
            let access = drive.mean_seek(0.5) + drive.half_turn();
            (access.secs() + transfer, between(rng, 0.3, 0.5))
        }
        DriveKind::Solid(_) => (transfer, 0.2),
    };
    let busy = match load {
        Load::None => 0.0,
        Load::Light => between(rng, 0.01, 0.1),
        Load::Heavy => heavy,
    };
    let users = Users {
        operations_per_second: [busy / service * f64::from(drives); 24],
        block,
    };
    (users, load)
}

fn client(rng: &mut fastrand::Rng) -> Client {
    // One in five has cores that a fast link keeps busy.
    let (operation, byte) = match rng.u32(0..5) {
        0 => (rng.u64(60_000..150_000), between(rng, 1.0, 3.0)),
        _ => (rng.u64(15_000..40_000), between(rng, 0.3, 0.6)),
    };
    Client {
        cores: *pick(rng, &[2, 4, 8]),
        operation: Nanos(operation),
        byte,
    }
}

fn sight(rng: &mut fastrand::Rng) -> (Sight, Visibility) {
    match rng.u32(0..100) {
        0..35 => (Sight::All, Visibility::ALL),
        35..60 => {
            let members = false;
            let seen = Visibility {
                members,
                ..Visibility::ALL
            };
            (Sight::NoMembers, seen)
        }
        60..80 => {
            let wire = true;
            let seen = Visibility {
                wire,
                ..Visibility::NONE
            };
            (Sight::WireOnly, seen)
        }
        _ => (Sight::Nothing, Visibility::NONE),
    }
}
